"""What the labels settle and what they leave open, element by element."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tapwright.core.job import Demands
from tapwright.core.reading_map import (
    SEGMENT_NAMES,
    Codes,
    DisplayMap,
    Float,
    Integer,
    Lamp,
    Segments,
    Table,
    UnitSigns,
)
from tapwright.mapping.fit import Learned
from tapwright.mapping.report import Ask, Open
from tapwright.mapping.unseen import HIGHER_PLACES


@dataclass(frozen=True)
class Standing:
    """Names of what is settled, and everything that is open."""

    determined: tuple[str, ...]
    undetermined: tuple[Open, ...]


def standing(learned: Learned, demands: Demands, asks: tuple[Ask, ...]) -> Standing:
    """Return what is settled and what is open in a learned map; `asks` are the readings that will be asked for."""
    assert learned.reading_map is not None
    found = _Collector()
    display = learned.reading_map.displays[0]
    if len(learned.reading_map.displays) > 1:
        others = ", ".join(dict.fromkeys(other.kind for other in learned.reading_map.displays[1:]))
        # With the job's ranges known, a difference that no further reading was found for makes none.
        found.open("the way digits are sent", f"labels also fit {others} in another place or form", lamp=True)
    _digits(display, found)
    if isinstance(display.digits, Integer) and not any(item.what == HIGHER_PLACES for item in found.left) \
            and any(HIGHER_PLACES in ask.settles for ask in asks):
        found.open(HIGHER_PLACES, "no label shows a number as great as the ranges go", lamp=True)
    _point(display, found)
    _sign(display, found, demands)
    _states(learned, found, demands)
    _units(learned, found, demands)
    _flags(learned, found, demands)
    left = [replace(item, show=_show(item, asks)) for item in found.left]
    if demands.ranges:
        # What no reading within the job's ranges can tell apart makes no difference to any of them.
        left = [item for item in left if item.show or not item.lamp]
    return Standing(tuple(dict.fromkeys(found.settled)), tuple(left))


def _show(item: Open, asks: tuple[Ask, ...]) -> str:
    """Return the first reading asked for that settles something of an item."""
    words = item.what.replace("segments", "segment").replace(",", "").split()
    for ask in asks:
        for settled in ask.settles:
            parts = settled.split()
            if parts[:2] == words[:2] and (parts[0] != "digit" or parts[-1] in words or "showing" in parts):
                return ask.show
    return ""


class _Collector:
    def __init__(self) -> None:
        self.settled: list[str] = []
        self.left: list[Open] = []

    def open(self, what: str, why: str, *, lamp: bool = False) -> None:
        self.left.append(Open(what, why, lamp=lamp))

    def lamp(self, name: str, lamp: Lamp) -> None:
        why = lamp_why(lamp)
        if why:
            self.open(name, why, lamp=True)
        else:
            self.settled.append(name)


def lamp_why(lamp: Lamp) -> str:
    """Return why a lamp is open, empty where it is settled."""
    if lamp.settled:
        return ""
    if lamp.bits:
        shown = ", ".join(map(str, lamp.bits[:6])) + (" ..." if len(lamp.bits) > 6 else "")
        return f"{len(lamp.bits)} bits go with it in every label: {shown}"
    return "never seen " + ("dark" if lamp.rest else "lit")


def _digits(display: DisplayMap, found: _Collector) -> None:
    digits = display.digits
    if isinstance(digits, Segments):
        for i, place in enumerate(digits.places, 1):
            reasons: dict[str, list[str]] = {}
            for name, lamp in zip(SEGMENT_NAMES, place, strict=True):
                why = lamp_why(lamp)
                if why:
                    reasons.setdefault(why, []).append(name)
            for why, names in reasons.items():
                found.open(f"digit {i} segment{'s' * (len(names) > 1)} {', '.join(names)}", why, lamp=True)
            if not reasons:
                found.settled.append(f"digit {i}")
    elif isinstance(digits, Codes):
        for i, table in enumerate(digits.places, 1):
            missing = [c for c in "0123456789" if c not in table.entries.values()]
            if digits.kind == "table" and missing:
                found.open(f"digit {i}", f"codes of {' '.join(missing)} never seen", lamp=True)
            else:
                found.settled.append(f"digit {i}")
    elif isinstance(digits, Integer):
        found.settled.append("number")
        own = {(bit.byte, bit.bit) for bit in digits.bits}
        higher = [bit for bit in digits.fixed if (bit.byte, bit.bit) in own]
        if higher:
            bits = ", ".join(map(str, higher[:8]))
            found.open(HIGHER_PLACES, f"bits {bits} never seen to change", lamp=True)
    elif isinstance(digits, Float):
        found.settled.append("number")
    if len(display.zeros) > 1:
        found.open("leading zeros", "no label shows whether they are left out", lamp=True)


def _point(display: DisplayMap, found: _Collector) -> None:
    for decimals, lamp in display.point.lamps.items():
        found.lamp(f"point before the last {decimals} digit{'s' * (decimals > 1)}", lamp)
    if display.point.tables:
        codes = {text for table in display.point.tables for text in table.entries.values()}
        found.settled += [f"point with {text} digits after it" for text in sorted(codes)]


def _sign(display: DisplayMap, found: _Collector, demands: Demands) -> None:
    if display.minus is not None:
        found.lamp("minus", display.minus)


def _states(learned: Learned, found: _Collector, demands: Demands) -> None:
    shown = {"overload": any(label.is_overload for label in learned.sight.labels),
             "blank": any(label.is_blank for label in learned.sight.labels)}
    for name, seen in shown.items():
        if seen:
            found.settled.append(name)
        elif name in demands.shows:
            found.open(name, "never shown")


def _units(learned: Learned, found: _Collector, demands: Demands) -> None:
    assert learned.reading_map is not None
    seen = list(dict.fromkeys(label.unit for label in learned.sight.labels if label.unit))
    maps = learned.reading_map.units
    open_signs: dict[str, str] = {}
    for unit in maps:
        if isinstance(unit, UnitSigns):
            for name, lamp in [*unit.prefixes.items(), *unit.bases.items()]:
                if lamp.bits and not lamp.settled:
                    open_signs[name] = lamp_why(lamp)
    if not maps or all(isinstance(unit, Table) and not unit.entries for unit in maps):
        if seen:
            found.open("unit", "no bits go with it in every label")
    else:
        found.settled += [f"unit {unit}" for unit in seen]
    for name, why in open_signs.items():
        found.open(f"unit sign {name}", why, lamp=True)
    for unit_name in demands.units:
        if unit_name not in seen:
            found.open(f"unit {unit_name}", "never shown")


def _flags(learned: Learned, found: _Collector, demands: Demands) -> None:
    assert learned.reading_map is not None
    for name, flag in learned.reading_map.flags.items():
        if isinstance(flag, Lamp):
            found.lamp(f"flag {name}", flag)
        elif not flag.entries:
            found.open(f"flag {name}", "no bits go with it in every label")
        else:
            found.settled.append(f"flag {name}")
    for name in demands.flags:
        if name not in learned.reading_map.flags:
            found.open(f"flag {name}", "never shown")
