"""Digits as an IEEE 754 binary32 number, rounded to the places that the display shows."""

from __future__ import annotations

import math
import struct
from decimal import Decimal, localcontext

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import BitRef, Field, Float, Rounding, field_value
from tapwright.mapping.families._codes import zeros_that_fit
from tapwright.mapping.families.integer import ROUNDINGS
from tapwright.mapping.hypothesis import BITS_A_DIGIT, Hypothesis, Numbers
from tapwright.mapping.sight import Sight

_SCALES = (0, 3, -3, 6, -6, 9, -9, 12, -12, 2, -2, 1, -1)


def numbers(digits: Float, body: bytes) -> tuple[float, ...]:
    """Return the numbers that a body's bits may spell: one, or the ends of the range that unsettled bits leave."""
    raw = field_value(digits.bits, body)
    loose = sum(1 << place for place in digits.unsettled)
    ends = {raw & ~loose, raw | loose}
    return tuple(float(struct.unpack("<f", struct.pack("<I", end))[0]) for end in sorted(ends))


def shown(value: float, decimals: int, scale: int, rounding: str) -> tuple[int, bool] | None:
    """Return the display's count (0 or more) and the sign of a number; None where it is not finite or too great."""
    if not math.isfinite(value) or abs(value) > 1e15:
        return None
    with localcontext() as context:
        context.prec = 80
        scaled = abs(Decimal(value)).scaleb(scale + decimals)
        count = int(scaled.quantize(Decimal(1), rounding=ROUNDINGS[rounding]))
    return count, math.copysign(1.0, value) < 0


def find(sight: Sight, numbers_: Numbers, most_wrong: int) -> list[Hypothesis]:
    """Return the ways in which IEEE floats explain the labels."""
    n_bytes = sight.rows.shape[1]
    known = numbers_.is_number
    if n_bytes < 4 or not known.any():
        return []
    usable = np.asarray(sight.usable.reshape(-1, 8).all(axis=1))
    out: list[Hypothesis] = []
    for start in range(n_bytes - 3):
        if not usable[start:start + 4].all():
            continue
        for order in ((0, 1, 2, 3), (3, 2, 1, 0), (1, 0, 3, 2), (2, 3, 0, 1)):
            at = [start + i for i in order]
            field = tuple(BitRef(byte, bit) for byte in at for bit in range(8))
            with np.errstate(invalid="ignore"):  # a signalling NaN is a value like any other here
                value = np.ascontiguousarray(sight.rows[:, at]).view("<f4").reshape(-1).astype(np.float64)
            out += _of(sight, numbers_, field, value, most_wrong)
    out.sort(key=lambda hypothesis: -hypothesis.support)
    return out[:6]


def _of(sight: Sight, numbers_: Numbers, field: Field, value: NDArray[np.float64], most_wrong: int) -> list[Hypothesis]:
    known = numbers_.is_number
    want = np.where(numbers_.negative, -numbers_.count, numbers_.count) / 10.0 ** np.maximum(numbers_.decimals, 0)
    half = 1.01 * 10.0 ** -np.maximum(numbers_.decimals, 0)
    units = np.array([label.unit for label in sight.labels])
    fits: dict[int, NDArray[np.bool_]] = {}
    with np.errstate(all="ignore"):
        for scale in _SCALES:
            fits[scale] = np.isfinite(value) & (np.abs(value * 10.0 ** scale - want) <= half)
    whole = max(_SCALES, key=lambda s: (int((fits[s] & known).sum()), -_SCALES.index(s)))
    if int((known & ~fits[whole]).sum()) <= most_wrong:
        return _rounded(sight, numbers_, field, value, whole, {}, most_wrong)
    scales = {str(unit): max(_SCALES, key=lambda s: (int((fits[s] & known & (units == unit)).sum()), -_SCALES.index(s)))
              for unit in np.unique(units[known])}
    close = np.array([fits[scales[unit]][i] if unit in scales else False for i, unit in enumerate(units.tolist())])
    if int((known & ~close).sum()) <= most_wrong:
        return _rounded(sight, numbers_, field, value, 0, scales, most_wrong)
    return []


def _rounded(sight: Sight, numbers_: Numbers, field: Field, value: NDArray[np.float64], scale: int,
             scales: dict[str, int], most_wrong: int) -> list[Hypothesis]:
    known = numbers_.is_number
    out: list[Hypothesis] = []
    roundings: tuple[Rounding, ...] = ("nearest", "half even", "toward zero")
    for rounding in roundings:
        counts = [shown(v, int(max(d, 0)), scales.get(label.unit, scale), rounding)
                  for v, d, label in zip(value.tolist(), numbers_.decimals.tolist(), sight.labels, strict=True)]
        wanted = zip(numbers_.count.tolist(), numbers_.negative.tolist(), strict=True)
        explained = ~known | np.array([
            count is not None and count[0] == want and (count[1] == negative or count[0] == 0)
            for count, (want, negative) in zip(counts, wanted, strict=True)], np.bool_)
        if int((~explained).sum()) > most_wrong:
            continue
        sent = [str(count[0]) if count else "?" for count in counts]
        zeros = tuple(z for z in zeros_that_fit(sent, numbers_, explained, numbers_.width) if z != "as sent")
        if not zeros:
            continue
        support = numbers_.distinct * BITS_A_DIGIT * min(numbers_.moving, 7) - np.log2(60 * sight.rows.shape[1]) \
            - 4 * len(scales) - 8 * int((~explained).sum())
        nan = known.size and ~known & ~np.isfinite(value)
        texts = {label.display for label, odd in zip(sight.labels, np.asarray(nan).tolist(), strict=True) if odd}
        digits = Float(field, scale=scale, scales=scales, rounding=rounding,
                       no_number=texts.pop() if len(texts) == 1 else "")
        out.append(Hypothesis(kind="float", digits=digits, explained=explained, support=float(support),
                              claimed=frozenset(8 * bit.byte + bit.bit for bit in field), width=numbers_.width,
                              zeros=zeros, has_sign=True))
    return out
