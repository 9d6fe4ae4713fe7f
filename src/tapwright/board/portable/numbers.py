"""Integers and floats as displays, by integers alone."""
# mypy: ignore-errors
# (Runs in MicroPython: no annotations, they would cost flash, and it has no `typing`.)

from tapwright.board.portable.lamps import _bit, _number
from tapwright.board.portable.shown import _NOTHING, _both, _zeros


def _rounded(count, divide, rounding):
    whole, rest = count // divide, count % divide
    if rounding == "toward zero" or 2 * rest < divide:
        return whole
    if 2 * rest > divide or rounding == "nearest":
        return whole + 1
    return whole + (whole & 1)


def _integer(digits, body, decimals):
    bits, signed, offset, multiply, divide, own, rounding, fixed = digits
    for address in fixed:
        if _bit(body, address):
            return None
    number = _number(body, bits)
    if signed and number >> (len(bits) - 1) & 1:
        number -= 1 << len(bits)
    number -= offset
    if own is not None:
        if decimals is None:
            return None
        multiply *= 10 ** max(decimals - own, 0)
        divide *= 10 ** max(own - decimals, 0)
    return _rounded(abs(number) * multiply, divide, rounding), number < 0


def _count(number, sign, decimals, display):
    if number is None:
        return _NOTHING
    count, negative = number
    if display[3] is None:
        sign = "" if not negative else "-" if count else "?"
    elif negative:
        return _NOTHING
    elif sign == "-" and not count:
        sign = "?"
    if display[5] and count >= 10 ** display[5]:
        return _NOTHING
    return _zeros(str(count), sign, decimals, display)


def _float(digits, body, unit, sign, decimals, display):
    bits, scale, scales, rounding, loose, no_number = digits
    if scales:
        if unit not in scales:
            return _NOTHING
        scale = scales[unit]
    raw, mask = _number(body, bits), 0
    for place in loose:
        mask |= 1 << place
    # Numerically ascending, as the reference joins them; the order does not change what both agree on.
    ends = [raw & ~mask] if not mask else [raw & ~mask, raw | mask]
    shown = None
    for end in ends:
        if end >> 23 & 255 == 255:
            one = ("", "", 0, no_number) if no_number else _NOTHING
        else:
            number = None if decimals is None else _scaled(end, decimals + scale, rounding)
            one = _count(number, sign, decimals, display)
        shown = one if shown is None else _both(shown, one)
    return shown


def _scaled(raw, power, rounding):
    """Return a binary32's count in units of 10**-power and its sign, by integers alone; None where it is too great."""
    exponent, mantissa = raw >> 23 & 255, raw & 0x7FFFFF
    if exponent:
        mantissa |= 0x800000
    else:
        exponent = 1
    shift = exponent - 150
    top, bottom = (mantissa << shift, 1) if shift > 0 else (mantissa, 1 << -shift)
    if top > 1000000000000000 * bottom:
        return None
    if power > 0:
        top *= 10 ** power
    else:
        bottom *= 10 ** -power
    return _rounded(top, bottom, rounding), bool(raw >> 31)
