"""What parts of a reading map gave for the bits that they read: parts repeat far more than whole bodies do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from tapwright.core.reading_map import BitRef, Lamp, ReadingMap, Table
from tapwright.mapping.families import segments

MOST_REMEMBERED = 1 << 18
#: What can be remembered: a lamp, a table, or a place's seven lamps.
Part = Lamp | Table | tuple[Lamp, ...]


@dataclass(frozen=True)
class Beside:
    """What a body shows beside its digits; `shown` (a `Shown`) where it shows no number."""

    unit: str
    flags: str
    sign: str
    decimals: int | None
    shown: Any


class Memo:
    """What parts of a map gave for the bits that they read: parts repeat far more than whole bodies do."""

    def __init__(self, reading_map: ReadingMap) -> None:
        self.watch, self.rest = _mask(reading_map.watch), _mask(bit for bit in reading_map.watch if bit.inverted)
        # Unit, flags, point, sign and state of a map with one display, by all the bits that make them.
        self.beside: dict[int, Beside] = {}
        self.beside_mask = _mask(_beside_bits(reading_map)) if len(reading_map.displays) == 1 else -1
        self.masks: dict[int, int] = {}
        self.seen: dict[tuple[int, int, bool], object] = {}
        self.whole = 0

    def moved(self) -> bool:
        """Say whether a watched bit of the body at hand moved."""
        return (self.whole ^ self.rest) & self.watch != 0

    def of(self, part: Part, body: bytes, moved: bool) -> Any:
        """Return what a part reads in the body at hand."""
        mask = self.masks.get(id(part))
        if mask is None:
            mask = self.masks[id(part)] = _mask(_part_bits(part))
        key = (id(part), self.whole & mask, moved)
        try:
            return self.seen[key]
        except KeyError:
            if len(self.seen) >= MOST_REMEMBERED:
                self.seen.clear()
            found = self.seen[key] = _read_part(part, body, moved)
            return found


def _mask(bits: Iterable[BitRef]) -> int:
    return sum({1 << (8 * bit.byte + bit.bit) for bit in bits})


def _part_bits(part: Part) -> list[BitRef]:
    return [bit for lamp in part for bit in lamp.bits] if isinstance(part, tuple) else list(part.bits)


def _read_part(part: Part, body: bytes, moved: bool) -> object:
    if isinstance(part, tuple):
        return segments.read_place(part, body, moved)
    return part.of(body, moved) if isinstance(part, Lamp) else part.of(body)


def _beside_bits(reading_map: ReadingMap) -> list[BitRef]:
    display = reading_map.displays[0]
    parts: list[Lamp | Table] = [*display.states, *display.point.lamps.values(), *display.point.tables]
    parts += [display.minus] if display.minus is not None else []
    parts += reading_map.flags.values()
    for unit in reading_map.units:
        parts += [unit] if isinstance(unit, Table) else [*unit.prefixes.values(), *unit.bases.values()]
    return [bit for part in parts for bit in part.bits]
