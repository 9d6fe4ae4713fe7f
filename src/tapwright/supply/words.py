"""Numbers as people read them: three digits, a prefix, a space, the unit (SI Brochure 5.4.3)."""

from __future__ import annotations

import math

import numpy as np

from tapwright.supply.quantity import Quantity

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_UNITS = {"V": "V", "A": "A", "W": "W", "ohm": "Ω", "F": "F"}


def scaled(value: Quantity | None, unit: str, *, digits: int = 3) -> str:
    """Return a value with a prefix, `none` where there is none."""
    if value is None or not math.isfinite(float(np.asarray(value))):
        return "none"
    number = float(np.asarray(value))
    if number == 0:
        return f"0 {unit}"
    for factor, prefix in _PREFIXES:
        # Rounding may carry into the next prefix: 0.9999 is 1.00, not 1000 m.
        shown = float(f"{number / factor:.{digits}g}")
        if abs(shown) >= 1:
            return f"{_plain(shown, digits)} {prefix}{unit}"
    return f"{number:.{digits}g} {unit}"


def _plain(value: float, digits: int) -> str:
    whole = len(str(int(abs(value))))
    return f"{value:.{max(digits - whole, 0)}f}"


def volts(value: Quantity | None) -> str:
    """Return volts with two decimals, millivolts below 0.1 V."""
    if value is None or not math.isfinite(float(np.asarray(value))):
        return "none"
    number = float(np.asarray(value))
    return scaled(number, "V") if 0 < abs(number) < 0.1 else f"{number:.2f} V"


def amps(value: Quantity | None) -> str:
    """Return amperes."""
    return scaled(value, "A")


def watts(value: Quantity | None) -> str:
    """Return watts."""
    return scaled(value, "W")


def ohms(value: Quantity | None) -> str:
    """Return ohms."""
    return scaled(value, "Ω")


def farads(value: Quantity | None) -> str:
    """Return farads."""
    return scaled(value, "F")


def hours(value: float | None) -> str:
    """Return hours, minutes below one."""
    if value is None or not math.isfinite(value):
        return "no end"
    if value >= 1 or value == 0:
        return f"{value:.3g} h" if value < 1000 else f"{value:.0f} h"
    return f"{value * 60:.2g} min"


def days(value: Quantity | None) -> str:
    """Return days, years beyond three of them."""
    number = math.nan if value is None else float(np.asarray(value))
    if math.isnan(number):
        return "a time that cannot be computed"
    if math.isinf(number):
        return "no end"
    if number > 36525:
        return "100+ years"
    return f"{number / 365.25:.1f} years" if number > 1000 else f"{number:.3g} days"


def with_unit(value: float | None, unit: str) -> str:
    """Return a check's value in its unit."""
    if value is None:
        return "none"
    if unit == "V":
        return volts(value)
    if unit == "d":
        return days(value)
    return scaled(value, _UNITS.get(unit, unit))
