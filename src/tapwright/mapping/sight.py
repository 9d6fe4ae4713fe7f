"""What labels saw of the frames: for every label one value of every body bit, and which bits mean nothing.

A label's frames are those well inside its stretch. A bit's value is that of the majority of them; a bit that changes
inside stretches whose display stood still (a counter, noise) is no part of the display.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.errors import LabelError
from tapwright.core.frame import FrameLayout, Frames
from tapwright.evidence.labels import Label
from tapwright.frames.apply import check_ok
from tapwright.mapping.body import bodies, split_fields

SLOP_S = 0.3  # a label's times are within this of the display's change (contract)
_COMMA = 0x2C
_MOST_LOOKED = 200  # frames of a capture looked at to say whether they are text
_COUNTING_SHARE, _MOST_COUNTED = 0.7, 1000
_STRAY_SHARE = 0.15  # frames of a stretch that may differ without making a bit count as changing


@dataclass(frozen=True)
class Recording:
    """One capture's sound frames (check right, none broken), in time order.

    Parameters
    ----------
    t_s : float64, shape (n,)
    body : uint8, shape (n, w); w is the same for all captures
    lengths : int64, shape (n,), bytes of each body
    left_out : frames with a wrong check or damaged on the line
    """

    t_s: NDArray[np.float64]
    body: NDArray[np.uint8]
    lengths: NDArray[np.int64]
    left_out: int


def recordings(captures: Mapping[str, Frames], layout: FrameLayout | None) -> dict[str, Recording]:
    """Return the sound frames of captures as bodies of one width."""
    parts: dict[str, Recording] = {}
    for name, frames in captures.items():
        sound = ~frames.broken & (frames.lengths > 0)
        if layout is not None and len(frames):
            sound &= check_ok(frames, layout)
        if frames.unsettled is not None and len(frames):
            loose = np.concatenate([[0], np.cumsum(frames.unsettled)])
            sound &= loose[frames.offsets[1:]] == loose[frames.offsets[:-1]]
        kept = frames.take(np.flatnonzero(sound))
        order = np.argsort(kept.t_s, kind="stable")
        kept = kept.take(order) if len(order) and (np.diff(order) < 0).any() else kept
        body, lengths = bodies(kept, layout)
        parts[name] = Recording(kept.t_s, body, lengths, len(frames) - len(kept))
    width = max((part.body.shape[1] for part in parts.values()), default=0)
    return {name: Recording(part.t_s, _widened(part.body, width), part.lengths, part.left_out)
            for name, part in parts.items()}


def fields_of(recorded: Mapping[str, Recording]) -> tuple[int, tuple[int, ...]]:
    """Return the separator of frames that are lists of text fields, and the bytes to keep of each field.

    -1 and nothing where they are not: all of one length, or not printable text with commas throughout. One byte more
    than the longest text seen is kept of each field, so that a longer one shows.
    """
    bodies_seen = [(row[:length].tobytes()) for part in recorded.values()
                   for row, length in zip(part.body[:_MOST_LOOKED], part.lengths[:_MOST_LOOKED].tolist(), strict=True)]
    if len({len(body) for body in bodies_seen}) < 2:
        return -1, ()
    if not all(min(body) >= 0x20 and max(body) < 0x7F and _COMMA in body for body in bodies_seen):
        return -1, ()
    longest: list[int] = []
    for part in recorded.values():
        for row, length in zip(part.body, part.lengths.tolist(), strict=True):
            sizes = [len(field) for field in row[:length].tobytes().split(bytes([_COMMA]))]
            longest += [0] * (len(sizes) - len(longest))
            longest = [max(a, b) for a, b in zip(longest, sizes + [0] * len(longest), strict=False)]
    return _COMMA, tuple(size + 1 for size in longest)


def in_fields(recorded: Mapping[str, Recording], separator: int, slots: tuple[int, ...]) -> dict[str, Recording]:
    """Return recordings whose bodies are split at a separator."""
    return {name: Recording(part.t_s, split_fields(part.body, part.lengths, separator, slots), part.lengths,
                            part.left_out) for name, part in recorded.items()}


def _widened(body: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    return body if body.shape[1] == width else np.pad(body, ((0, 0), (0, width - body.shape[1])))


def recording_of(label: Label, recorded: Mapping[str, Recording]) -> str:
    """Return the name of the capture that a label belongs to.

    Raises
    ------
    LabelError : it names none of the captures given
    """
    if label.capture in recorded:
        return label.capture
    if not label.capture and len(recorded) == 1:
        return next(iter(recorded))
    raise LabelError(
        f"capture '{label.capture}' is not among the captures given" if label.capture else "no capture named",
        place=f"data row {label.row}", expected="one of " + ", ".join(recorded) or "a capture",
        do="give that capture too, or correct the column capture",
    )


@dataclass(frozen=True)
class Sight:
    """All labels beside the bits that they saw.

    Parameters
    ----------
    labels : those with frames, in the file's order
    rows : uint8, shape (n_labels, w): the majority body
    bits : uint8 (0, 1), shape (n_labels, 8 w): column 8 byte + bit
    mixed : bool, shape as `bits`: the bit changed inside the stretch
    usable : bool, shape (8 w,): bits that may carry the display
    lengths : int64, shape (n_labels,), bytes of the bodies
    n_frames : int64, shape (n_labels,)
    """

    labels: tuple[Label, ...]
    rows: NDArray[np.uint8]
    bits: NDArray[np.uint8]
    mixed: NDArray[np.bool_]
    usable: NDArray[np.bool_]
    lengths: NDArray[np.int64]
    n_frames: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.labels)

    def take(self, which: NDArray[np.bool_]) -> Sight:
        """Return the sight of some labels only."""
        kept = tuple(self.labels[i] for i in np.flatnonzero(which).tolist())
        return Sight(kept, self.rows[which], self.bits[which], self.mixed[which], self.usable, self.lengths[which],
                     self.n_frames[which])

    @property
    def constant(self) -> NDArray[np.bool_]:
        """Usable bits that all labels saw alike, shape (8 w,)."""
        same: NDArray[np.bool_] = (self.bits == self.bits[:1]).all(axis=0)
        return self.usable & same

    @property
    def varied(self) -> NDArray[np.bool_]:
        """Usable bits that labels saw both ways, shape (8 w,)."""
        return self.usable & ~self.constant


def see(labels: tuple[Label, ...], recorded: Mapping[str, Recording], offset_s: float,
        period_s: float) -> tuple[Sight, tuple[Label, ...]]:
    """Return what labels saw with their clock ahead by an offset, and the labels that saw no frame."""
    seen: list[Label] = []
    missed: list[Label] = []
    rows: list[NDArray[np.uint8]] = []
    mixed: list[NDArray[np.bool_]] = []
    lengths: list[int] = []
    counts: list[int] = []
    for label in labels:
        part = recorded[recording_of(label, recorded)]
        first, last = window(label, part.t_s, offset_s, period_s)
        if first == last:
            missed.append(label)
            continue
        row, changing = _majority(part.body[first:last])
        seen.append(label)
        rows.append(row)
        mixed.append(changing)
        lengths.append(int(part.lengths[(first + last) // 2]))
        counts.append(last - first)
    width = next(iter(recorded.values())).body.shape[1] if recorded else 0
    all_rows = np.array(rows, np.uint8).reshape(len(rows), width)
    bits = np.unpackbits(all_rows, axis=1, bitorder="little")
    all_mixed = np.array(mixed, np.bool_).reshape(bits.shape)
    times_mixed = all_mixed.sum(axis=0)
    usable = times_mixed <= max(1, len(seen) // 50)
    usable &= ~counters(recorded)
    return Sight(tuple(seen), all_rows, bits, all_mixed, usable, np.array(lengths, np.int64),
                 np.array(counts, np.int64)), tuple(missed)


def window(label: Label, t_s: NDArray[np.float64], offset_s: float, period_s: float) -> tuple[int, int]:
    """Return the frames [first, last) well inside a label's stretch; the middle one where it is short."""
    start_s, end_s = label.start_s - offset_s, label.end_s - offset_s
    margin = SLOP_S + min(period_s, 0.5) / 2
    first, last = np.searchsorted(t_s, [start_s + margin, end_s - margin])
    if last > first:
        return int(first), int(last)
    middle = int(np.searchsorted(t_s, (start_s + end_s) / 2))
    inside = [i for i in (middle, middle - 1) if 0 <= i < len(t_s) and start_s <= t_s[i] <= end_s]
    if not inside:
        return 0, 0
    best = min(inside, key=lambda i: abs(t_s[i] - (start_s + end_s) / 2))
    return best, best + 1


def _majority(body: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    n = len(body)
    if n > 400:
        body = body[:: n // 200]
        n = len(body)
    if n == 1 or (body == body[0]).all():
        return body[n // 2], np.zeros(8 * body.shape[1], np.bool_)
    ones = np.unpackbits(body, axis=1, bitorder="little").sum(axis=0, dtype=np.int64)
    middle = np.unpackbits(body[n // 2], bitorder="little")
    # A tie goes to the middle frame.
    value = np.where(2 * ones == n, middle, 2 * ones > n).astype(np.uint8)
    return np.packbits(value, bitorder="little"), np.minimum(ones, n - ones) > _STRAY_SHARE * n


def counters(recorded: Mapping[str, Recording]) -> NDArray[np.bool_]:
    """Return which bits belong to a byte that counts frames, perhaps under a constant key, shape (8 w,)."""
    pairs = [part.body[:_MOST_COUNTED] for part in recorded.values() if len(part.body) > 1]
    width = next(iter(recorded.values())).body.shape[1] if recorded else 0
    out = np.zeros(8 * width, np.bool_)
    if sum(map(len, pairs)) < 16 or not width:
        return out
    before, after = np.concatenate([p[:-1] for p in pairs]), np.concatenate([p[1:] for p in pairs])
    # A key turns bits over, so a count's lowest bit still changes from frame to frame.
    lively = ((before ^ after) & 1).mean(axis=0) > _COUNTING_SHARE
    keys = np.arange(256, dtype=np.uint8)[:, None]
    for at in np.flatnonzero(lively).tolist():
        steps = (after[:, at] ^ keys) - (before[:, at] ^ keys)
        if any(np.bincount(row, minlength=256)[1:].max() > _COUNTING_SHARE * len(row) for row in steps):
            out[8 * at:8 * at + 8] = True
    return out
