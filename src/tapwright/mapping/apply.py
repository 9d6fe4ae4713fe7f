"""Frames and an instrument -> readings, over arrays: every distinct pattern of the bits that matter is read once.

`shown.read_row` says what a body means; this module finds the distinct bodies, keeps what it has read, and judges
checks and broken frames.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Frames
from tapwright.core.instrument import Instrument
from tapwright.core.reading import Reading, Status
from tapwright.core.reading_map import BitRef, Codes, DisplayMap, Integer, Lamp, ReadingMap, Segments, Table, UnitSigns
from tapwright.frames.apply import check_ok
from tapwright.mapping.body import map_bodies
from tapwright.mapping.shown import ALL_OPEN, Memo, Row, read_row
from tapwright.mask.apply import unmask

_MOST_KEPT = 1 << 17
_BAD = {Status.BAD_CHECK: Row("", None, "", "", Status.BAD_CHECK), Status.BROKEN: Row("", None, "", "", Status.BROKEN)}


@dataclass(frozen=True)
class Readings:
    """Readings of many frames, in the frames' order.

    Parameters
    ----------
    t_s : float64, shape (n,), seconds
    which : int64, shape (n,), index into `rows`
    rows : the distinct readings
    """

    t_s: NDArray[np.float64]
    which: NDArray[np.int64]
    rows: tuple[Row, ...]

    def __len__(self) -> int:
        return len(self.which)

    def __iter__(self) -> Iterator[Reading]:
        for seq, (t_s, which) in enumerate(zip(self.t_s.tolist(), self.which.tolist(), strict=True)):
            yield _reading(self.rows[which], t_s, seq)

    def column(self, name: str) -> list[str | Decimal | Status | None]:
        """Return one column (display, value, unit, flags or status), a cell a frame."""
        cells = [getattr(row, name) for row in self.rows]
        return [cells[which] for which in self.which.tolist()]

    def count(self, status: Status) -> int:
        """Return how many readings have a status."""
        having = np.array([row.status is status for row in self.rows], np.bool_)
        return int(having[self.which].sum()) if len(having) else 0


class Decoder:
    """Reads frames by an instrument's description.

    Frames come as received: where the description has a mask, they are unmasked first.
    """

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.map = instrument.reading_map
        used = used_bits(self.map)
        width = max((bit.byte + 1 for bit in [*used, *self.map.watch]), default=0)
        self._width = width
        self._mask, self._watch, self._rest = (np.zeros(width, np.uint8) for _ in range(3))
        for bit in used:
            self._mask[bit.byte] |= 1 << bit.bit
        for bit in self.map.watch:
            self._watch[bit.byte] |= 1 << bit.bit
            self._rest[bit.byte] |= bit.inverted << bit.bit
        self._memo = Memo(self.map)
        self._kept: dict[tuple[bytes, int], Row] = {}

    def read(self, frames: Frames) -> Readings:
        """Read frames.

        Parameters
        ----------
        frames : as received

        Returns
        -------
        Readings, one a frame, none left out or merged
        """
        n = len(frames)
        received, frames = frames, self._wire(frames)
        matrix, lengths = map_bodies(frames, self.instrument.layout, self.map)
        keys, first = self._distinct(matrix, lengths)
        keep = self._mask | self._watch
        matter = np.zeros((len(first), self._width), np.uint8)
        matter[:, :matrix.shape[1]] = matrix[first, :self._width]
        matter &= keep
        rows = [self._row(body.tobytes(), int(lengths[i])) for body, i in zip(matter, first.tolist(), strict=True)]
        which = keys
        bad = np.zeros(n, np.int64)
        if self.instrument.layout is not None and n:
            bad[~check_ok(frames, self.instrument.layout)] = 1
        if frames.unsettled is not None and n:
            per_frame = np.add.reduceat(np.concatenate([frames.unsettled, [False]]).astype(np.int64),
                                        frames.offsets[:-1])
            bad[(per_frame > 0) & (frames.lengths > 0)] = 3
        bad[frames.lengths == 0] = 2
        bad[received.broken] = 2
        if bad.any():
            extra = [_BAD[Status.BAD_CHECK], _BAD[Status.BROKEN], ALL_OPEN]
            which = np.where(bad > 0, len(rows) + bad - 1, which)
            rows += extra
        return Readings(frames.t_s, which, tuple(rows))

    def read_one(self, frame: bytes, t_s: float, seq: int, broken: bool = False) -> Reading:
        """Read one frame as received."""
        one = Frames.of([frame], [t_s])
        one = replace(one, broken=np.array([broken]))
        readings = self.read(one)
        return _reading(readings.rows[int(readings.which[0])], t_s, seq)

    def _wire(self, frames: Frames) -> Frames:
        mask = self.instrument.mask
        return frames if mask is None else unmask(frames, mask)

    def _row(self, body: bytes, length: int) -> Row:
        key = (body, length if self.map.lengths else 0)
        row = self._kept.get(key)
        if row is None:
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            row = self._kept[key] = read_row(self.map, body, length, self._memo)
        return row

    def _distinct(self, matrix: NDArray[np.uint8], lengths: NDArray[np.int64]
                  ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return for each body the index of its pattern, and for each pattern a body that has it."""
        n = len(matrix)
        if not n:
            return np.zeros(0, np.int64), np.zeros(0, np.int64)
        width = min(self._width, matrix.shape[1])
        words: list[NDArray[np.uint64]] = []
        moved = np.zeros(n, np.bool_)
        word, free = np.zeros(n, np.uint64), 64
        for at in range(self._width):
            column = matrix[:, at] if at < width else np.zeros(n, np.uint8)
            if self._watch[at]:
                moved |= ((column ^ self._rest[at]) & self._watch[at]) != 0
            mask = int(self._mask[at])
            size = mask.bit_count()
            if not size:
                continue
            if size > free:
                words.append(word)
                word, free = np.zeros(n, np.uint64), 64
            # The bits that matter, closed up: one look-up a byte.
            word = (word << np.uint64(size)) | _packing(mask)[column]
            free -= size
        words.append(word)
        if self.map.lengths:
            words.append(lengths.astype(np.uint64))
        words.append(moved.astype(np.uint64))
        return _joint(words)


def used_bits(reading_map: ReadingMap) -> list[BitRef]:
    """Return every bit that a reading map reads, without those it only watches."""
    bits: list[BitRef] = []
    for display in reading_map.displays:
        bits += _display_bits(display)
    for unit in reading_map.units:
        if isinstance(unit, UnitSigns):
            for lamp in [*unit.prefixes.values(), *unit.bases.values()]:
                bits += lamp.bits
        else:
            bits += unit.bits
    for flag in reading_map.flags.values():
        bits += flag.bits
    return bits


def _display_bits(display: DisplayMap) -> list[BitRef]:
    parts: list[Lamp | Table] = [*display.states, *display.point.lamps.values(), *display.point.tables]
    if display.minus is not None:
        parts.append(display.minus)
    return [*digit_bits(display), *(bit for part in parts for bit in part.bits)]


def digit_bits(display: DisplayMap) -> list[BitRef]:
    """Return the bits that make the digits of a display map."""
    digits = display.digits
    if isinstance(digits, Segments):
        return [bit for place in digits.places for lamp in place for bit in lamp.bits]
    if isinstance(digits, Codes):
        return [bit for place in digits.places for bit in place.bits]
    return [*digits.bits, *(digits.fixed if isinstance(digits, Integer) else ())]


@functools.cache
def _packing(mask: int) -> NDArray[np.uint64]:
    # At most 256 masks; a live source reads frame by frame and must not make the tables anew for each.
    return np.array([_packed(value, mask) for value in range(256)], np.uint64)


def _packed(value: int, mask: int) -> int:
    out = 0
    for bit in range(7, -1, -1):
        if mask >> bit & 1:
            out = out << 1 | (value >> bit & 1)
    return out


def _joint(words: list[NDArray[np.uint64]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the index of each row among the distinct rows of several columns, and a row of each."""
    key = words[0]
    for word in words[1:]:
        most_key, most_word = int(key.max()), int(word.max())
        if most_word == 0:
            continue
        if most_key.bit_length() + most_word.bit_length() > 64:
            key = np.unique(key, return_inverse=True)[1].astype(np.uint64)
            most_key = int(key.max())
        if most_key.bit_length() + most_word.bit_length() > 64:
            word = np.unique(word, return_inverse=True)[1].astype(np.uint64)
        key = key << np.uint64(max(int(word.max()).bit_length(), 1)) | word
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    return inverse.astype(np.int64).reshape(-1), first.astype(np.int64)


def _reading(row: Row, t_s: float, seq: int) -> Reading:
    return Reading(t_s=t_s, display=row.display, value=row.value, unit=row.unit, flags=row.flags, status=row.status,
                   seq=seq)


