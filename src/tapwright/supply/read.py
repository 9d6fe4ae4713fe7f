"""PLAN.toml -> Plan: every number checked for type and range, every complaint with table, key and line."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import NoReturn, TypeAlias, TypeVar

from tapwright.core.errors import PlanError
from tapwright.core.toml import TomlFile, load_toml, parse_toml
from tapwright.supply.plan import (
    CHEMISTRIES,
    CONVERTER_KINDS,
    SIZES,
    SWITCH_KINDS,
    Board,
    Capacitor,
    Cells,
    Converter,
    Instrument,
    Load,
    Plan,
    Regulator,
    Switch,
    Use,
)

N = TypeVar("N")
_DIGITS = r"([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)"
_SPREAD = re.compile(rf"^\s*{_DIGITS}\s*(?:±|\+/-|\+-)\s*{_DIGITS}\s*(%?)\s*$")
_NUMBER = "a number, [low, high], or \"2.72 ± 5 %\""
_COLDEST_C, _HOTTEST_C = -60.0, 150.0


@dataclass(frozen=True)
class Bounds:
    """The values a number may take; `open_low` excludes `low` itself. Beyond 1e9 no unit here has a meaning."""

    low: float = 0.0
    high: float = 1e9
    open_low: bool = False

    def holds(self, value: float) -> bool:
        """Return whether a value lies inside."""
        return (value > self.low if self.open_low else value >= self.low) and value <= self.high

    @property
    def words(self) -> str:
        """The bounds in words."""
        low = f"over {self.low:g}" if self.open_low else f"{self.low:g} or more"
        return f"{low}, at most {self.high:g}"


ANY = Bounds()
OVER_ZERO = Bounds(open_low=True)
SHARE = Bounds(0.0, 1.0, open_low=True)
FARAD = Bounds(1e-15)


Overlay: TypeAlias = tuple[str, str, object]


def read_plan(path: Path, overlay: Sequence[Overlay] = ()) -> Plan:
    """Read a supply plan.

    Parameters
    ----------
    overlay : (table, key, value) laid over the file's own, checked as if they stood in it

    Raises
    ------
    PlanError : the file cannot be read, is not TOML, or a table or key is unknown, missing, of the wrong type or out of
        range
    """
    file = load_toml(path, error=PlanError)
    for table, key, value in overlay:
        held = file.values.setdefault(table, {})
        if isinstance(held, dict):
            held[key] = value
    return _plan(file)


def parse_plan(text: str, path: Path) -> Plan:
    """Parse a supply plan from text; `path` is the name used in errors."""
    return _plan(parse_toml(text, path, error=PlanError))


_TABLES = ("cells", "converter", "regulator", "board", "switch", "instrument", "load", "capacitor", "use")


def _plan(file: TomlFile) -> Plan:
    file.check_keys("", file.values, _TABLES)
    reader = _Reader(file)
    cells = reader.cells()
    converter = reader.converter()
    return Plan(
        cells=cells,
        converter=converter,
        regulator=reader.regulator(),
        board=reader.board(),
        switch=reader.switch(),
        instrument=reader.plain_table("instrument", Instrument),
        load=reader.loads(),
        capacitor=reader.capacitor(),
        use=reader.use(),
        ranges=reader.ranges,
    )


@dataclass
class _Reader:
    file: TomlFile
    ranges: dict[str, tuple[float, float]] = field(default_factory=dict)

    # Tables ---------------------------------------------------------------------------------------------------------

    def table(self, name: str, noun: type[object], *, needed: bool = False) -> dict[str, object] | None:
        value = self.file.values.get(name)
        if value is None:
            if needed:
                self.file.fail(name, f"the table [{name}] is missing", expected=f"a table [{name}]")
            return None
        if not isinstance(value, dict):
            self.file.fail(name, f"'{name}' is {_kind(value)}", expected=f"a table [{name}]")
        self.file.check_keys(name, value, [f.name for f in fields(noun)])  # type: ignore[arg-type]
        return value

    def plain_table(self, name: str, noun: type[N]) -> N:
        """Read a table that holds only numbers of 0 or more."""
        table = self.table(name, noun) or {}
        return noun(**{key: self.number(table, name, key) for key in table})

    def cells(self) -> Cells:
        table = self.table("cells", Cells, needed=True) or {}
        series = table.get("series")
        if series is None:
            self.missing("cells", "series", "the number of cells in series")
        if isinstance(series, bool) or not isinstance(series, (int, float)) or series != series // 1 or series < 1 \
                or series > 1000:
            self.file.fail("cells.series", f"series is {_show(series)}", expected="a whole number from 1")
        curve = self.curve(table)
        chemistry = self.word(table, "cells", "chemistry", CHEMISTRIES)
        if chemistry is None and curve is None:
            self.missing("cells", "chemistry", "one of " + ", ".join(CHEMISTRIES) + ", or a curve")
        size = self.word(table, "cells", "size", SIZES if curve is None else None) or "AA"
        bounds = {"open_v": OVER_ZERO, "ohm": ANY, "contact_ohm": ANY,
                  "temperature_c": Bounds(_COLDEST_C, _HOTTEST_C)}
        given = {key: self.number(table, "cells", key, bounds[key]) for key in bounds if key in table}
        return Cells(series=int(series), chemistry=chemistry, size=size, curve=curve, **given)

    def curve(self, table: dict[str, object]) -> tuple[tuple[float, float, float], ...] | None:
        if "curve" not in table:
            return None
        rows = self.rows(table, "cells", "curve", "[mAh drawn, open volts, ohm]", (ANY, ANY, ANY))
        if len(rows) < 2:
            self.file.fail("cells.curve", f"{len(rows)} row", expected="two rows or more")
        for i, (upper, lower) in enumerate(itertools.pairwise(rows)):
            if lower[0] <= upper[0]:
                self.file.fail("cells.curve", f"row {i + 2}: {lower[0]:g} mAh after {upper[0]:g} mAh",
                               expected="mAh rising from row to row", do="put the rows in order of charge drawn")
            if lower[1] >= upper[1]:
                self.file.fail("cells.curve", f"row {i + 2}: {lower[1]:g} V after {upper[1]:g} V",
                               expected="open volts falling from row to row")
        return rows

    def converter(self) -> Converter:
        table = self.table("converter", Converter, needed=True) or {}
        kind = self.word(table, "converter", "kind", CONVERTER_KINDS)
        if kind is None:
            self.missing("converter", "kind", "one of " + ", ".join(CONVERTER_KINDS))
        needed = {"boost": ("output_v", "efficiency"), "linear": ("output_v",), "none": ()}
        for key in needed.get(kind, needed["boost"]):
            if key not in table:
                self.missing("converter", key, f"it for a converter of kind {kind}")
        given: dict[str, object] = {}
        for key in table:
            if key == "efficiency":
                given[key] = self.efficiency(table)
            elif key == "load_disconnect":
                given[key] = self.flag(table, "converter", key)
            elif key != "kind":
                over = key in ("output_v", "inductor_h", "frequency_hz")
                given[key] = self.number(table, "converter", key, OVER_ZERO if over else ANY)
        return Converter(kind=kind, **given)  # type: ignore[arg-type]

    def efficiency(self, table: dict[str, object]) -> float | tuple[tuple[float, float, float], ...]:
        value = table["efficiency"]
        if not isinstance(value, list) or not any(isinstance(item, list) for item in value):
            return self.number(table, "converter", "efficiency", SHARE)
        rows = self.rows(table, "converter", "efficiency", "[input volts, output amps, efficiency]",
                         (ANY, ANY, SHARE), plain=2)
        volts, amps = {row[0] for row in rows}, {row[1] for row in rows}
        if len({row[:2] for row in rows}) != len(rows):
            self.file.fail("converter.efficiency", "two rows for the same input volts and output amps",
                           expected="one row for each pair")
        if len(rows) != len(volts) * len(amps):
            self.file.fail("converter.efficiency",
                           f"{len(rows)} rows for {len(volts)} input volts by {len(amps)} output amps",
                           expected=f"a full grid of {len(volts) * len(amps)} rows",
                           do="give an efficiency for every pair of input volts and output amps")
        return rows

    def regulator(self) -> Regulator | None:
        table = self.table("regulator", Regulator)
        if table is None:
            return None
        if "output_v" not in table:
            self.missing("regulator", "output_v", "the regulator's output volts")
        return Regulator(**{key: self.number(table, "regulator", key, OVER_ZERO if key == "output_v" else ANY)
                            for key in table})

    def board(self) -> Board:
        board = self.plain_table("board", Board)
        if board.min_v is not None and board.max_v is not None and board.min_v > board.max_v:
            self.file.fail("board.min_v", f"min_v {board.min_v:g} over max_v {board.max_v:g}",
                           expected="min_v at most max_v")
        return board

    def switch(self) -> Switch | None:
        table = self.table("switch", Switch)
        if table is None:
            return None
        kind = self.word(table, "switch", "kind", SWITCH_KINDS)
        if kind is None:
            self.missing("switch", "kind", "one of " + ", ".join(SWITCH_KINDS))
        return Switch(kind=kind, **{key: self.number(table, "switch", key) for key in table if key != "kind"})

    def loads(self) -> tuple[Load, ...]:
        value = self.file.values.get("load")
        if value is None:
            self.file.fail("load", "no load", expected="at least one [[load]] with amps")
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.file.fail("load", f"'load' is {_kind(value)}", expected="tables written [[load]]",
                           do="write [[load]] with two brackets, once for each load")
        if not value:
            self.file.fail("load", "no load", expected="at least one [[load]] with amps")
        return tuple(self.load(item, f"load.{i}", i) for i, item in enumerate(value))

    def load(self, table: dict[str, object], name: str, i: int) -> Load:
        self.file.check_keys(name, table, [f.name for f in fields(Load)])
        if "amps" not in table:
            self.missing(name, "amps", "the load's current")
        words = self.word(table, name, "name", None) or f"load {i + 1}"
        given = {key: self.number(table, name, key, ANY if key == "amps" else OVER_ZERO)
                 for key in ("amps", "seconds", "every_s") if key in table}
        for key, other in (("seconds", "every_s"), ("every_s", "seconds")):
            if key in table and other not in table:
                self.missing(name, other, f"both '{key}' and '{other}', or neither")
        if "seconds" in given:
            longest = self.ranges.get(f"{name}.seconds", (0.0, given["seconds"]))[1]
            shortest = self.ranges.get(f"{name}.every_s", (given["every_s"], 0.0))[0]
            if longest > shortest:
                self.file.fail(f"{name}.seconds", f"seconds {longest:g} over every_s {shortest:g}",
                               expected="a pulse no longer than its period")
        return Load(name=words, **given)

    def capacitor(self) -> Capacitor | None:
        table = self.table("capacitor", Capacitor)
        if table is None:
            return None
        if "farad" not in table:
            self.missing("capacitor", "farad", "the capacitance")
        at = self.word(table, "capacitor", "at", ("output", "input")) or "output"
        return Capacitor(at=at, **{key: self.number(table, "capacitor", key, FARAD if key == "farad" else ANY)
                                   for key in table if key != "at"})

    def use(self) -> Use:
        table = self.table("use", Use) or {}
        return Use(**{key: self.number(table, "use", key, Bounds(0.0, 24.0) if key == "hours_per_day" else ANY)
                      for key in table})

    # Values ---------------------------------------------------------------------------------------------------------

    def missing(self, table: str, key: str, what: str) -> NoReturn:
        self.file.fail(f"{table}.{key}", f"'{key}' is missing", expected=what)

    def word(self, table: Mapping[str, object], name: str, key: str, known: tuple[str, ...] | None) -> str | None:
        if key not in table:
            return None
        value = table[key]
        expected = "text" if known is None else "one of " + ", ".join(known)
        if not isinstance(value, str):
            self.file.fail(f"{name}.{key}", f"{key} is {_kind(value)}", expected=expected)
        if known is not None and value not in known:
            self.file.fail(f"{name}.{key}", f"{key} is '{value}'", expected=expected)
        return value

    def flag(self, table: Mapping[str, object], name: str, key: str) -> bool:
        value = table[key]
        if not isinstance(value, bool):
            self.file.fail(f"{name}.{key}", f"{key} is {_kind(value)}", expected="true or false")
        return value

    def rows(self, table: Mapping[str, object], name: str, key: str, form: str, bounds: tuple[Bounds, ...],
             plain: int = 0) -> tuple[tuple[float, float, float], ...]:
        """Read rows of three numbers; the first `plain` of each may be no range."""
        value = table[key]
        if not isinstance(value, list):
            self.file.fail(f"{name}.{key}", f"{key} is {_kind(value)}", expected=f"rows of {form}")
        rows = []
        for i, row in enumerate(value):
            if not isinstance(row, list) or len(row) != len(bounds):
                self.file.fail(f"{name}.{key}", f"row {i + 1} is {_show(row)}", expected=form)
            numbers = [self.value(item, f"{name}.{key}.{i}.{j}", f"row {i + 1}, column {j + 1}", bounds[j],
                                  may_range=j >= plain) for j, item in enumerate(row)]
            rows.append((numbers[0], numbers[1], numbers[2]))
        return tuple(rows)

    def number(self, table: Mapping[str, object], name: str, key: str, bounds: Bounds = ANY) -> float:
        return self.value(table[key], f"{name}.{key}", key, bounds)

    def value(self, value: object, key: str, words: str, bounds: Bounds, *, may_range: bool = True) -> float:
        """Return a number's middle; note its range."""
        spread = None
        if isinstance(value, str):
            spread = _SPREAD.match(value)
        if may_range and isinstance(value, list) and len(value) == 2:
            low, high = (self.value(item, key, words, bounds, may_range=False) for item in value)
        elif may_range and spread is not None:
            middle, width = (self.finite(float(text), key, words) if _is_number(text) else math.nan
                             for text in spread.group(1, 2))
            if math.isnan(middle + width):
                self.file.fail(key, f"{words} is {_show(value)}", expected=_NUMBER)
            width = abs(middle) * width / 100 if spread.group(3) else width
            low, high = middle - width, middle + width
        else:
            return self.single(value, key, words, bounds, may_range=may_range)
        if low > high:
            self.file.fail(key, f"{words} runs from {low:g} down to {high:g}", expected="[low, high]")
        for end in (low, high):
            if not bounds.holds(end):
                self.file.fail(key, f"{words} reaches {end:g}", expected=bounds.words)
        if high > low:
            self.ranges[key] = (low, high)
        return low + (high - low) / 2

    def single(self, value: object, key: str, words: str, bounds: Bounds, *, may_range: bool) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.file.fail(key, f"{words} is {_kind(value)}", expected=_NUMBER if may_range else "a number")
        number = self.finite(value, key, words)
        if not bounds.holds(number):
            self.file.fail(key, f"{words} is {number:g}", expected=bounds.words)
        return number

    def finite(self, value: float, key: str, words: str) -> float:
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            self.file.fail(key, f"{words} is {'NaN' if math.isnan(number) else 'infinite'}", expected="a finite number")
        return number


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _kind(value: object) -> str:
    names = {bool: "true or false", str: "text", dict: "a table", list: "a list", int: "a number", float: "a number"}
    words = names.get(type(value), "a date or time")
    return f"{words} ({_show(value)})" if isinstance(value, (bool, str, int, float)) else words


def _show(value: object) -> str:
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
