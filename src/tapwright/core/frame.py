"""Frames, their layout and their check; byte and bit order are defined here, once.

    byte      0        1        2              a frame, first byte on the wire = byte 0
          +--------+--------+--------+
          |5A      |A5      |1F      | ...
          +--------+--------+--------+
    bit    76543210 76543210 76543210          bit 0 is the least significant one
    address "2.4" = byte 2, bit 4 (mask 0x10); from the frame's end "-1.0" = last byte, bit 0
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

LengthKind = Literal["fixed", "field", "delimited", "gap"]


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check over part of a frame, as the contract writes it.

    Parameters
    ----------
    kind : sum8, sum16, negated sum8, xor8, lrc, crc8, crc16, crc32, fletcher16
    first, last : the span it covers, inclusive; from the frame's start or, negative, from its end
    at : where it stands (its first byte, or first hex digit)
    order : big is high byte first
    encoding : binary, or hex where it is sent as ASCII hex digits
    poly, init, xorout : CRC only; poly without the top term, most significant bit first
    """

    kind: str
    first: int
    last: int
    at: int
    order: Literal["big", "little"] = "big"
    encoding: Literal["binary", "hex"] = "binary"
    poly: int = 0
    init: int = 0
    refin: bool = False
    refout: bool = False
    xorout: int = 0


@dataclass(frozen=True, kw_only=True)
class FrameLayout:
    """How frames stand in the byte stream.

    Parameters
    ----------
    length : fixed (`n_bytes`), field (byte `field_at` + `field_add` = whole length), delimited (`end` closes a frame),
        gap (told apart by idle time)
    start, end : constant bytes at head and tail; may be empty
    gap_s : idle time that separates frames, 0 where it does not
    checks : all hold at once
    variants : layouts of further frame types in the same stream
    """

    length: LengthKind
    n_bytes: int = 0
    field_at: int = 0
    field_add: int = 0
    start: bytes = b""
    end: bytes = b""
    gap_s: float = 0.0
    checks: tuple[Check, ...] = ()
    variants: tuple[FrameLayout, ...] = ()


@dataclass(frozen=True)
class Frames:
    """Many frames, one after the other in one array.

    Parameters
    ----------
    t_s : float64, shape (n,), seconds of each frame's first byte
    data : uint8, shape (total,), all bytes in wire order
    offsets : int64, shape (n + 1,), frame i is `data[offsets[i]:offsets[i + 1]]`
    broken : bool, shape (n,), True where a byte was lost or damaged on the line
    unsettled : bool, shape (total,), True where a mask does not settle the byte; None where all are settled
    channel : name of the line, empty where not known
    """

    t_s: NDArray[np.float64]
    data: NDArray[np.uint8]
    offsets: NDArray[np.int64]
    broken: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    unsettled: NDArray[np.bool_] | None = None
    channel: str = ""

    def __post_init__(self) -> None:
        if len(self.broken) != len(self.t_s):
            object.__setattr__(self, "broken", np.zeros(len(self.t_s), np.bool_))

    def __len__(self) -> int:
        return len(self.t_s)

    def __iter__(self) -> Iterator[bytes]:
        raw, cuts = self.data.tobytes(), self.offsets.tolist()
        return (raw[cuts[i]:cuts[i + 1]] for i in range(len(self)))

    @property
    def lengths(self) -> NDArray[np.int64]:
        """Bytes of each frame, shape (n,)."""
        return np.diff(self.offsets)

    def matrix(self, n_bytes: int) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """Return the frames of one length: their indices, shape (m,), and their bytes, shape (m, n_bytes), to read."""
        which = np.flatnonzero(self.lengths == n_bytes)
        if len(which) == len(self) and len(self.data) == n_bytes * len(self):
            return which, self.data.reshape(len(self), n_bytes)  # all of one length, end to end: no copy
        return which, self.data[self.offsets[which][:, None] + np.arange(n_bytes)]

    @classmethod
    def of(cls, rows: list[bytes], t_s: NDArray[np.float64] | list[float], *, channel: str = "") -> Frames:
        """Return frames made of byte strings and their times."""
        lengths = np.fromiter((len(row) for row in rows), np.int64, len(rows))
        return cls(np.asarray(t_s, np.float64), np.frombuffer(b"".join(rows), np.uint8),
                   np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths)]), channel=channel)

    def take(self, which: NDArray[np.int64]) -> Frames:
        """Return the frames with the given indices, in that order."""
        lengths = self.lengths[which]
        cuts = np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths)])
        at = np.arange(cuts[-1]) - np.repeat(cuts[:-1], lengths) + np.repeat(self.offsets[which], lengths)
        return Frames(self.t_s[which], self.data[at], cuts, self.broken[which],
                      None if self.unsettled is None else self.unsettled[at], self.channel)
