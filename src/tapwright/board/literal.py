"""An instrument as Python literals: the tables that `portable.decode` reads."""

from __future__ import annotations

from tapwright.board.mask_maps import mask_maps
from tapwright.board.tables import address, glyph_pairs, watch_bytes
from tapwright.core.frame import Check, FrameLayout
from tapwright.core.instrument import Instrument
from tapwright.core.reading_map import (
    Codes,
    DisplayMap,
    Field,
    Float,
    Integer,
    Lamp,
    Point,
    ReadingMap,
    Segments,
    Table,
    UnitMap,
)
from tapwright.mapping.shown import tells_overload

_KIND = {"xor": 0, "sub": 1, "table": 2}


def tables(instrument: Instrument) -> dict[str, object]:
    """Return everything that the portable decoder needs, made of plain values."""
    reading_map = instrument.reading_map
    return {
        "mask": _mask(instrument),
        "layouts": _layouts(instrument.layout),
        "lengths": tuple(reading_map.lengths),
        "separator": reading_map.separator,
        "slots": tuple(reading_map.slots),
        "watch": tuple(watch_bytes(reading_map)),
        "displays": tuple(_display(display) for display in reading_map.displays),
        "units": tuple(_unit(unit) for unit in reading_map.units),
        "flags": tuple((name, "table", _table(flag)) if isinstance(flag, Table) else (name, "lamp", _lamp(flag))
                       for name, flag in reading_map.flags.items()),
        "words": dict(reading_map.words),
    }


def glyphs() -> dict[int, str]:
    """Return pattern of segments -> character."""
    return dict(glyph_pairs())


def uses_segments(reading_map: ReadingMap) -> bool:
    """Whether the decoder needs the glyphs."""
    return any(isinstance(display.digits, Segments) for display in reading_map.displays)


def _mask(instrument: Instrument) -> object:
    maps = mask_maps(instrument.mask)
    if maps is None:
        return None
    return (tuple((_KIND[one.kind], one.key, one.table or None, None if one.known is None else _bitmap(one.known))
                  for one in maps.maps), maps.which, maps.n_bytes)


def _bitmap(known: bytes) -> bytes:
    bits = bytearray(32)
    for byte in known:
        bits[byte >> 3] |= 1 << (byte & 7)
    return bytes(bits)


def _layouts(layout: FrameLayout | None) -> tuple[object, ...]:
    if layout is None:
        return ()
    return tuple((one.length, one.n_bytes, one.start, one.end, tuple(_check(check) for check in one.checks),
                  one.field_at, one.field_add)
                 for one in (layout, *layout.variants))


def _check(check: Check) -> tuple[object, ...]:
    return (check.kind, check.first, check.last, check.at, check.order == "little", check.encoding == "hex",
            check.poly, check.init, check.refin, check.refout, check.xorout)


def _field(bits: Field) -> tuple[int, ...]:
    return tuple(address(bit) for bit in bits)


def _lamp(lamp: Lamp) -> object:
    return _field(lamp.bits) if lamp.bits else lamp.rest


def _table(table: Table) -> tuple[object, ...]:
    return _field(table.bits), dict(table.entries), table.otherwise


def _unit(unit: UnitMap) -> tuple[object, ...]:
    if isinstance(unit, Table):
        return "table", _table(unit)
    return ("signs", tuple((name, _lamp(lamp)) for name, lamp in unit.prefixes.items()),
            tuple((name, _lamp(lamp)) for name, lamp in unit.bases.items()), unit.none_seen)


def _point(point: Point) -> tuple[object, ...]:
    return (tuple((decimals, _lamp(lamp)) for decimals, lamp in point.lamps.items()),
            tuple(_table(table) for table in point.tables))


def _display(display: DisplayMap) -> tuple[object, ...]:
    return (display.kind, _digits(display), _point(display.point),
            None if display.minus is None else _lamp(display.minus), tuple(display.zeros), display.width,
            tuple(_table(table) for table in display.states), tells_overload(display))


def _digits(display: DisplayMap) -> object:
    match display.digits:
        case Segments(places=places):
            return tuple(tuple(_lamp(lamp) for lamp in place) for place in places)
        case Codes(places=codes):
            return tuple(_table(table) for table in codes)
        case Integer() as whole:
            return (_field(whole.bits), whole.sign == "twos complement", whole.offset, whole.multiply, whole.divide,
                    whole.decimals, whole.rounding, _field(whole.fixed))
        case Float() as real:
            return (_field(real.bits), real.scale, dict(real.scales), real.rounding, tuple(real.unsettled),
                    real.no_number)
