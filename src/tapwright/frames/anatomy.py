"""What each byte of a frame does: constant, counter, toggling, varying."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Frames

STEADY_SHARE = 0.9  # of steps; the rest may be lost frames, or a counter that wraps early
MOST_FRAMES = 20_000  # of which the anatomy is taken
FEW_STRAYS = 0.02  # of frames; values seen once each are taken for damage where no check can tell
Kind = Literal["constant", "counter", "toggles", "varies"]


@dataclass(frozen=True, kw_only=True)
class ByteColumn:
    """One byte position over all frames.

    Parameters
    ----------
    at : from the frame's start or, negative, from its end
    value : of a constant byte, else None
    values : the two values of a toggling byte
    step : of a counter, modulo 256
    distinct : values seen
    changing : mask of the bits seen to change
    entropy_bits : of the values seen, 0 to 8
    """

    at: int
    kind: Kind
    value: int | None = None
    values: tuple[int, ...] = ()
    step: int = 0
    distinct: int = 1
    changing: int = 0
    entropy_bits: float = 0.0

    def document(self) -> dict[str, object]:
        """Return the byte as the contract writes it."""
        out: dict[str, object] = {"at": self.at, "kind": self.kind}
        if self.kind == "constant":
            out["hex"] = f"{self.value:02X}"
        else:
            if self.kind == "counter":
                out["step"] = self.step
            if self.kind == "toggles":
                out["values"] = [f"{value:02X}" for value in self.values]
            out |= {"distinct": self.distinct, "changing": f"{self.changing:02X}",
                    "entropy_bits": round(self.entropy_bits, 2)}
        return out


def columns(frames: Frames, *, strict: bool) -> tuple[ByteColumn, ...]:
    """Return every byte position; where lengths vary, those that all frames have, from the start and from the end.

    `strict`: every frame given is known to be undamaged (its check holds), so one other value ends a constant.
    """
    if not len(frames):
        return ()
    if len(frames) > MOST_FRAMES:
        frames = frames.take(np.arange(MOST_FRAMES))
    return tuple(_column(at, values, strict) for at, values in _positions(frames))


def _positions(frames: Frames) -> Iterator[tuple[int, NDArray[np.uint8]]]:
    lengths = frames.lengths
    shortest = int(lengths.min())
    for at in range(shortest):
        yield at, frames.data[frames.offsets[:-1] + at]
    if int(lengths.max()) > shortest:
        for at in range(-shortest, 0):
            yield at, frames.data[frames.offsets[1:] + at]


def _column(at: int, column: NDArray[np.uint8], strict: bool) -> ByteColumn:
    values, counts = np.unique(column, return_counts=True)
    top = int(values[np.argmax(counts)])
    strays = len(column) - int(counts.max())
    if len(values) == 1 or (not strict and strays <= FEW_STRAYS * len(column) and counts.min() == 1
                            and strays == len(values) - 1):
        return ByteColumn(at=at, kind="constant", value=top)
    share = counts / counts.sum()
    entropy = float(-(share * np.log2(share)).sum())
    changing = int(np.bitwise_or.reduce(column ^ column[0]))
    kind: Kind = "varies"
    step = 0
    if len(column) >= 4:
        steps = (column[1:] - column[:-1]).astype(np.uint8)  # wraps modulo 256
        moves, often = np.unique(steps, return_counts=True)
        usual = int(moves[np.argmax(often)])
        if len(values) == 2 and np.mean(steps != 0) >= STEADY_SHARE:
            kind = "toggles"
        elif usual and often.max() >= STEADY_SHARE * len(steps) and len(values) > 2:
            kind, step = "counter", usual if usual < 128 else usual - 256
    return ByteColumn(at=at, kind=kind, values=tuple(int(v) for v in values) if kind == "toggles" else (), step=step,
                      distinct=len(values), changing=changing, entropy_bits=entropy)


def constant_run(found: tuple[ByteColumn, ...], *, tail: bool = False) -> bytes:
    """Return the run of constant bytes at the head of all frames, or at their tail."""
    order = [column for column in found if column.at < 0][::-1] if tail else \
        [column for column in found if column.at >= 0]
    if tail and not order:
        order = list(found)[::-1]
    out = []
    for column in order:
        if column.kind != "constant" or column.value is None:
            break
        out.append(column.value)
    return bytes(out[::-1] if tail else out)
