"""Known values that makers check instruments against: what each is, how far it can be trusted, what it proves.

None of them replaces a calibrated reference; each catches a class of mistakes.

Sources: IEC 60063 (preferred values); NIST Monograph 175 (1993), equal to IEC 60584-1 (type K); IEC 60751:2008 (Pt100);
the ice point 0 °C at 101.325 kPa (ITS-90); open-circuit volts of cells: makers' sheets, see tests/golden/cells.csv.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from tapwright.core import units
from tapwright.core.errors import UsageError

_E24 = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5,
        8.2, 9.1)
#: Standard tolerances and the series that goes with each, IEC 60063.
SERIES_TOLERANCE = {"E6": 20.0, "E12": 10.0, "E24": 5.0, "E48": 2.0, "E96": 1.0, "E192": 0.5}

# Reference function of type K: mV from °C, below 0 °C and from 0 °C on, with the exponential of the latter.
_K_BELOW = (0.0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8, -0.675090591730e-10,
            -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22)
_K_ABOVE = (-0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7, 0.318409457190e-9,
            -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25)
_K_BUMP = (0.118597600000, -0.118343200000e-3, 126.9686)
K_RANGE_C = (-270.0, 1372.0)

_PT_A, _PT_B, _PT_C = 3.9083e-3, -5.775e-7, -4.183e-12
PT_RANGE_C = (-200.0, 850.0)
PT_CLASSES = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005)}

# Open-circuit volts, fresh, at room temperature; makers' sheets and measurements, see tests/golden/cells.csv, and for
# NiMH and silver oxide common practice.
CELL_VOLTS = {"alkaline": (1.55, 1.65), "lithium": (1.70, 1.83), "nimh": (1.25, 1.45), "silver oxide": (1.55, 1.60)}

_COMMON = "a wrong place of the point, a wrong unit, a range or function that is read wrongly"


@dataclass(frozen=True, kw_only=True)
class Known:
    """A known value: `low` to `high` is where it lies, `u` the standard uncertainty of a reference made of it."""

    what: str
    value: float
    low: float
    high: float
    unit: str
    proves: tuple[str, ...]
    cannot: tuple[str, ...]
    how: str
    more: tuple[str, ...] = ()

    @property
    def u(self) -> float:
        """The standard uncertainty of limits that are no likelier in the middle (GUM 4.3.7)."""
        return (self.high - self.low) / 2 / math.sqrt(3)


def e_series(name: str) -> tuple[float, ...]:
    """Return the preferred values of one decade, 1 to below 10.

    E48, E96 and E192 are rounded powers of ten, but for 9.20 in E192; E24 and its parts are older and are a table.
    """
    if name in ("E3", "E6", "E12", "E24"):
        return _E24[:: 24 // int(name[1:])]
    if name not in SERIES_TOLERANCE:
        raise UsageError(f"no series '{name}'", expected="E3, " + ", ".join(SERIES_TOLERANCE))
    n = int(name[1:])
    return tuple(9.2 if (n, i) == (192, 185) else round(10 ** (i / n), 2) for i in range(n))


def nearest(value: float, name: str) -> float:
    """Return the preferred value of a series that lies nearest to `value` (over 0) in ratio."""
    decade = math.floor(math.log10(value))
    choices = [step * 10.0**power for power in (decade - 1, decade, decade + 1) for step in e_series(name)]
    best = min(choices, key=lambda choice: abs(math.log(choice / value)))
    return float(f"{best:.4g}")


def type_k_mv(t_c: float) -> float:
    """Return the EMF of type K in mV with the other junction at 0 °C; `t_c` from -270 to 1372 °C."""
    _inside(t_c, K_RANGE_C, "type K")
    if t_c < 0:
        return _polynomial(_K_BELOW, t_c)
    return _polynomial(_K_ABOVE, t_c) + _K_BUMP[0] * math.exp(_K_BUMP[1] * (t_c - _K_BUMP[2]) ** 2)


def type_k_c(emf_mv: float, junction_c: float = 0.0) -> float:
    """Return the temperature, °C, that gives an EMF with the instrument's junction at `junction_c`.

    The junction's own EMF is added, never its temperature: the curve is not straight.
    """
    return _invert(type_k_mv, emf_mv + type_k_mv(junction_c), K_RANGE_C, "mV")


def pt100_ohm(t_c: float) -> float:
    """Return the resistance of a Pt100; `t_c` from -200 to 850 °C."""
    _inside(t_c, PT_RANGE_C, "Pt100")
    cubic = _PT_C * (t_c - 100) * t_c**3 if t_c < 0 else 0.0
    return 100 * (1 + _PT_A * t_c + _PT_B * t_c**2 + cubic)


def pt100_c(ohm: float) -> float:
    """Return the temperature, °C, at which a Pt100 has a resistance."""
    return _invert(pt100_ohm, ohm, PT_RANGE_C, "Ω")


def pt100_tolerance_c(t_c: float, grade: str) -> float:
    """Return the tolerance of a Pt100 of class AA, A or B, °C."""
    if grade not in PT_CLASSES:
        raise UsageError(f"no class '{grade}'", expected="AA, A or B")
    fixed, slope = PT_CLASSES[grade]
    return fixed + slope * abs(t_c)


def type_k_tolerance_c(t_c: float, grade: int) -> float:
    """Return the tolerance of type K of class 1 or 2, °C (-40 °C and above)."""
    fixed, slope = {1: (1.5, 0.004), 2: (2.5, 0.0075)}[grade]
    return max(fixed, slope * abs(t_c))


def known(words: str) -> Known:
    """Return the known value that words name: `resistor 4.7k 1%`, `type-k 100 [JUNCTION]`, `pt100 25 [CLASS]`, `ice`,
    `cell alkaline`.

    Raises
    ------
    UsageError : no such kind, or a number that does not fit it
    """
    kind, *rest = words.split() or [""]
    makers = {"resistor": _resistor, "type-k": _type_k, "pt100": _pt100, "ice": _ice, "cell": _cell}
    if kind.lower() not in makers:
        raise UsageError(f"no known value '{words}'", expected="resistor VALUE TOLERANCE, type-k CELSIUS [JUNCTION], "
                         "pt100 CELSIUS [CLASS], ice, or cell CHEMISTRY")
    return makers[kind.lower()](rest)


def _resistor(rest: list[str]) -> Known:
    if len(rest) != 2:
        raise UsageError("a resistor needs its value and its tolerance", expected="such as: resistor 4.7k 1%")
    ohm, tolerance = _ohm(rest[0]), _number(rest[1].removesuffix("%"))
    if not 0 < tolerance < 100:
        raise UsageError(f"a tolerance of {rest[1]}", expected="over 0 and under 100 %")
    fitting = [name for name in SERIES_TOLERANCE if abs(nearest(ohm, name) / ohm - 1) < 1e-9]
    more = (f"a preferred value of {', '.join(fitting)}",) if fitting else \
        (f"no preferred value; nearest in E24: {nearest(ohm, 'E24'):g} Ω, in E96: {nearest(ohm, 'E96'):g} Ω",)
    half = ohm * tolerance / 100
    return Known(
        what=f"resistor {rest[0]} ± {tolerance:g} %", value=ohm, low=ohm - half, high=ohm + half, unit="Ω",
        proves=(_COMMON, f"an error well beyond {tolerance:g} % on the ohms range that holds it"),
        cannot=(f"any error under {tolerance:g} %: the part itself may be off by that",
                "other functions, and other ohms ranges"),
        how="out of its circuit, fingers off the leads; on the lowest range take off what the shorted leads read",
        more=more)


def _type_k(rest: list[str]) -> Known:
    if len(rest) not in (1, 2):
        raise UsageError("type-k needs a temperature", expected="such as: type-k 100, or type-k 100 23 with the "
                         "junction at 23 °C")
    t_c, junction_c = _number(rest[0]), _number(rest[1]) if len(rest) == 2 else 0.0
    mv = type_k_mv(t_c) - type_k_mv(junction_c)
    return Known(
        what=f"type K at {t_c:g} °C, junction at {junction_c:g} °C", value=mv, low=mv, high=mv, unit="mV",
        proves=("the instrument's K table and its cold-junction sum, when these millivolts are fed to its input",),
        cannot=(f"the probe: its wire alone may be off by {type_k_tolerance_c(t_c, 2):.3g} °C (class 2)",
                "that the junction in the instrument stands at the temperature it reckons with"),
        how="feed the millivolts through copper wires; the instrument then shows the temperature whose EMF is theirs "
            "plus its own junction's")


def _pt100(rest: list[str]) -> Known:
    if len(rest) not in (1, 2):
        raise UsageError("pt100 needs a temperature", expected="such as: pt100 25, or pt100 25 A")
    t_c, grade = _number(rest[0]), rest[1].upper() if len(rest) == 2 else "B"
    off_c = pt100_tolerance_c(t_c, grade)
    ohm = pt100_ohm(t_c)
    steep = pt100_ohm(min(t_c + 0.5, PT_RANGE_C[1])) - pt100_ohm(max(t_c - 0.5, PT_RANGE_C[0]))
    return Known(
        what=f"Pt100 at {t_c:g} °C, class {grade} (± {off_c:.3g} °C)", value=ohm, low=ohm - off_c * steep,
        high=ohm + off_c * steep, unit="Ω",
        proves=("the instrument's Pt100 table, when a resistor of this value stands in for the probe",),
        cannot=("the temperature itself, unless a second thermometer stands beside the probe",
                "anything under the leads' resistance with two wires: 0.39 Ω is 1 °C"),
        how="use three or four wires, or take off what the shorted leads read")


def _ice(rest: list[str]) -> Known:
    if rest:
        raise UsageError(f"'{' '.join(rest)}' after ice", expected="nothing more")
    return Known(
        what="ice point", value=0.0, low=-0.1, high=0.1, unit="°C",
        proves=("the probe and the instrument together, at 0 °C", "a wrong cold-junction sum"),
        cannot=("any other temperature: a wrong slope reads right at 0 °C",
                "errors under about 0.1 °C as made at home"),
        how="crushed ice of distilled water, wetted until it is slush and packed to the bottom; stir, probe in the "
            "middle and off the walls, wait until the reading stays; salt or free water spoils it")


def _cell(rest: list[str]) -> Known:
    name = " ".join(rest).lower()
    if name not in CELL_VOLTS:
        raise UsageError(f"no cell '{name}'", expected=", ".join(sorted(CELL_VOLTS)))
    low, high = CELL_VOLTS[name]
    return Known(
        what=f"fresh {name} cell, open", value=(low + high) / 2, low=low, high=high, unit="V",
        proves=(_COMMON, "the polarity of the leads"),
        cannot=(f"any error under about {100 * (high - low) / (high + low):.0f} %: fresh cells of one kind differ by "
                "that",),
        how="on a volts range, never on amps: a meter on amps shorts the cell, which can burn leads and fingers")


def _ohm(text: str) -> float:
    cell = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([A-Za-zΩµ]*)", text)
    if not cell:
        raise UsageError(f"'{text}' is no resistance", expected="such as 470, 4.7k, 1M")
    unit = cell.group(2)
    power = units.scale_power(unit if unit.endswith(("Ω", "ohm", "ohms")) else unit + "Ω", "Ω")
    value = float(cell.group(1))
    if power is None or value == 0:
        raise UsageError(f"'{text}' is no resistance", expected="such as 470, 4.7k, 1M")
    return value * 10.0**power if power >= 0 else value / 10.0**-power


def _number(text: str) -> float:
    if not re.fullmatch(r"[+-]?\d+(\.\d+)?", text):
        raise UsageError(f"'{text}' is no number", expected="such as 100 or -12.5")
    return float(text)


def _inside(t_c: float, limits_c: tuple[float, float], what: str) -> None:
    if not limits_c[0] <= t_c <= limits_c[1]:
        raise UsageError(f"{what} at {t_c:g} °C", expected=f"{limits_c[0]:g} to {limits_c[1]:g} °C")


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


def _invert(rising: Callable[[float], float], wanted: float, limits_c: tuple[float, float], unit: str) -> float:
    low, high = limits_c
    slack = 1e-9 * rising(high)  # the ends themselves, whatever the binary rounding
    if not rising(low) - slack <= wanted <= rising(high) + slack:
        raise UsageError(f"{wanted:g} {unit}", expected=f"{rising(low):.4g} to {rising(high):.4g} {unit}")
    for _ in range(80):
        middle = (low + high) / 2
        if rising(middle) < wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2
