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
from tapwright.mapping.memo import Memo
from tapwright.mapping.shown import ALL_OPEN, Row, read_row
from tapwright.mask.apply import unmask

_MOST_KEPT = 1 << 17
_PART_BITS = 16  # bits looked up at a time
_FEW = 64
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
        columns = np.ascontiguousarray(matrix[:, :self._width].T)
        parts: list[NDArray[np.int64]] = []
        moved = np.zeros(n, np.bool_)
        part, free = np.zeros(n, np.int64), _PART_BITS
        for at in range(self._width):
            column = columns[at] if at < len(columns) else np.zeros(n, np.uint8)
            if self._watch[at]:
                moved |= ((column ^ self._rest[at]) & self._watch[at]) != 0
            mask = int(self._mask[at])
            size = mask.bit_count()
            if not size:
                continue
            if size > free:
                parts.append(part)
                part, free = np.zeros(n, np.int64), _PART_BITS
            # The bits that matter, closed up: one look-up a byte.
            part <<= size
            part |= _packing(mask)[column]
            free -= size
        parts.append(part)
        if self.map.lengths:
            parts.append(lengths.astype(np.int64))
        parts.append(moved.astype(np.int64))
        return _joint(parts)


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
def _packing(mask: int) -> NDArray[np.int64]:
    # At most 256 masks; a live source reads frame by frame and must not make the tables anew for each.
    return np.array([_packed(value, mask) for value in range(256)], np.int64)


def _packed(value: int, mask: int) -> int:
    out = 0
    for bit in range(7, -1, -1):
        if mask >> bit & 1:
            out = out << 1 | (value >> bit & 1)
    return out


def _joint(parts: list[NDArray[np.int64]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the index of each row among the distinct rows of several columns, and a row of each."""
    which, n_distinct = _ranked(parts[0])
    for part in parts[1:]:
        ranks, n = _ranked(part)
        if n > 1:
            which, n_distinct = _ranked(which * n + ranks)
    first = np.empty(n_distinct, np.int64)
    first[which[::-1]] = np.arange(len(which))[::-1]
    return which, first


def _ranked(codes: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """Return each code's place among the distinct ones, and how many there are."""
    size = int(codes.max()) + 1
    if size > 4 * len(codes) + _FEW:
        values, ranks = np.unique(codes, return_inverse=True)
        return ranks.astype(np.int64).reshape(-1), len(values)
    seen = np.zeros(size, np.bool_)
    seen[codes] = True
    ranks = np.cumsum(seen) - 1
    return ranks[codes], int(ranks[-1]) + 1


def _reading(row: Row, t_s: float, seq: int) -> Reading:
    return Reading(t_s=t_s, display=row.display, value=row.value, unit=row.unit, flags=row.flags, status=row.status,
                   seq=seq)


