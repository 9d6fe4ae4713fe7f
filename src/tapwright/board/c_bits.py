"""C99 for the bits of a body: one table of addresses, and the expressions that read lamps and numbers from it.

A field whose bits stand in a row in one byte is read where it stands; only scattered ones take room in the table. The
tables are written last, when it is known what is in them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from tapwright.board.c_text import array, filled, hex_list, width_of
from tapwright.core.reading_map import (
    BitRef,
    Codes,
    Field,
    Float,
    Integer,
    Lamp,
    ReadingMap,
    Segments,
    Table,
    UnitSigns,
)

#: Lamps that one read takes: what is lit in the lower half of 32 bits, what is not known in the upper one.
MOST_LAMPS = 16
_REST = 2  # addresses kept for lamps without a bit: dark, lit


@dataclass
class Bits:
    """What a map's functions read, filled while they are written.

    `most_rows`: into how many rows within bytes a field may fall for being read where it stands.
    """

    reading_map: ReadingMap
    most_rows: int = 2
    _entries: list[tuple[BitRef | bool, bool]] = field(default_factory=list)
    _first: dict[tuple[object, ...], int] = field(default_factory=dict)
    _lamps_read: bool = False
    _numbers_read: bool = False

    def __post_init__(self) -> None:
        lamps = list(lamps_of(self.reading_map))
        self.restful = any(not lamp.bits for lamp in lamps)
        self.loose = any(len(lamp.bits) != 1 for lamp in lamps)

    @property
    def moved(self) -> str:
        """A further parameter of what reads lamps: whether a watched bit moved."""
        return ", moved" if self.restful else ""

    def lamps(self, lamps: Sequence[Lamp], moved: str = "moved") -> str:
        """Return the expression of up to 16 lamps, the first in bit 0; loose ones in the upper half where there are any."""
        if all(len(lamp.bits) == 1 for lamp in lamps):
            alone = tuple(lamp.bits[0] for lamp in lamps)
            there = in_place(alone) or _in_bytes(alone, self.most_rows)
            if there:
                return there
        return f"bits(b, {self.lamps_at(lamps)}, {len(lamps)}{f', {moved}' if self.restful else ''})"

    def lamps_at(self, lamps: Sequence[Lamp]) -> int:
        """Return where in the table lamps stand, the last one first."""
        assert 0 < len(lamps) <= MOST_LAMPS
        self._lamps_read = True
        key = tuple((lamp.bits, lamp.rest) for lamp in lamps)
        if key not in self._first:
            self._first[key] = len(self._entries)
            for lamp in reversed(lamps):
                self._entries += [(bit, i > 0) for i, bit in enumerate(lamp.bits)] or [(lamp.rest, False)]
        return self._first[key]

    def number(self, bits: Field) -> str:
        """Return the expression of a number, least significant bit first."""
        if not bits:
            return "0u"
        there = in_place(bits) or _in_bytes(bits, self.most_rows)
        if there:
            return there
        self._numbers_read = True
        if bits not in self._first:
            self._first[bits] = len(self._entries)
            self._entries += [(bit, False) for bit in reversed(bits)]
        return f"{'number' if self.loose else 'bits'}(b, {self._first[bits]}, {len(bits)})"

    @property
    def has_table(self) -> bool:
        """Whether something is read through the table."""
        return bool(self._entries)

    def declarations(self) -> list[str]:
        """Return the table and the functions that read it."""
        if not self._entries:
            return []
        found = [entry for entry, _ in self._entries if isinstance(entry, BitRef)]
        turned = any(bit.inverted for bit in found)
        shift = 4 if turned else 3
        codes = [bit.byte << shift | bit.inverted << 3 | bit.bit for bit in found]
        several = any(more for _, more in self._entries)
        width = width_of([*codes, *([0x100] if several else []), max(codes, default=0) + (_REST if self.restful else 0)])
        top = {"uint8_t": 0x100, "uint16_t": 0x8000}[width]
        values = []
        for entry, more in self._entries:
            code = entry.byte << shift | entry.inverted << 3 | entry.bit if isinstance(entry, BitRef) else top - _REST + entry
            values.append(code | more << 15)
        lines = [*array(width, "addresses", hex_list(values, 2 if width == "uint8_t" else 4)), ""]
        one = "((b[at >> 4] >> (at & 7u) ^ at >> 3) & 1u)" if turned else "(b[at >> 3] >> (at & 7u) & 1u)"
        if not self.loose:
            return lines + filled(_PLAIN, ONE=one, WIDTH=width).splitlines()
        number = filled(_PLAIN.replace(" bits(", " number("), ONE=one, WIDTH=width).splitlines() if self._numbers_read else []
        if not self._lamps_read:
            return lines + number
        rest = filled(_RESTING, REST=f"0x{top - _REST:X}u") if self.restful else ""
        further = filled(_SEVERAL, ONE=one) if several else ""
        text = filled(_LAMPS, WIDTH=width, MOVED=", unsigned moved" if self.restful else "", ONE=one, REST=rest, SEVERAL=further,
                      ADDRESS="*a++ & 0x7FFFu" if several else "*a++")
        return lines + number + text.splitlines()


def lamps_of(reading_map: ReadingMap) -> list[Lamp]:
    """Return every lamp of a map."""
    lamps: list[Lamp] = []
    for display in reading_map.displays:
        if isinstance(display.digits, Segments):
            lamps += [lamp for place in display.digits.places for lamp in place]
        lamps += [*([display.minus] if display.minus is not None else []), *display.point.lamps.values()]
    for unit in reading_map.units:
        if isinstance(unit, UnitSigns):
            lamps += [*unit.prefixes.values(), *unit.bases.values()]
    return [*lamps, *(flag for flag in reading_map.flags.values() if isinstance(flag, Lamp))]


def top_of(reading_map: ReadingMap) -> int:
    """Return how many bytes of a body a map reads at most."""
    bits = [bit for lamp in lamps_of(reading_map) for bit in lamp.bits] + list(reading_map.watch)
    tables = [table for table in (*reading_map.units, *reading_map.flags.values()) if isinstance(table, Table)]
    for display in reading_map.displays:
        tables += [*display.states, *display.point.tables]
        digits = display.digits
        if isinstance(digits, Codes):
            tables += digits.places
        elif isinstance(digits, Integer | Float):
            bits += [*digits.bits, *(digits.fixed if isinstance(digits, Integer) else ())]
    bits += [bit for table in tables for bit in table.bits]
    return max((bit.byte + 1 for bit in bits), default=1)


def moved_terms(at_rest: Sequence[tuple[int, int, int]]) -> list[str]:
    """Return for each (byte, mask, rest) the test whether a bit of it moved."""
    return [f"(b[{byte}] & 0x{mask:02X}u) != 0x{rest:02X}u" if mask != 255 else f"b[{byte}] != 0x{rest:02X}u"
            for byte, mask, rest in at_rest]


def in_place(bits: Field, byte: str = "") -> str:
    """Return the expression of bits that stand in a row in one byte, empty where they do not; `byte` is its index."""
    first, n = bits[0], len(bits)
    if any((bit.byte, bit.bit) != (first.byte, first.bit + i) for i, bit in enumerate(bits)):
        return ""
    text = f"b[{byte or first.byte}]"
    if first.bit:
        text += f" >> {first.bit}"
    if first.bit + n < 8:
        text += f" & {(1 << n) - 1}u"
    turned = sum(bit.inverted << i for i, bit in enumerate(bits))
    if turned:
        return f"(({text}) ^ {turned}u)"
    return f"({text})" if first.bit or n < 8 else text


def _in_bytes(bits: Field, most_rows: int) -> str:
    """Return the expression of bits that stand in few rows, the lowest row first; empty where there are too many."""
    runs: list[list[BitRef]] = []
    for bit in bits:
        last = runs[-1][-1] if runs else None
        if last and (last.byte, last.bit + 1) == (bit.byte, bit.bit):
            runs[-1].append(bit)
        else:
            runs.append([bit])
    if len(runs) > (4 if all(len(run) == 8 for run in runs[:-1]) else most_rows):
        return ""
    terms, shift = [], 0
    for run in runs:
        there = in_place(tuple(run))
        terms.append(f"(uint32_t){there} << {shift}" if shift else f"(uint32_t){there}")
        shift += len(run)
    return f"({' | '.join(terms)})"


_PLAIN = """\
/* The bits at n addresses as a number, the last one lowest. */
static uint32_t bits(const uint8_t *b, unsigned first, unsigned n)
{
    const @WIDTH@ *a = addresses + first;
    uint32_t value = 0;
    do {
        unsigned at = *a++;
        value = value << 1 | @ONE@;
    } while (--n);
    return value;
}

"""
_LAMPS = """\
/* Which of n lamps are lit, the last one lowest; from bit 16 on, of which ones that is not known. */
static uint32_t bits(const uint8_t *b, unsigned first, unsigned n@MOVED@)
{
    const @WIDTH@ *a = addresses + first;
    uint32_t value = 0;
    do {
        unsigned at = @ADDRESS@;
        uint32_t lit;
@REST@            lit = @ONE@;
@SEVERAL@        value = value << 1 | lit;
    } while (--n);
    return value;
}

"""
_RESTING = """\
        if (at >= @REST@)
            lit = moved ? 0x10000u : at & 1u;
        else
"""
_SEVERAL = """\
        /* Further addresses that may be the lamp's own: all must agree. */
        for (; a < addresses + sizeof addresses / sizeof *addresses && *a & 0x8000u; a++) {
            at = *a & 0x7FFFu;
            if (@ONE@ != lit)
                lit = 0x10000u;
        }
"""
