"""`instrument.toml`: an instrument's description as a file that may be read and edited by hand.

Evidence counts stand in comments. Writing over a file keeps what did not change where it stands, comments included.
Every complaint about a file names its line and key.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapwright.core.errors import DescriptionError
from tapwright.core.files import read_text, write_text
from tapwright.core.frame import Check, FrameLayout
from tapwright.core.instrument import FORMAT_VERSION, Instrument
from tapwright.core.line import AsyncSettings, ClockedSettings, LineSettings
from tapwright.core.reading_map import Lamp, ReadingMap, Segments, Table
from tapwright.core.toml import TomlFile, load_toml, parse_toml
from tapwright.evidence.map_values import MapReader, Values, map_values
from tapwright.evidence.mask_file import mask_from_values, mask_values

if TYPE_CHECKING:
    import tomlkit

_TOP_KEYS = ("version", "name", "channel", "offset_s", "learned_from", "evidence", "line", "frame", "mask", "map")
_ASYNC_KEYS = ("kind", "baud", "data_bits", "parity", "stop_bits", "inverted", "bit_order", "measured_baud")
_CLOCKED_KEYS = ("kind", "clock", "data", "edge", "bits_per_word", "bit_order", "select")
_FRAME_KEYS = ("length", "bytes", "field_at", "field_add", "start", "end", "gap_s", "check", "variant")
_CHECK_KEYS = ("kind", "first", "last", "at", "order", "encoding", "poly", "init", "refin", "refout", "xorout")
_CHECK_KINDS = ("sum8", "sum16", "negated sum8", "xor8", "lrc", "crc8", "crc16", "crc32", "fletcher16")
_HEAD = """\
# How this instrument's frames make readings. May be edited by hand.
# Bits are byte.bit of the frame's body (the frame without its check), bit 0 the least significant; ! means inverted.
# A lamp is one bit ("3.6"), several that are left ("3.6 | !4.4"), or "off"/"on": so whenever labels saw it.
"""


def load_instrument(path: Path) -> Instrument:
    """Read a description.

    Raises
    ------
    DescriptionError : the file cannot be read, or a key is missing, unknown or wrong (with its line)
    """
    toml = load_toml(Path(path))
    return _instrument(toml)


def instrument_from_text(text: str, path: Path) -> Instrument:
    """Read a description from text; `path` is the name used in errors."""
    return _instrument(parse_toml(text, path))


def write_instrument(path: Path, instrument: Instrument) -> None:
    """Write a description, whole or not at all; an older one keeps its comments and the order of its keys.

    Raises
    ------
    TapwrightError : the place cannot be written
    """
    path = Path(path)
    text = instrument_text(instrument)
    if path.is_file():
        merged = _merged(path, text)
        text = text if merged is None else merged
    write_text(path, text)


def instrument_text(instrument: Instrument) -> str:
    """Return a description as the text of a new file."""
    notes = _notes(instrument.reading_map)
    lines = [_HEAD.rstrip()]
    values = instrument_values(instrument)
    _emit(lines, values, "", notes)
    return "\n".join(lines) + "\n"


def instrument_values(instrument: Instrument) -> Values:
    """Return a description as plain values by the keys of the file."""
    values: Values = {"version": FORMAT_VERSION, "name": instrument.name}
    if instrument.channel:
        values["channel"] = instrument.channel
    values |= {"offset_s": float(instrument.offset_s), "learned_from": list(instrument.learned_from)}
    if instrument.evidence:
        values["evidence"] = list(instrument.evidence)
    if instrument.line is not None:
        values["line"] = _line_values(instrument.line)
    if instrument.layout is not None:
        values["frame"] = _layout_values(instrument.layout)
    if instrument.mask is not None:
        values["mask"] = mask_values(instrument.mask)
    values["map"] = map_values(instrument.reading_map)
    return values


def _line_values(line: LineSettings) -> Values:
    if isinstance(line, ClockedSettings):
        return {"kind": "clocked", "clock": line.clock, "data": line.data, "edge": line.edge,
                "bits_per_word": line.bits_per_word, "bit_order": line.bit_order, "select": line.select}
    values: Values = {"kind": "async", "baud": line.baud, "data_bits": line.data_bits, "parity": line.parity,
                      "stop_bits": line.stop_bits, "inverted": line.inverted, "bit_order": line.bit_order}
    if line.measured_baud is not None:
        values["measured_baud"] = line.measured_baud
    return values


def _layout_values(layout: FrameLayout) -> Values:
    values: Values = {"length": layout.length}
    if layout.length == "fixed":
        values["bytes"] = layout.n_bytes
    if layout.length == "field":
        values |= {"field_at": layout.field_at, "field_add": layout.field_add}
    values |= {"start": _hex(layout.start), "end": _hex(layout.end), "gap_s": float(layout.gap_s)}
    if layout.checks:
        values["check"] = [_check_values(check) for check in layout.checks]
    if layout.variants:
        values["variant"] = [_layout_values(variant) for variant in layout.variants]
    return values


def _check_values(check: Check) -> Values:
    values: Values = {"kind": check.kind, "first": check.first, "last": check.last, "at": check.at,
                      "order": check.order, "encoding": check.encoding}
    if check.kind.startswith("crc"):
        digits = {"crc8": 2, "crc16": 4, "crc32": 8}[check.kind]
        values |= {name: f"0x{getattr(check, name):0{digits}X}" for name in ("poly", "init", "xorout")}
        values |= {"refin": check.refin, "refout": check.refout}
    return values


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _notes(reading_map: ReadingMap) -> dict[str, str]:
    """Return evidence by dotted key: how many labels saw what."""
    notes: dict[str, str] = {}

    def of_lamp(key: str, lamp: Lamp) -> None:
        seen = f"{lamp.lit} lit, {lamp.dark} dark"
        open_ = "" if lamp.settled else ", open" if lamp.bits else ", never seen to change"
        if lamp.lit or lamp.dark:
            notes[key] = seen + open_

    def of_table(key: str, table: Table) -> None:
        for code, count in table.seen.items():
            notes[f"{key}.codes.0x{code:02X}"] = f"{count} label{'s' * (count != 1)}"

    for i, display in enumerate(reading_map.displays):
        at = f"map.display.{i}"
        if display.cost:
            notes[f"{at}.kind"] = f"support {display.cost:g} bits"
        if display.minus is not None:
            of_lamp(f"{at}.minus", display.minus)
        for decimals, lamp in display.point.lamps.items():
            of_lamp(f"{at}.point.{decimals}", lamp)
        for k, table in enumerate(display.point.tables):
            of_table(f"{at}.point_code.{k}", table)
        if isinstance(display.digits, Segments):
            for k, place in enumerate(display.digits.places):
                for name, lamp in zip("abcdefg", place, strict=True):
                    of_lamp(f"{at}.place.{k}.{name}", lamp)
    for i, unit in enumerate(reading_map.units):
        if isinstance(unit, Table):
            of_table(f"map.unit.{i}", unit)
        else:
            for name, lamp in {**unit.prefixes, **unit.bases}.items():
                of_lamp(f"map.unit.{i}.{'prefixes' if name in unit.prefixes else 'bases'}.{name}", lamp)
    for name, flag in reading_map.flags.items():
        if isinstance(flag, Lamp):
            of_lamp(f"map.flags.{name}", flag)
    return notes


def _emit(lines: list[str], values: Values, key: str, notes: dict[str, str], shown: str = "") -> None:
    """Write a table: its plain values first, then the tables in it."""
    below = {name: value for name, value in values.items() if isinstance(value, dict) or _is_tables(value)}
    for name, value in values.items():
        if name not in below:
            note = notes.get(f"{key}{name}")
            lines.append(f"{_key(name)} = {_value(value)}" + (f"  # {note}" if note else ""))
    for name, value in below.items():
        title = f"{shown}{_key(name)}"
        if isinstance(value, dict):
            lines += ["", f"[{title}]"]
            _emit(lines, value, f"{key}{name}.", notes, f"{title}.")
        else:
            for i, item in enumerate(value):
                lines += ["", f"[[{title}]]"]
                _emit(lines, item, f"{key}{name}.{i}.", notes, f"{title}.")


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(item, dict) for item in value)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _value(name)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(name)} = {_value(item)}" for name, item in value.items()) + "}"
    return repr(value)


def _merged(path: Path, text: str) -> str | None:
    """Return the older file with the new values put in; None where it cannot be kept (it is no TOML)."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        old = tomlkit.parse(read_text(path, error=DescriptionError))
        new = tomlkit.parse(text)
        _put(old, new)
        merged = tomlkit.dumps(old)
        # Whatever the merge did to the form, the values must be the new ones.
        same = parse_toml(merged, path).values == parse_toml(text, path).values
    except (TOMLKitError, DescriptionError, ValueError, TypeError, KeyError):
        return None
    return merged if same else None


def _put(old: tomlkit.TOMLDocument | Any, new: tomlkit.TOMLDocument | Any) -> None:
    """Put new values in an older table: equal ones stay as they are, with their comments."""
    for name in [name for name in old if name not in new]:
        del old[name]
    for name, value in new.items():
        if name not in old:
            old[name] = value
        elif isinstance(value, dict) and isinstance(old[name], dict):
            _put(old[name], value)
        elif _is_tables(value) and _is_tables(old[name]) and len(value) == len(old[name]):
            for a, b in zip(old[name], value, strict=True):
                _put(a, b)
        elif _plain(old[name]) != _plain(value):
            old[name] = value


def _plain(value: Any) -> Any:
    return value.unwrap() if hasattr(value, "unwrap") else value


def _instrument(toml: TomlFile) -> Instrument:
    values: Values = dict(toml.values)
    toml.check_keys("", values, _TOP_KEYS)
    reader = _Reader(toml)
    version = values.get("version")
    if version != FORMAT_VERSION:
        toml.fail("version", "no version" if version is None else f"version {version!r}",
                  expected=f"version = {FORMAT_VERSION}", do="learn the instrument again, or use a newer tapwright")
    if "map" not in values:
        toml.fail("", "the table 'map' is missing", expected="a table [map]", do="learn the reading map first")
    return Instrument(
        name=reader.text("name", values.get("name", "")), channel=reader.text("channel", values.get("channel", "")),
        offset_s=reader.real("offset_s", values.get("offset_s", 0.0)),
        learned_from=reader.texts_of("learned_from", values.get("learned_from", [])),
        evidence=reader.texts_of("evidence", values.get("evidence", [])),
        line=reader.line(reader.table("line", values["line"])) if "line" in values else None,
        layout=reader.layout("frame", reader.table("frame", values["frame"])) if "frame" in values else None,
        mask=mask_from_values(toml, reader.table("mask", values["mask"]), "mask") if "mask" in values else None,
        reading_map=reader.reading_map("map", reader.table("map", values["map"])))


class _Reader(MapReader):
    """Reads line and frame besides the map."""

    def line(self, values: Values) -> LineSettings:
        kind = self.choice("line.kind", values.get("kind", "async"), ("async", "clocked"))
        if kind == "clocked":
            self.toml.check_keys("line", values, _CLOCKED_KEYS)
            return ClockedSettings(
                clock=self.text("line.clock", values.get("clock")), data=self.text("line.data", values.get("data")),
                edge=self.choice("line.edge", values.get("edge"), ("rising", "falling")),
                bits_per_word=self.whole("line.bits_per_word", values.get("bits_per_word"), 1, 64),
                bit_order=self.choice("line.bit_order", values.get("bit_order", "msb first"),
                                      ("lsb first", "msb first")),
                select=self.text("line.select", values.get("select", "")))
        self.toml.check_keys("line", values, _ASYNC_KEYS)
        measured = values.get("measured_baud")
        inverted = values.get("inverted", False)
        if not isinstance(inverted, bool):
            self.toml.fail("line.inverted", f"{inverted!r}", expected="true or false")
        stops = values.get("stop_bits", 1)
        if isinstance(stops, bool) or stops not in (1, 1.5, 2):
            self.toml.fail("line.stop_bits", f"{stops!r}", expected="1, 1.5 or 2")
        return AsyncSettings(
            baud=self.positive("line.baud", values.get("baud")),
            data_bits=self.whole("line.data_bits", values.get("data_bits", 8), 5, 9),
            parity=self.choice("line.parity", values.get("parity", "none"), ("none", "even", "odd", "mark", "space")),
            stop_bits=stops, inverted=inverted,
            bit_order=self.choice("line.bit_order", values.get("bit_order", "lsb first"), ("lsb first", "msb first")),
            measured_baud=None if measured is None else self.positive("line.measured_baud", measured))

    def layout(self, key: str, values: Values) -> FrameLayout:
        self.toml.check_keys(key, values, _FRAME_KEYS)
        kind = self.choice(f"{key}.length", values.get("length"), ("fixed", "field", "delimited", "gap"))
        return FrameLayout(
            length=kind,
            n_bytes=self.whole(f"{key}.bytes", values.get("bytes"), 1, 1 << 20) if kind == "fixed" else 0,
            field_at=self.whole(f"{key}.field_at", values.get("field_at", 0), 0, 1 << 20),
            field_add=self.whole(f"{key}.field_add", values.get("field_add", 0), -(1 << 20), 1 << 20),
            start=self.data(f"{key}.start", values.get("start", "")),
            end=self.data(f"{key}.end", values.get("end", "")),
            gap_s=self.real(f"{key}.gap_s", values.get("gap_s", 0.0)),
            checks=tuple(self.check(f"{key}.check.{i}", check)
                         for i, check in enumerate(self.tables(f"{key}.check", values.get("check")))),
            variants=tuple(self.layout(f"{key}.variant.{i}", variant)
                           for i, variant in enumerate(self.tables(f"{key}.variant", values.get("variant")))))

    def check(self, key: str, values: Values) -> Check:
        self.toml.check_keys(key, values, _CHECK_KEYS)
        most = 1 << 20
        flips = {name: values.get(name, False) for name in ("refin", "refout")}
        for name, value in flips.items():
            if not isinstance(value, bool):
                self.toml.fail(f"{key}.{name}", f"{value!r}", expected="true or false")
        return Check(
            kind=self.choice(f"{key}.kind", values.get("kind"), _CHECK_KINDS),
            first=self.whole(f"{key}.first", values.get("first"), -most, most),
            last=self.whole(f"{key}.last", values.get("last"), -most, most),
            at=self.whole(f"{key}.at", values.get("at"), -most, most),
            order=self.choice(f"{key}.order", values.get("order", "big"), ("big", "little")),
            encoding=self.choice(f"{key}.encoding", values.get("encoding", "binary"), ("binary", "hex")),
            poly=self.hex_number(f"{key}.poly", values.get("poly", 0)),
            init=self.hex_number(f"{key}.init", values.get("init", 0)),
            xorout=self.hex_number(f"{key}.xorout", values.get("xorout", 0)), **flips)

    def hex_number(self, key: str, value: object) -> int:
        if isinstance(value, int):
            return self.whole(key, value, 0, 2**32 - 1)
        if not isinstance(value, str) or not re.fullmatch(r"0[xX][0-9A-Fa-f]{1,8}", value):
            self.toml.fail(key, f"{value!r}", expected="a number as in \"0x8005\"")
        return int(str(value), 16)

    def data(self, key: str, value: object) -> bytes:
        try:
            return bytes.fromhex(value if isinstance(value, str) else "?")
        except ValueError:
            self.toml.fail(key, f"{value!r}", expected="bytes in hex, as in \"5A A5\"")

    def text(self, key: str, value: object) -> str:
        if not isinstance(value, str):
            self.toml.fail(key, f"{value!r}" if value is not None else "the key is missing", expected="text")
        return str(value)

    def texts_of(self, key: str, value: object) -> tuple[str, ...]:
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.toml.fail(key, f"{value!r}", expected="a list of texts")
        return tuple(value)

    def real(self, key: str, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e12:
            self.toml.fail(key, f"{value!r}", expected="a number")
        return float(value)

    def positive(self, key: str, value: object) -> float:
        number = self.real(key, value)
        if number <= 0:
            self.toml.fail(key, f"{value!r}", expected="a number over 0")
        return number
