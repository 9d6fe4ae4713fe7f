"""Digits as one binary number of 8 to 32 bits: either byte order, two's complement, offset, scaled."""

from __future__ import annotations

from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import BitRef, Field, Integer, Rounding, Zeros, field_value
from tapwright.mapping.families._codes import zeros_that_fit
from tapwright.mapping.hypothesis import Hypothesis, Numbers
from tapwright.mapping.sight import Sight

ROUNDINGS = {"nearest": ROUND_HALF_UP, "half even": ROUND_HALF_EVEN, "toward zero": ROUND_DOWN}
#: Ratios of count to number that instruments use, common practice (no source); 1 comes first.
_RATIOS = ((1, 1), (2, 1), (5, 1), (10, 1), (20, 1), (25, 1), (50, 1), (100, 1), (1, 2), (1, 4), (1, 5), (1, 8),
           (1, 10), (1, 16), (1, 20), (1, 32), (1, 64), (1, 100), (1, 128), (1, 256), (1, 1000))
_LEAST_LABELS_FOR_RATIO = 4
_MOST_OFFSETS = 64


def read(digits: Integer, body: bytes, decimals: int | None) -> tuple[int, bool] | None:
    """Return the display's count (0 or more) and whether the number is negative; None where it is not covered."""
    if any(bit.of(body) for bit in digits.fixed):
        return None
    return of_raw(digits, field_value(digits.bits, body), decimals)


def of_raw(digits: Integer, raw: int, decimals: int | None) -> tuple[int, bool] | None:
    """Return the display's count (0 or more) and the sign of a raw number, shown with digits after the point."""
    if digits.sign == "twos complement" and raw >> (len(digits.bits) - 1) & 1:
        raw -= 1 << len(digits.bits)
    number = raw - digits.offset
    multiply, divide = digits.multiply, digits.divide
    if digits.decimals is not None:
        if decimals is None:
            return None
        multiply *= 10 ** max(decimals - digits.decimals, 0)
        divide *= 10 ** max(digits.decimals - decimals, 0)
    return rounded(abs(number) * multiply, divide, digits.rounding), number < 0


def rounded(count: int, divide: int, rounding: str) -> int:
    """Return count / divide as a whole number."""
    if divide == 1:
        return count
    return int((Decimal(count) / divide).quantize(Decimal(1), rounding=ROUNDINGS[rounding]))


def find(sight: Sight, numbers: Numbers, most_wrong: int) -> list[Hypothesis]:
    """Return the ways in which one binary number explains the labels."""
    if not numbers.is_number.any() or numbers.width > 12:
        return []
    out: list[Hypothesis] = []
    for columns in _fields(sight):
        raw = sight.bits[:, columns].astype(np.int64) @ (1 << np.arange(len(columns), dtype=np.int64))
        out += _as_sent(sight, numbers, columns, raw, most_wrong)
    return _distinct(out)


def find_scaled(sight: Sight, numbers: Numbers, most_wrong: int) -> list[Hypothesis]:
    """Return the ways in which a binary number times a ratio, or of a fixed scale, explains the labels."""
    if not numbers.is_number.any() or numbers.width > 12:
        return []
    out: list[Hypothesis] = []
    for columns in _fields(sight):
        raw = sight.bits[:, columns].astype(np.int64) @ (1 << np.arange(len(columns), dtype=np.int64))
        if not any(one.explained.all() for one in _as_sent(sight, numbers, columns, raw, most_wrong)):
            out += _scaled(sight, numbers, columns, raw, most_wrong)
            out += _keyed_offset(sight, numbers, columns, raw, most_wrong)
    return _distinct(out)


def _distinct(out: list[Hypothesis]) -> list[Hypothesis]:
    best: dict[tuple[object, ...], Hypothesis] = {}
    for hypothesis in sorted(out, key=lambda h: -h.support):
        digits = hypothesis.digits
        assert isinstance(digits, Integer)
        # Wider fields over the same bits say nothing new: their further bits are watched anyhow.
        best.setdefault((digits.bits, digits.sign, digits.offset, digits.multiply, digits.divide, digits.decimals,
                         digits.rounding), hypothesis)
    return list(best.values())[:12]


def _fields(sight: Sight) -> list[list[int]]:
    """Return runs of bits, least significant first, as wide as they may go up to 32 bits, in either byte order.

    They start at a byte's or a nibble's lowest bit.
    """
    n_bytes = sight.rows.shape[1]
    usable = np.asarray(sight.usable.reshape(-1, 8).all(axis=1))
    fields: list[list[int]] = []
    for start in range(n_bytes):
        for way in (1, -1):
            line: list[int] = []
            at = start
            while 0 <= at < n_bytes and usable[at] and len(line) < 32:
                line += range(8 * at, 8 * at + 8)
                at += way
            if line:
                fields.append(line)
                if len(line) > 8:
                    fields.append(line[4:])
    return fields


def _as_sent(sight: Sight, numbers: Numbers, columns: list[int], raw: NDArray[np.int64],
             most_wrong: int) -> list[Hypothesis]:
    """Return hypotheses in which the count's own bits stand in the frame, each perhaps inverted, perhaps offset."""
    known = numbers.is_number
    signed = np.where(numbers.negative, -numbers.count, numbers.count)
    out: list[Hypothesis] = []
    size = int(numbers.count[known].max()).bit_length()
    if size <= len(columns):
        out += _keyed(sight, numbers, columns, raw, numbers.count, max(size, 1), most_wrong, sign=False, offset=0)
    if numbers.negative.any():
        least = max(int(abs(signed[known]).max()).bit_length(), 1) + 1
        for width in sorted({least, *(w for w in (8, 12, 16, 24, 32) if w > least)}, reverse=True):
            if width <= len(columns):
                found = _keyed(sight, numbers, columns, raw, signed & ((1 << width) - 1), width, most_wrong, sign=True,
                               offset=0)
                out += found
                # At a width too great only numbers above nought are right: a narrower one may be right for all.
                if any(one.explained.all() for one in found):
                    break
    out += _offset(sight, numbers, columns, raw, signed, most_wrong)
    return out


def _keyed(sight: Sight, numbers: Numbers, columns: list[int], raw: NDArray[np.int64], wanted: NDArray[np.int64],
           width: int, most_wrong: int, *, sign: bool, offset: int) -> list[Hypothesis]:
    known = numbers.is_number
    keys = (raw ^ wanted) & ((1 << width) - 1)
    values, counts = np.unique(keys[known], return_counts=True)
    if not len(values) or int(known.sum() - counts.max()) > most_wrong:
        return []
    key = int(values[counts.argmax()])
    explained = ~known | (keys == key)
    field = _field(columns[:width], key)
    # Copies of the sign above the number pay for their own inversion: they go with it in every label.
    size = int(numbers.count[known].max()).bit_length() + int(sign)
    free = 0.0 if key == 0 else float(min(width, size))
    if sign and not offset and key == 1 << (width - 1):
        free = 1.0  # offset binary
    digits = Integer(field, sign="twos complement" if sign else "none", offset=offset)
    return _made(sight, numbers, digits, columns, width, explained, free)


def _offset(sight: Sight, numbers: Numbers, columns: list[int], raw: NDArray[np.int64], signed: NDArray[np.int64],
            most_wrong: int) -> list[Hypothesis]:
    known = numbers.is_number
    out: list[Hypothesis] = []
    for width in (8, 12, 16, 24, 32):
        if width > len(columns) or (width < 32 and int(numbers.count[known].max()) >= 1 << width):
            continue
        part = raw & ((1 << width) - 1)
        values, counts = np.unique((part - signed)[known], return_counts=True)
        if int(known.sum() - counts.max()) > most_wrong or not values[counts.argmax()]:
            continue
        offset = int(values[counts.argmax()])
        explained = ~known | (part - signed == offset)
        digits = Integer(_field(columns[:width], 0), offset=offset)
        out += _made(sight, numbers, digits, columns, width, explained, float(width))
        if explained.all():
            break
    return out


def _keyed_offset(sight: Sight, numbers: Numbers, columns: list[int], raw: NDArray[np.int64],
                  most_wrong: int) -> list[Hypothesis]:
    """Return hypotheses in which an offset number has constantly inverted bits: (raw ^ key) = number + offset.

    Bit by bit from the lowest: what is below decides the carry, and each further bit must be inverted alike in all
    labels. An offset's bit and the key's bit of the same place are one and the same until a carry tells them apart.
    """
    varied = np.flatnonzero(sight.varied[columns])
    if not len(varied) or int(numbers.is_number.sum()) < _LEAST_LABELS_FOR_RATIO:
        return []
    size = int(numbers.count[numbers.is_number].max()).bit_length()
    # Bytes of another meaning may follow the number: it may end with any of the bytes.
    ends = (varied[varied < width] for width in (8, 12, 16, 24, 32))
    widths = {int(below.max()) + 1 for below in ends if len(below)}
    out: list[Hypothesis] = []
    for width in sorted(width for width in widths if width >= size):
        out += _keyed_offset_of(sight, numbers, columns, raw, width, most_wrong)
    return out


def _keyed_offset_of(sight: Sight, numbers: Numbers, columns: list[int], raw: NDArray[np.int64], width: int,
                     most_wrong: int) -> list[Hypothesis]:
    known = numbers.is_number
    signed = np.where(numbers.negative, -numbers.count, numbers.count)
    states = [(0, 0, np.ones(len(sight), np.bool_))]
    for i in range(width):
        grown: list[tuple[int, int, NDArray[np.bool_]]] = []
        for offset, key, right in states:
            for extra in (0, 1):
                added = offset | extra << i
                key_bit = (raw >> i ^ (signed + added) >> i) & 1
                usual = int(2 * int(key_bit[known & right].sum()) > int((known & right).sum()))
                now = right & (~known | (key_bit == usual))
                if int((~now).sum()) <= most_wrong:
                    grown.append((added, key | usual << i, now))
        if len(grown) > _MOST_OFFSETS:
            return []  # so few labels cross a carry that nearly any offset goes
        states = grown
    out: list[Hypothesis] = []
    seen: set[int] = set()
    for offset, key, right in states:
        if offset % (1 << (width - 1)) not in seen:
            seen.add(offset % (1 << (width - 1)))
            out += _whole_offset(sight, numbers, columns, width, (offset, key), right)
    return out


def _whole_offset(sight: Sight, numbers: Numbers, columns: list[int], width: int, found: tuple[int, int],
                  right: NDArray[np.bool_]) -> list[Hypothesis]:
    """Return the form, of those equal up to the highest bit, that gives every label without wrapping around."""
    offset, key = found
    half = 1 << (width - 1)
    for flip in (0, half):
        bits = _field(columns[:width], key ^ flip)
        raws = [field_value(bits, row.tobytes()) for row in sight.rows]
        for turned in ((offset ^ flip), (offset ^ flip) - 2 * half):
            for sign in ("none", "twos complement"):
                form = Integer(bits, "none" if sign == "none" else "twos complement", turned)
                counts = [of_raw(form, raw, 0) for raw in raws]
                if all(count == (wanted, negative) or not keep or not number for count, wanted, negative, keep, number
                       in zip(counts, numbers.count.tolist(), numbers.negative.tolist(), right.tolist(),
                              numbers.is_number.tolist(), strict=True)):
                    return _made(sight, numbers, form, columns, width, right, 2.0 * width)
    return []


def _scaled(sight: Sight, numbers: Numbers, columns: list[int], raw: NDArray[np.int64],
            most_wrong: int) -> list[Hypothesis]:
    """Return hypotheses in which the count is the number times a ratio, or the number has a fixed scale."""
    known = numbers.is_number
    if len(np.unique(numbers.count[known])) < _LEAST_LABELS_FOR_RATIO:
        return []
    out: list[Hypothesis] = []
    most = int(numbers.decimals.max())
    fixed = sorted({most, *range(7)}) if len(np.unique(numbers.decimals[known])) > 1 else []
    for width in (8, 12, 16, 24, 32):
        if width > len(columns):
            continue
        part = raw & ((1 << width) - 1)
        top = part >> (width - 1) & 1
        for sign in ((False, True) if numbers.negative.any() else (False,)):
            number = np.where(sign & (top == 1), (1 << width) - part, part) if sign else part
            if sign and int(((top == 1) != numbers.negative)[known].sum()) > most_wrong:
                continue
            forms = [(None, multiply, divide) for multiply, divide in _RATIOS[1:]] + [(d, 1, 1) for d in fixed]
            for decimals, multiply, divide in forms:
                out += _one_scale(sight, numbers, columns, number, width, most_wrong, sign=sign,
                                  form=(decimals, multiply, divide))
    return out


def _one_scale(sight: Sight, numbers: Numbers, columns: list[int], number: NDArray[np.int64], width: int,
               most_wrong: int, *, sign: bool, form: tuple[int | None, int, int]) -> list[Hypothesis]:
    decimals, multiply, divide = form
    known = numbers.is_number
    up: NDArray[np.int64] = np.full(len(number), multiply, np.int64)
    down: NDArray[np.int64] = np.full(len(number), divide, np.int64)
    if decimals is not None:
        up *= 10 ** np.maximum(numbers.decimals - decimals, 0)
        down *= 10 ** np.maximum(decimals - numbers.decimals, 0)
    out: list[Hypothesis] = []
    product = number * up
    roundings: tuple[Rounding, ...] = ("nearest", "toward zero") if (down[known] > 1).any() else ("nearest",)
    for rounding in roundings:
        count = (2 * product + down) // (2 * down) if rounding == "nearest" else product // down
        explained = ~known | (count == numbers.count)
        if int((~explained).sum()) > most_wrong:
            continue
        digits = Integer(_field(columns[:width], 0), sign="twos complement" if sign else "none", multiply=multiply,
                         divide=divide, decimals=decimals, rounding=rounding)
        out += _made(sight, numbers, digits, columns, width, explained, 5.0)
    return out


def _made(sight: Sight, numbers: Numbers, digits: Integer, columns: list[int], width: int,
          explained: NDArray[np.bool_], free_bits: float) -> list[Hypothesis]:
    seen = sight.take(explained)
    constant = seen.constant[columns]
    moving = np.flatnonzero(~constant[:width])
    if not len(moving):
        return []
    # Bits at rest above the highest that labels saw change: their place value was never shown. With a sign they are
    # its copies and change with it. The number may be wider than its labels needed: bits at rest that follow count too.
    used = int(moving.max()) + 1
    end = max(width, used + int(np.append(constant[used:], False).argmin()))
    fixed = _at_rest(seen, [columns[i] for i in range(end) if constant[i]])
    sent = [str(of[0]) if (of := of_raw(digits, field_value(digits.bits, row.tobytes()), int(decimals))) else "?"
            for row, decimals in zip(sight.rows, np.maximum(numbers.decimals, 0).tolist(), strict=True)]
    ways = zeros_that_fit(sent, numbers, explained, numbers.width)
    zeros: tuple[Zeros, ...] = tuple(way for way in ways if way != "as sent")
    if not zeros:
        return []
    size = int(numbers.count[numbers.is_number].max()).bit_length() + int(digits.sign != "none")
    support = numbers.distinct * min(size, used) - free_bits - np.log2(20 * sight.rows.shape[1]) \
        - 8 * int((~explained).sum())
    return [Hypothesis(kind="integer", digits=_with_fixed(digits, fixed), explained=explained, support=float(support),
                       claimed=frozenset(columns[:used]), width=numbers.width, zeros=zeros,
                       has_sign=digits.sign != "none" or digits.offset != 0)]


def _with_fixed(digits: Integer, fixed: Field) -> Integer:
    return Integer(digits.bits, digits.sign, digits.offset, digits.multiply, digits.divide, digits.decimals,
                   digits.rounding, fixed)


def _at_rest(seen: Sight, columns: list[int]) -> Field:
    row = seen.bits[0]
    return tuple(BitRef(column // 8, column % 8, bool(row[column])) for column in columns)


def _field(columns: list[int], key: int) -> Field:
    return tuple(BitRef(column // 8, column % 8, bool(key >> i & 1)) for i, column in enumerate(columns))
