"""Digits as an IEEE 754 binary32 number, rounded to the places that the display shows."""

from __future__ import annotations

import math
import struct
from decimal import Decimal, localcontext

from tapwright.core.reading_map import Float, field_value
from tapwright.mapping.families.integer import ROUNDINGS


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
        context.prec = 60
        scaled = Decimal(value).scaleb(scale + decimals)
        count = int(abs(scaled).quantize(Decimal(1), rounding=ROUNDINGS[rounding]))
    return count, math.copysign(1.0, value) < 0
