"""Numbers as people read them: three digits, a prefix, a space, the unit (SI Brochure 5.4.3)."""

from __future__ import annotations

import math

import numpy as np

from tapwright.supply.quantity import Quantity
from tapwright.supply.run import EMPTY, NOTHING

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_UNITS = {"V": "V", "A": "A", "W": "W", "ohm": "Ω", "F": "F"}


def scaled(value: Quantity | None, unit: str, *, digits: int = 3, toward: int = 0) -> str:
    """Return a value with a prefix, `none` where there is none; `toward` 1 rounds up, -1 down, 0 to the nearest."""
    if value is None or not math.isfinite(float(np.asarray(value))):
        return "none"
    number = float(np.asarray(value))
    if number == 0:
        return f"0 {unit}"
    for factor, prefix in _PREFIXES:
        # Rounding may carry into the next prefix: 0.9999 is 1.00, not 1000 m.
        shown = _rounded(number / factor, digits, toward)
        if abs(shown) >= 1:
            return f"{_plain(shown, digits)} {prefix}{unit}"
    return f"{number:.{digits}g} {unit}"


def _rounded(value: float, digits: int, toward: int) -> float:
    """Return a value of so many digits; what lies within rounding of a shown value is that value."""
    nearest = float(f"{value:.{digits}g}")
    if toward == 0 or math.isclose(nearest, value, rel_tol=1e-9) or (nearest > value) == (toward > 0):
        return nearest
    step = 10.0 ** (math.floor(math.log10(abs(value))) + 1 - digits)
    return float(f"{nearest + toward * step:.{digits}g}")


def _plain(value: float, digits: int) -> str:
    whole = len(str(int(abs(value))))
    return f"{value:.{max(digits - whole, 0)}f}"


def volts(value: Quantity | None, *, toward: int = 0) -> str:
    """Return volts with two decimals, millivolts below 0.1 V; `toward` as in `scaled`."""
    if value is None or not math.isfinite(float(np.asarray(value))):
        return "none"
    number = float(np.asarray(value))
    if 0 < abs(number) < 0.1:
        return scaled(number, "V", toward=toward)
    whole = len(str(int(abs(number))))
    return f"{_rounded(number, whole + 2 if abs(number) >= 1 else 2, toward) if toward else number:.2f} V"


def amps(value: Quantity | None, *, toward: int = 0) -> str:
    """Return amperes; `toward` as in `scaled`."""
    return scaled(value, "A", toward=toward)


def watts(value: Quantity | None) -> str:
    """Return watts."""
    return scaled(value, "W")


def ohms(value: Quantity | None) -> str:
    """Return ohms."""
    return scaled(value, "Ω")


def farads(value: Quantity | None) -> str:
    """Return farads."""
    return scaled(value, "F")


def share(part: float, *, digits: int = 0) -> str:
    """Return a share of 1 in per cent."""
    return f"{100 * part:.{digits}f} %"


def ending(because: str) -> str:
    """Return what ends a run: a check's name says what should hold, so it is said to fail."""
    known = {EMPTY: "the cells are empty", NOTHING: "nothing is ever drawn"}
    return known.get(because, f"this check fails: {because}")


def lasts(run_h: float, because: str, besides: str = "") -> str:
    """Return for how long a run goes and what ends it; `besides` stands behind the hours."""
    if not math.isfinite(run_h):
        return f"without end: {ending(because)}"
    return f"for {hours(run_h)}{besides}, then {ending(because)}"


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


def with_unit(value: float | None, unit: str, *, toward: int = 0) -> str:
    """Return a check's value in its unit; `toward` as in `scaled`, days aside."""
    if value is None:
        return "none"
    if unit == "V":
        return volts(value, toward=toward)
    if unit == "d":
        return days(value)
    return scaled(value, _UNITS.get(unit, unit), toward=toward)
