"""Sums, exclusive ors and Fletcher's check found over any span and place.

All spans are tried at once: a span's value is the difference of two prefix sums, so the values of every span over a
few frames are one array, and those that equal a column of the same frames are looked up. What fits the few frames is
then held against all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check
from tapwright.frames.checks._spans import DIGITS, NO_DIGIT
from tapwright.frames.material import Material

DRAWS = 7  # samples of frames; one without a damaged frame is enough
MOST_CUTS = 280
MOST_HITS = 4000
Order = Literal["big", "little"]
Encoding = Literal["binary", "hex"]
ORDERS: tuple[Order, ...] = ("big", "little")
LEAST_DISTINCT = 4  # values that a check byte must have shown


@dataclass(frozen=True)
class Cut:
    """A place between bytes: before byte `index`, from the start or (`from_end`) that many bytes before the end."""

    index: int
    from_end: bool

    def first(self) -> int:
        """Return the span's `first` where it begins here."""
        return -self.index if self.from_end else self.index

    def last(self) -> int:
        """Return the span's `last` where it ends here."""
        return -self.index - 1 if self.from_end else self.index - 1


@dataclass(frozen=True)
class Column:
    """Something in the frames that could be a check: where it stands and how it is sent."""

    at: int
    n_bytes: int
    order: Order
    encoding: Encoding

    @property
    def size(self) -> int:
        """Bytes it takes in the frame."""
        return self.n_bytes * (2 if self.encoding == "hex" else 1)


def cuts_of(material: Material) -> list[Cut]:
    """Return every place where a span may begin or end."""
    least = material.shortest
    if material.is_varying:
        most = min(least, MOST_CUTS // 2)
        return [*(Cut(i, False) for i in range(most + 1)), *(Cut(i, True) for i in range(most, -1, -1))]
    return [Cut(i, False) for i in range(min(least, MOST_CUTS) + 1)]


def columns_of(material: Material) -> list[Column]:
    """Return every place that could hold a check: it has shown several values."""
    out = []
    least = material.shortest
    varied = {place for place, n in material.distinct.items() if n >= LEAST_DISTINCT}
    moving = {place for place, n in material.distinct.items() if n >= 2}
    for at in material.places:
        top = least if at >= 0 else 0
        if at in varied:
            out.append(Column(at, 1, "big", "binary"))
        if at + 2 <= top and (at in varied or at + 1 in varied):
            # The high byte of a sum may hardly change; a byte that stands still and is not the sum's is caught later.
            out += [Column(at, 2, order, "binary") for order in ORDERS]
        for n_bytes in (1, 2):
            digits = range(at, at + 2 * n_bytes)
            if digits.stop <= top and set(digits) <= material.hex_places and not moving.isdisjoint(digits):
                out += [Column(at, n_bytes, order, "hex") for order in ORDERS[:n_bytes]]
    return out


def find_sums(material: Material) -> list[Check]:
    """Return every sum, exclusive or and Fletcher's check that fits a few frames drawn at random."""
    if material.n < 3 or material.shortest < 3:
        return []
    cuts, columns = cuts_of(material), columns_of(material)
    if not columns:
        return []
    hits: dict[Check, int] = {}
    for draw in range(DRAWS):
        rows = material.sample(5, draw)
        for check in _fitting(rows, cuts, columns):
            hits[check] = hits.get(check, 0) + 1
        if len(hits) > MOST_HITS:
            break
        if draw >= 2 and hits and max(hits.values()) == draw + 1:
            break
    return list(hits)


def _fitting(rows: list[bytes], cuts: list[Cut], columns: list[Column]) -> Iterator[Check]:
    at = np.array([[len(row) - cut.index if cut.from_end else cut.index for cut in cuts] for row in rows])
    begins, ends = np.nonzero((at[:, :, None] < at[:, None, :]).all(axis=0))
    values = {column: _column_values(rows, column) for column in columns}
    for kind, n_bytes, spans in _span_values(rows, at, begins, ends):
        keyed: dict[int, list[Column]] = {}
        for column, sent in values.items():
            if column.n_bytes == n_bytes and sent is not None and len(set(sent)) > min(2, len(rows) - 1):
                keyed.setdefault(_key(sent, n_bytes), []).append(column)
        if not keyed:
            continue
        keys = _keys(spans, n_bytes)
        found = np.flatnonzero(np.isin(keys, np.array(list(keyed), np.uint64)))
        for i in found[:MOST_HITS].tolist():
            begin, end = cuts[int(begins[i])], cuts[int(ends[i])]
            for column in keyed[int(keys[i])]:
                if not _overlap(rows, column, begin, end):
                    yield Check(kind=kind, first=begin.first(), last=end.last(), at=column.at,
                                order=column.order,
                                encoding=column.encoding)
    if any(column.encoding == "hex" for column in columns):
        yield from _lrc(rows, at, cuts, values)


def _overlap(rows: list[bytes], column: Column, begin: Cut, end: Cut) -> bool:
    for row in rows:
        at = column.at if column.at >= 0 else len(row) + column.at
        low = len(row) - begin.index if begin.from_end else begin.index
        high = len(row) - end.index if end.from_end else end.index
        if at < high and low < at + column.size:
            return True
    return False


def _column_values(rows: list[bytes], column: Column) -> list[int] | None:
    out = []
    for row in rows:
        at = column.at if column.at >= 0 else len(row) + column.at
        sent = row[at:at + column.size]
        if column.encoding == "hex":
            digits = [int(DIGITS[byte]) for byte in sent]
            if NO_DIGIT in digits:
                return None
            sent = bytes(16 * digits[i] + digits[i + 1] for i in range(0, len(digits), 2))
        out.append(int.from_bytes(sent, column.order))
    return out


def _prefix(rows: list[bytes], at: NDArray[np.int64], weigh: bool) -> NDArray[np.int64]:
    out = np.zeros(at.shape, np.int64)
    for i, row in enumerate(rows):
        values = np.frombuffer(row, np.uint8).astype(np.int64)
        if weigh:
            values = values * np.arange(len(values))
        out[i] = np.concatenate([np.zeros(1, np.int64), np.cumsum(values)])[at[i]]
    return out


def _span_values(rows: list[bytes], at: NDArray[np.int64], begins: NDArray[np.int64], ends: NDArray[np.int64],
                 ) -> Iterator[tuple[str, int, NDArray[np.int64]]]:
    """Yield kind, bytes of the check and the values of all spans, shape (n_rows, n_spans)."""
    plain = _prefix(rows, at, weigh=False)
    total = plain[:, ends] - plain[:, begins]
    yield "sum8", 1, total & 0xFF
    yield "negated sum8", 1, -total & 0xFF
    xors = np.zeros(at.shape, np.int64)
    for i, row in enumerate(rows):
        xors[i] = np.concatenate([np.zeros(1, np.int64), np.bitwise_xor.accumulate(
            np.frombuffer(row, np.uint8)).astype(np.int64)])[at[i]]
    yield "xor8", 1, xors[:, ends] ^ xors[:, begins]
    yield "sum16", 2, total & 0xFFFF
    weighed = _prefix(rows, at, weigh=True)
    second = at[:, ends] * total - (weighed[:, ends] - weighed[:, begins])
    yield "fletcher16", 2, second % 255 << 8 | total % 255


def _keys(values: NDArray[np.int64], n_bytes: int) -> NDArray[np.uint64]:
    """Pack the values of up to 8 bytes' worth of rows into one number a span."""
    keys = np.zeros(values.shape[1], np.uint64)
    for i in range(min(len(values), 8 // n_bytes)):
        keys |= values[i].astype(np.uint64) << np.uint64(8 * n_bytes * i)
    return keys


def _key(values: list[int], n_bytes: int) -> int:
    return sum(value << 8 * n_bytes * i for i, value in enumerate(values[:8 // n_bytes]))


def _lrc(rows: list[bytes], at: NDArray[np.int64], cuts: list[Cut],
         values: dict[Column, list[int] | None]) -> Iterator[Check]:
    """Yield negated sums over the bytes that pairs of hex digits spell."""
    columns = [(column, sent) for column, sent in values.items()
               if column.encoding == "hex" and column.n_bytes == 1 and sent is not None]
    digits = [DIGITS[np.frombuffer(row, np.uint8)].astype(np.int64) for row in rows]
    for begin, end in _pairs(at, digits):
        spelled = [int((digit[a:b:2] * 16 + digit[a + 1:b:2]).sum())
                   for digit, a, b in zip(digits, at[:, begin].tolist(), at[:, end].tolist(), strict=True)]
        wanted = [-value & 0xFF for value in spelled]
        for column, sent in columns:
            if sent == wanted and not _overlap(rows, column, cuts[begin], cuts[end]):
                yield Check(kind="lrc", first=cuts[begin].first(), last=cuts[end].last(), at=column.at, encoding="hex")


def _pairs(at: NDArray[np.int64], digits: list[NDArray[np.int64]]) -> Iterator[tuple[int, int]]:
    """Yield cuts between which every row holds whole pairs of hex digits and nothing else."""
    runs = [np.concatenate([np.zeros(1, np.int64), np.cumsum(digit == NO_DIGIT)]) for digit in digits]
    n_cuts = at.shape[1]
    for begin in range(n_cuts):
        sizes = at - at[:, [begin]]
        strangers = np.array([run[row] - run[row[begin]] for run, row in zip(runs, at, strict=True)])
        good = ((sizes > 0) & (sizes % 2 == 0) & (strangers == 0)).all(axis=0)
        yield from ((begin, int(end)) for end in np.flatnonzero(good))
