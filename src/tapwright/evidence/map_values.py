"""The reading map as plain values of a TOML table and back; `evidence.instrument_file` writes and loads the file.

A lamp is text: `3.6` (its bit), `!3.6` (0 when lit), `3.6 | !4.4` (these are left), `off` or `on` (so whenever labels
saw it; its bit is not known). A code is a list of bits, least significant first (`4.0-7 3.0-3`), and its meanings.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, get_args

from tapwright.core.reading_map import (
    SEGMENT_NAMES,
    BitRef,
    Codes,
    DigitsKind,
    DisplayMap,
    Field,
    Float,
    Integer,
    Lamp,
    Point,
    ReadingMap,
    Rounding,
    Segments,
    SignForm,
    Table,
    UnitMap,
    UnitSigns,
    Zeros,
    field_from_text,
    field_text,
)
from tapwright.core.toml import TomlFile

Values = dict[str, Any]
_MAP_KEYS = ("lengths", "watch", "separator", "slots", "words", "display", "unit", "flags")
_DISPLAY_KEYS = ("kind", "width", "zeros", "minus", "point", "point_code", "state", "place", "bits", "sign", "offset",
                 "multiply", "divide", "decimals", "rounding", "fixed", "scale", "scales", "unsettled", "no_number")
_CODE_KEYS = ("bits", "codes", "otherwise")
_DECIMAL = {code: str(code) for code in range(10)}
_ASCII = {0: " ", **{code: chr(code) for code in range(0x20, 0x7F)}}


def map_values(reading_map: ReadingMap) -> Values:
    """Return a reading map as plain values."""
    values: Values = {"lengths": list(reading_map.lengths), "watch": field_text(reading_map.watch)}
    if reading_map.separator >= 0:
        values |= {"separator": reading_map.separator, "slots": list(reading_map.slots)}
    if reading_map.words:
        values["words"] = dict(reading_map.words)
    values["display"] = [_display_values(display) for display in reading_map.displays]
    values["unit"] = [_unit_values(unit) for unit in reading_map.units]
    values["flags"] = {name: lamp_text(flag) if isinstance(flag, Lamp) else _table_values(flag)
                       for name, flag in reading_map.flags.items()}
    return values


def lamp_text(lamp: Lamp) -> str:
    """Return a lamp as text."""
    return " | ".join(map(str, lamp.bits)) if lamp.bits else "on" if lamp.rest else "off"


def _table_values(table: Table, omit: Mapping[int, str] | None = None) -> Values:
    codes = {f"0x{code:02X}": text for code, text in sorted(table.entries.items())
             if omit is None or omit.get(code) != text}
    values: Values = {"bits": field_text(table.bits), "codes": codes}
    if table.otherwise is not None:
        values["otherwise"] = table.otherwise
    return values


def _unit_values(unit: UnitMap) -> Values:
    if isinstance(unit, Table):
        return _table_values(unit)
    return {"prefixes": {name: lamp_text(lamp) for name, lamp in unit.prefixes.items()},
            "bases": {name: lamp_text(lamp) for name, lamp in unit.bases.items()}, "none_seen": unit.none_seen}


def _display_values(display: DisplayMap) -> Values:
    values: Values = {"kind": display.kind, "width": display.width, "zeros": list(display.zeros)}
    if display.minus is not None:
        values["minus"] = lamp_text(display.minus)
    digits = display.digits
    if isinstance(digits, Integer):
        values |= {"bits": field_text(digits.bits), "sign": digits.sign, "offset": digits.offset,
                   "multiply": digits.multiply, "divide": digits.divide, "rounding": digits.rounding,
                   "fixed": field_text(digits.fixed)}
        if digits.decimals is not None:
            values["decimals"] = digits.decimals
    elif isinstance(digits, Float):
        values |= {"bits": field_text(digits.bits), "scale": digits.scale, "rounding": digits.rounding,
                   "no_number": digits.no_number}
        if digits.scales:
            values["scales"] = dict(digits.scales)
        if digits.unsettled:
            values["unsettled"] = list(digits.unsettled)
    if display.point.lamps:
        values["point"] = {str(decimals): lamp_text(lamp) for decimals, lamp in display.point.lamps.items()}
    if display.point.tables:
        values["point_code"] = [_table_values(table) for table in display.point.tables]
    if display.states:
        values["state"] = [_table_values(table) for table in display.states]
    if isinstance(digits, Segments):
        values["place"] = [{name: lamp_text(lamp) for name, lamp in zip(SEGMENT_NAMES, place, strict=True)}
                           for place in digits.places]
    elif isinstance(digits, Codes):
        omit = {"text": _ASCII, "bcd": _DECIMAL, "table": None}[digits.kind]
        values["place"] = [_table_values(table, omit) for table in digits.places]
    return values


class MapReader:
    """Reads the table of a reading map, raising at the line of the first key that is wrong."""

    def __init__(self, toml: TomlFile) -> None:
        self.toml = toml
        self.n_bytes = 0  # of the longest body, 0 where the description does not say

    def reading_map(self, key: str, values: Values) -> ReadingMap:
        """Return the map held in the table `key`."""
        self.toml.check_keys(key, values, _MAP_KEYS)
        displays = self.tables(f"{key}.display", values.get("display"))
        if not displays:
            self.toml.fail(f"{key}.display", "no display", expected="a table [[map.display]]")
        separator = self.whole(f"{key}.separator", values.get("separator", -1), -1, 255)
        lengths = self.wholes(f"{key}.lengths", values.get("lengths", []))
        slots = self.wholes(f"{key}.slots", values.get("slots", []))
        self.n_bytes = sum(slots) if separator >= 0 else max(lengths, default=0)
        return ReadingMap(
            displays=tuple(self.display(f"{key}.display.{i}", display) for i, display in enumerate(displays)),
            units=tuple(self.unit(f"{key}.unit.{i}", unit)
                        for i, unit in enumerate(self.tables(f"{key}.unit", values.get("unit", [])))),
            flags={name: self.flag(f"{key}.flags.{name}", flag)
                   for name, flag in self.table(f"{key}.flags", values.get("flags", {})).items()},
            watch=self.field(f"{key}.watch", values.get("watch", "")),
            lengths=lengths, slots=slots, separator=separator,
            words=self.texts(f"{key}.words", values.get("words", {})))

    def display(self, key: str, values: Values) -> DisplayMap:
        """Return one alternative of the display."""
        self.toml.check_keys(key, values, _DISPLAY_KEYS)
        kind = self.choice(f"{key}.kind", values.get("kind"), get_args(DigitsKind))
        zeros = values.get("zeros", ["as sent"])
        if not isinstance(zeros, list) or not zeros:
            self.toml.fail(f"{key}.zeros", f"{zeros!r}", expected="a list of ways to show leading zeros")
        point = Point(
            lamps={self.number_key(f"{key}.point", name): self.lamp(f"{key}.point.{name}", text)
                   for name, text in self.table(f"{key}.point", values.get("point", {})).items()},
            tables=tuple(self.point_code(f"{key}.point_code.{i}", table)
                         for i, table in enumerate(self.tables(f"{key}.point_code", values.get("point_code", [])))))
        return DisplayMap(
            digits=self.digits(key, kind, values), point=point,
            width=self.whole(f"{key}.width", values.get("width"), 1, 64),
            minus=self.lamp(f"{key}.minus", values["minus"]) if "minus" in values else None,
            zeros=tuple(self.choice(f"{key}.zeros", way, get_args(Zeros)) for way in zeros),
            states=tuple(self.code(f"{key}.state.{i}", table)
                         for i, table in enumerate(self.tables(f"{key}.state", values.get("state", [])))))

    def digits(self, key: str, kind: str, values: Values) -> Segments | Codes | Integer | Float:
        """Return what makes the digits."""
        if kind == "integer":
            return self.integer(key, values)
        if kind == "float":
            return self.float(key, values)
        places = self.tables(f"{key}.place", values.get("place"))
        if not places:
            self.toml.fail(f"{key}.place", "no place", expected="a table [[map.display.place]] a place, from the left")
        if kind == "segments":
            return Segments(tuple(self.segments(f"{key}.place.{i}", place) for i, place in enumerate(places)))
        usual = {"text": _ASCII, "bcd": _DECIMAL, "table": {}}[kind]
        return Codes(kind, tuple(self.code(f"{key}.place.{i}", place, usual) for i, place in enumerate(places)))  # type: ignore[arg-type]

    def integer(self, key: str, values: Values) -> Integer:
        """Return a binary number."""
        most = 2**63
        decimals = values.get("decimals")
        return Integer(
            self.some_bits(key, values),
            sign=self.choice(f"{key}.sign", values.get("sign", "none"), get_args(SignForm)),
            offset=self.whole(f"{key}.offset", values.get("offset", 0), -most, most),
            multiply=self.whole(f"{key}.multiply", values.get("multiply", 1), 1, most),
            divide=self.whole(f"{key}.divide", values.get("divide", 1), 1, most),
            decimals=None if decimals is None else self.whole(f"{key}.decimals", decimals, 0, 30),
            rounding=self.choice(f"{key}.rounding", values.get("rounding", "nearest"), get_args(Rounding)),
            fixed=self.field(f"{key}.fixed", values.get("fixed", "")))

    def float(self, key: str, values: Values) -> Float:
        """Return an IEEE number."""
        bits = self.some_bits(key, values)
        if len(bits) != 32:
            self.toml.fail(f"{key}.bits", f"{len(bits)} bits", expected="32, least significant first")
        scales = {unit: self.whole(f"{key}.scales.{unit}", scale, -60, 60)
                  for unit, scale in self.table(f"{key}.scales", values.get("scales", {})).items()}
        no_number = values.get("no_number", "")
        if not isinstance(no_number, str):
            self.toml.fail(f"{key}.no_number", f"{no_number!r}", expected="text")
        return Float(bits, scale=self.whole(f"{key}.scale", values.get("scale", 0), -60, 60), scales=scales,
                     rounding=self.choice(f"{key}.rounding", values.get("rounding", "nearest"), get_args(Rounding)),
                     unsettled=self.wholes(f"{key}.unsettled", values.get("unsettled", [])), no_number=str(no_number))

    def segments(self, key: str, values: Values) -> tuple[Lamp, ...]:
        """Return the lamps of one place."""
        self.toml.check_keys(key, values, SEGMENT_NAMES)
        missing = next((name for name in SEGMENT_NAMES if name not in values), None)
        if missing:
            self.toml.fail(key, f"segment {missing} is missing", expected="the segments a to g")
        return tuple(self.lamp(f"{key}.{name}", values[name]) for name in SEGMENT_NAMES)

    def unit(self, key: str, values: Values) -> UnitMap:
        """Return one alternative of the unit."""
        if "bases" not in values:
            return self.code(key, values)
        self.toml.check_keys(key, values, ("prefixes", "bases", "none_seen"))
        return UnitSigns(self.lamps(f"{key}.prefixes", values.get("prefixes", {})),
                         self.lamps(f"{key}.bases", values["bases"]),
                         none_seen=self.truth(f"{key}.none_seen", values.get("none_seen", False)))

    def truth(self, key: str, value: object) -> bool:
        """Return true or false."""
        if not isinstance(value, bool):
            self.toml.fail(key, f"{value!r}", expected="true or false")
        return value is True

    def flag(self, key: str, value: object) -> Lamp | Table:
        """Return a flag."""
        if not isinstance(value, dict):
            return self.lamp(key, value)
        table = self.code(key, value)
        odd = next((text for text in table.entries.values() if text not in ("on", "off")), None)
        if odd is not None:
            self.toml.fail(f"{key}.codes", f"'{odd}'", expected="on or off")
        return table

    def lamps(self, key: str, value: object) -> dict[str, Lamp]:
        """Return lamps by name."""
        return {name: self.lamp(f"{key}.{name}", text) for name, text in self.table(key, value).items()}

    def lamp(self, key: str, value: object) -> Lamp:
        """Return a lamp from its text."""
        if value in ("on", "off"):
            return Lamp(rest=value == "on")
        bits: list[BitRef] = []
        for word in str(value).split("|") if isinstance(value, str) else [""]:
            field = self.field(key, word.strip(), lamp=True)
            if len(field) != 1:
                self.toml.fail(key, f"{value!r} is no bit",
                               expected="a bit as in \"3.6\", several as in \"3.6 | !4.4\", or \"off\"")
            self.inside(key, field)
            bits += field
        return Lamp(bits=tuple(bits))

    def code(self, key: str, value: object, usual: Mapping[int, str] | None = None) -> Table:
        """Return a code from its table."""
        values = self.table(key, value)
        self.toml.check_keys(key, values, _CODE_KEYS)
        bits = self.field(f"{key}.bits", values.get("bits", ""))
        self.inside(f"{key}.bits", bits)
        entries = dict(usual or {})
        for name, text in self.texts(f"{key}.codes", values.get("codes", {})).items():
            try:
                code = int(name, 0)
            except ValueError:
                code = -1
            if not 0 <= code < 1 << max(len(bits), 1):
                self.toml.fail(f"{key}.codes.{name}", f"'{name}' is no code of {len(bits)} bits",
                               expected="a number as in 0x0F")
            entries[code] = text
        otherwise = values.get("otherwise")
        if otherwise is not None and not isinstance(otherwise, str):
            self.toml.fail(f"{key}.otherwise", f"{otherwise!r}", expected="text")
        return Table(bits, dict(sorted(entries.items())), otherwise=otherwise)

    def point_code(self, key: str, value: object) -> Table:
        """Return a code of the point, whose meanings are digits after it."""
        table = self.code(key, value)
        for text in table.entries.values():
            if not re.fullmatch(r"\d{1,2}", text):
                self.toml.fail(f"{key}.codes", f"'{text}'", expected="the number of digits after the point")
        return table

    def some_bits(self, key: str, values: Values) -> Field:
        """Return a number's bits, 1 to 64 of them."""
        bits = self.field(f"{key}.bits", values.get("bits", ""))
        if not 1 <= len(bits) <= 64:
            self.toml.fail(f"{key}.bits", f"{len(bits)} bits", expected="1 to 64, least significant first")
        self.inside(f"{key}.bits", bits)
        return bits

    def field(self, key: str, value: object, *, lamp: bool = False) -> Field:
        """Return bits from their text."""
        if not isinstance(value, str):
            self.toml.fail(key, f"{value!r}", expected="bits as in \"4.0-7 3.0-3\"")
        try:
            return field_from_text(str(value))
        except ValueError as trouble:
            self.toml.fail(key, str(trouble), expected="bits as in \"3.6\"" if lamp else "bits as in \"4.0-7 3.0-3\"")

    def inside(self, key: str, bits: Field) -> None:
        """Refuse bits behind the end of every body: they would read 0 for ever."""
        beyond = next((bit for bit in bits if self.n_bytes and bit.byte >= self.n_bytes), None)
        if beyond is not None:
            self.toml.fail(key, f"{beyond} is behind the body's end",
                           expected=f"bytes 0 to {self.n_bytes - 1}, as its lengths say")

    def tables(self, key: str, value: object) -> list[Values]:
        """Return an array of tables."""
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.toml.fail(key, "no array of tables", expected=f"tables [[{key}]]")
        return value

    def table(self, key: str, value: object) -> Values:
        """Return a table."""
        if not isinstance(value, dict):
            self.toml.fail(key, f"{value!r}", expected="a table")
        return value

    def texts(self, key: str, value: object) -> dict[str, str]:
        """Return a table of texts."""
        values = self.table(key, value)
        for name, text in values.items():
            if not isinstance(text, str):
                self.toml.fail(f"{key}.{name}", f"{text!r}", expected="text")
        return dict(values)

    def wholes(self, key: str, value: object) -> tuple[int, ...]:
        """Return a list of whole numbers."""
        if not isinstance(value, list):
            self.toml.fail(key, f"{value!r}", expected="a list of whole numbers")
        items: list[object] = value
        return tuple(self.whole(key, item, 0, 1 << 20) for item in items)

    def whole(self, key: str, value: object, least: int, most: int) -> int:
        """Return a whole number within limits."""
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.toml.fail(key, f"{value!r}", expected=f"a whole number from {least} to {most}")
        return value

    def number_key(self, key: str, name: str) -> int:
        """Return a key that is a number of digits."""
        if not re.fullmatch(r"\d{1,2}", name):
            self.toml.fail(f"{key}.{name}", f"'{name}'", expected="the number of digits after the point")
        return int(name)

    def choice(self, key: str, value: object, choices: tuple[str, ...]) -> Any:
        """Return one of several words."""
        if value not in choices:
            self.toml.fail(key, f"{value!r}", expected="one of " + ", ".join(choices))
        return value


