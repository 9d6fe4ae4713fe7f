"""The specification that readings are held against: SPEC.toml -> ranges with their allowed error.

An accuracy statement reads ± (percent of reading + counts), a count being the display's last place in that range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapwright.agreement.readings import MOST_SIZE
from tapwright.core import units
from tapwright.core.errors import AgreementError
from tapwright.core.toml import TomlFile, load_toml

_RANGE_KEYS = ("from", "to", "unit", "percent_of_reading", "counts", "resolution")
_TOP_KEYS = ("coverage_factor", "decision", "range", "reference")
DECISIONS = ("guarded", "simple")


@dataclass(frozen=True, kw_only=True)
class Range:
    """One range of an instrument: where it holds and what it may be off.

    `low`, `high`, `resolution` are in `unit`; `percent` of reading; `counts` of one resolution each.
    """

    low: float
    high: float
    unit: str
    percent: float
    counts: float
    resolution: float

    @property
    def name(self) -> str:
        """The range in words."""
        return f"{self.low:g} to {self.high:g} {self.unit}".rstrip()

    def limit(self, reading: NDArray[np.float64], power: int) -> NDArray[np.float64]:
        """Return the allowed error of readings, in the readings' unit; 10**power of that unit are one of this unit."""
        return self.percent / 100 * np.abs(reading) + self.counts * in_unit(self.resolution, power)


@dataclass(frozen=True, kw_only=True)
class Spec:
    """A specification: `ranges` of the meter, `reference` the ranges of the reference (empty where not stated)."""

    coverage_factor: float
    decision: str
    ranges: tuple[Range, ...]
    reference: tuple[Range, ...]
    name: str = "the specification"

    def unit_for_bare(self) -> str:
        """Return the unit of readings that name none: the ranges' own, where all have the same, else ""."""
        every = {r.unit for r in (*self.ranges, *self.reference)}
        return every.pop() if len(every) == 1 else ""


def load_spec(path: Path) -> Spec:
    """Read a specification.

    Raises
    ------
    AgreementError : not TOML, an unknown or missing key, a number that is negative or none, `to` below `from`
    """
    file = load_toml(path, error=AgreementError)
    file.check_keys("", file.values, _TOP_KEYS)
    decision = file.values.get("decision", "guarded")
    if decision not in DECISIONS:
        file.fail("decision", f"decision {decision!r}", expected="'guarded' or 'simple'")
    factor = _number(file, "coverage_factor", file.values["coverage_factor"]) \
        if "coverage_factor" in file.values else 2.0
    ranges = _ranges(file, "range")
    if not ranges:
        file.fail("", "no [[range]]", expected="at least one, with " + ", ".join(_RANGE_KEYS))
    return Spec(coverage_factor=factor, decision=str(decision), ranges=ranges, reference=_ranges(file, "reference"),
                name=path.name)


def ranges_of(ranges: Sequence[Range], magnitude: NDArray[np.float64], unit: str) -> NDArray[np.int64]:
    """Return for each magnitude (of `unit`) the index of the first range that holds it, -1 where none does."""
    chosen = np.full(magnitude.shape, -1, dtype=np.int64)
    for i, one in reversed(list(enumerate(ranges))):
        power = units.scale_power(one.unit, unit)
        if power is not None:
            slack = 4 * np.spacing(magnitude)  # 0.6 V stands in a range to 600 mV whatever the binary rounding
            holds = (in_unit(one.low, power) <= magnitude + slack) & (magnitude - slack <= in_unit(one.high, power))
            chosen[holds] = i
    return chosen


def in_unit(value: float, power: int) -> float:
    """Return value times 10**power with a single rounding."""
    return value * 10.0**power if power >= 0 else value / 10.0**-power


def _ranges(file: TomlFile, table: str) -> tuple[Range, ...]:
    given = file.values.get(table, [])
    if not isinstance(given, list) or not all(isinstance(item, dict) for item in given):
        file.fail(table, f"'{table}' is no array of tables", expected=f"[[{table}]]")
    return tuple(_range(file, f"{table}.{i}", item) for i, item in enumerate(given))


def _range(file: TomlFile, key: str, item: dict[str, object]) -> Range:
    for name in item:
        if name in _TOP_KEYS:
            file.fail(f"{key}.{name}", f"'{name}' stands inside [[{key.partition('.')[0]}]]", expected="it at the head",
                      do="move it before the first [[range]]")
    file.check_keys(key, item, _RANGE_KEYS)
    for name in _RANGE_KEYS:
        if name not in item:
            file.fail(key, f"no '{name}'", expected="each of " + ", ".join(_RANGE_KEYS))
    unit = item["unit"]
    if not isinstance(unit, str):
        file.fail(f"{key}.unit", f"unit {unit!r}", expected="text such as \"mV\"")
    low, high, percent, counts, resolution = (
        _number(file, f"{key}.{name}", item[name]) for name in _RANGE_KEYS if name != "unit")
    if high < low:
        file.fail(f"{key}.to", f"to = {high:g} is below from = {low:g}", expected="to at or above from")
    return Range(low=low, high=high, unit=units.normal(unit), percent=percent, counts=counts, resolution=resolution)


def _number(file: TomlFile, key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        file.fail(key, f"{value!r} is no number", expected="a number, 0 or more")
    if isinstance(value, float) and not math.isfinite(value):
        file.fail(key, f"{value} is not finite", expected="a number, 0 or more")
    if abs(value) > MOST_SIZE:
        file.fail(key, "a number that is too large", expected=f"a number under {MOST_SIZE:g}")
    if value < 0:
        file.fail(key, f"the negative number {value:g}", expected="a number, 0 or more",
                  do="ranges hold for both signs of a reading")
    return float(value)
