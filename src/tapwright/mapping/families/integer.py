"""Digits as one binary number of 8 to 32 bits."""

from __future__ import annotations

from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

from tapwright.core.reading_map import Integer, field_value

ROUNDINGS = {"nearest": ROUND_HALF_UP, "half even": ROUND_HALF_EVEN, "toward zero": ROUND_DOWN}


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
