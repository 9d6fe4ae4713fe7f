"""A reading map as flat tables: what the emitted decoders index into, the same for every target.

Lamps are numbered in one list; strings, code tables and byte maps are kept once each. Nothing is decided here that
`mapping.shown` does not decide: this module only lays out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from tapwright.core.reading_map import (
    GLYPH_VARIANTS,
    GLYPHS,
    SEGMENT_NAMES,
    BitRef,
    Codes,
    DisplayMap,
    Field,
    Float,
    Lamp,
    ReadingMap,
    Segments,
    Table,
    UnitSigns,
    glyph_of,
)

REST_DARK, REST_LIT = 0xFFFE, 0xFFFF

def address(bit: BitRef) -> int:
    """Return a bit's address as 16 bits: byte << 4 | inverted << 3 | bit."""
    return bit.byte << 4 | bit.inverted << 3 | bit.bit


@dataclass
class Lamps:
    """All lamps of a map: `bits` in one list, `first[i]` to `first[i + 1]` are those of lamp i."""

    bits: list[int] = field(default_factory=list)
    first: list[int] = field(default_factory=lambda: [0])

    def add(self, lamp: Lamp) -> int:
        """Add a lamp; return its number."""
        self.bits += [address(bit) for bit in lamp.bits] or [REST_LIT if lamp.rest else REST_DARK]
        self.first.append(len(self.bits))
        return len(self.first) - 2

    @property
    def single(self) -> bool:
        """Whether every lamp has one address."""
        return len(self.bits) == len(self.first) - 1

    @property
    def restful(self) -> bool:
        """Whether a lamp has no bit of its own."""
        return any(bit >= REST_DARK for bit in self.bits)


def watch_bytes(reading_map: ReadingMap) -> list[tuple[int, int, int]]:
    """Return (byte, mask, rest) of the bits that no label saw change."""
    return rest_bytes(reading_map.watch)


def rest_bytes(bits: Field) -> list[tuple[int, int, int]]:
    """Return (byte, mask, rest) of bits that read 0 at rest."""
    found: dict[int, tuple[int, int]] = {}
    for bit in bits:
        mask, rest = found.get(bit.byte, (0, 0))
        found[bit.byte] = (mask | 1 << bit.bit, rest | bit.inverted << bit.bit)
    return [(byte, mask, rest) for byte, (mask, rest) in sorted(found.items())]


def glyph_pairs() -> list[tuple[int, str]]:
    """Return every pattern of segments that is a character, with it."""
    patterns = {shape for character, one in GLYPHS.items() for shape in (one, *GLYPH_VARIANTS.get(character, ()))}
    pairs = [(pattern, glyph_of(pattern)) for pattern in sorted(patterns)]
    return [(pattern, character) for pattern, character in pairs if character is not None]


def open_parts(reading_map: ReadingMap) -> list[str]:
    """Return in words what is not settled: such a description is only emitted when that is asked for.

    A point, or a segment of the first place, that labels never saw lit is left out: most instruments cannot light it,
    and should its bit move after all, the reading is unproven.
    """
    found = []
    if len(reading_map.displays) > 1:
        found.append(f"{len(reading_map.displays)} ways to read the display are left")
    for display in reading_map.displays:
        found += _open_digits(display)
        if len(display.zeros) > 1:
            found.append("how leading zeros are shown")
        if display.minus is not None and _is_open(display.minus):
            found.append("the minus sign")
        found += [f"the point before the last {decimals} digits" for decimals, lamp in display.point.lamps.items()
                  if len(lamp.bits) > 1 or (not lamp.bits and lamp.rest)]
    for unit in reading_map.units:
        if isinstance(unit, UnitSigns):
            found += [f"unit sign {name}" for name, lamp in (*unit.prefixes.items(), *unit.bases.items())
                      if len(lamp.bits) > 1]
        elif not unit.entries and unit.otherwise is None:
            found.append("the unit")
    for name, flag in reading_map.flags.items():
        if _is_open(flag) if isinstance(flag, Lamp) else not flag.entries:
            found.append(f"flag {name}")
    return list(dict.fromkeys(found))


def _is_open(lamp: Lamp) -> bool:
    return len(lamp.bits) != 1


def _open_digits(display: DisplayMap) -> list[str]:
    digits, found = display.digits, []
    if isinstance(digits, Segments):
        for place, lamps in enumerate(digits.places, 1):
            names = [name for name, lamp in zip(SEGMENT_NAMES, lamps, strict=True)
                     if _is_open(lamp) and not (place == 1 and not lamp.bits and not lamp.rest)]
            if names:
                found.append(f"digit {place} segment{'s' * (len(names) > 1)} {', '.join(names)}")
    elif isinstance(digits, Codes) and digits.kind == "table":
        for place, table in enumerate(digits.places, 1):
            missing = [digit for digit in "0123456789" if digit not in table.entries.values()]
            if missing:
                found.append(f"digit {place}, codes of {' '.join(missing)}")
    elif isinstance(digits, Float) and digits.unsettled:
        found.append("bits of the number that may count inverted")
    return found


def tables_of(reading_map: ReadingMap) -> Iterable[Table]:
    """Return every code table of a map."""
    for display in reading_map.displays:
        yield from display.states
        yield from display.point.tables
        if isinstance(display.digits, Codes):
            yield from display.digits.places
    yield from (unit for unit in reading_map.units if isinstance(unit, Table))
    yield from (flag for flag in reading_map.flags.values() if isinstance(flag, Table))
