"""Preferred numbers for resistors: which usual part a measured resistance may be.

Source: IEC 60063. E12 and E24 are its tables (27 to 47 and 82 are not the rounded powers); the values of E96 are the
rounded powers of 10 to the 1/96.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tapwright.core import units

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
E96 = tuple(round(100 * 10 ** (i / 96)) for i in range(96))
#: Series, the coarsest first; a value of one stands when the reading is within the usual tolerance of good parts, 1 %.
SERIES = (("E12", E12), ("E24", E24), ("E96", E96))
CLOSE_PERCENT = 1.0


@dataclass(frozen=True, kw_only=True)
class Preferred:
    """A usual part near a measured value; `deviation_percent` is measured less nominal, in per cent of nominal."""

    series: str
    value: float
    text: str
    deviation_percent: float


def nearest(ohms: float) -> Preferred | None:
    """Return the part that a resistance may be, None where it is not above 0.01 ohm.

    The coarsest series wins of which a value lies within 1 %; else the nearest value of E96.
    """
    if not math.isfinite(ohms) or ohms < 0.01:
        return None
    found = None
    for name, values in SERIES:
        value = _nearest_in(values, ohms)
        found = Preferred(series=name, value=value, text=_text(value),
                          deviation_percent=round(100 * (ohms - value) / value, 3))
        if abs(found.deviation_percent) <= CLOSE_PERCENT:
            return found
    return found


def nearest_shown(value: float, unit: str) -> Preferred | None:
    """Return `nearest` for a shown value where its unit is ohms with any prefix, else None."""
    parsed = units.parse(unit)
    return nearest(value * 10.0 ** parsed.power) if parsed.base == "Ω" else None


def _nearest_in(values: tuple[int, ...], ohms: float) -> float:
    decade = math.floor(math.log10(ohms)) - math.floor(math.log10(values[0]))
    # The neighbours in the decades below and above too: 9.9 is nearest to 10, not to 9.1.
    several = [_scaled(value, decade + shift) for shift in (-1, 0, 1) for value in values]
    return min(several, key=lambda value: abs(math.log(value / ohms)))


def _scaled(value: int, decade: int) -> float:
    # Dividing by an exact power keeps 4.7 the nearest float to 4.7.
    return float(value * 10 ** decade) if decade >= 0 else value / 10 ** -decade


def _text(ohms: float) -> str:
    for power, prefix in ((9, "G"), (6, "M"), (3, "k")):
        if ohms >= 10 ** power:
            return f"{ohms / 10 ** power:g} {prefix}Ω"
    return f"{ohms:g} Ω"
