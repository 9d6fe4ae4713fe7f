"""What the C decoder indexes into: lamps, code tables, strings, and how large its texts get."""

from __future__ import annotations

from dataclasses import dataclass, field

from tapwright.board.c_text import addresses, array, character, hex_list, string, width_of
from tapwright.board.tables import Lamps, glyph_pairs, watch_bytes
from tapwright.core.instrument import Instrument
from tapwright.core.reading_map import Codes, Field, Float, Lamp, ReadingMap, Segments, Table, UnitSigns

LONGEST_FRAME = 256


@dataclass(frozen=True)
class Sizes:
    """Bytes of the texts, ends included, and of the longest frame; `places`: characters of the longest number."""

    display: int
    unit: int
    flags: int
    frame: int
    places: int


def sizes(instrument: Instrument) -> Sizes:
    """Return how large an instrument's texts can get."""
    reading_map = instrument.reading_map
    places, texts = 1, ["?"]
    for display in reading_map.displays:
        digits = display.digits
        width = max(display.width, 1)
        if isinstance(digits, Segments | Codes):
            width = max(width, len(digits.places))
        elif display.width == 0:
            width = 20
        points = [*display.point.lamps, *(int(e) for t in display.point.tables for e in t.entries.values())]
        places = max(places, width, max(points, default=0) + 2)
        texts += [entry for table in display.states for entry in (*table.entries.values(), table.otherwise or "")]
        if isinstance(digits, Float):
            texts.append(digits.no_number)
    texts += [*reading_map.words.values()]
    display_size = max(places + 3, *(len(text.encode()) for text in texts)) + 1
    unit = 1
    for one in reading_map.units:
        if isinstance(one, UnitSigns):
            unit = max(unit, max((len(n.encode()) for n in one.prefixes), default=0)
                       + max((len(n.encode()) for n in one.bases), default=0))
        else:
            unit = max(unit, *(len(text.encode()) for text in (*one.entries.values(), one.otherwise or "")))
    flags = sum(len(name.encode()) + 1 for name in reading_map.flags) + 2
    layout = instrument.layout
    forms = [] if layout is None else [layout, *layout.variants]
    fixed = [form.n_bytes for form in forms if form.length == "fixed"]
    frame = max(fixed) if forms and len(fixed) == len(forms) else LONGEST_FRAME
    return Sizes(display=display_size, unit=unit + 1, flags=flags, frame=frame, places=places)


@dataclass
class Parts:
    """The tables of one reading map, filled while functions are written."""

    reading_map: ReadingMap
    lamps: Lamps = field(default_factory=Lamps)
    fields: dict[Field, int] = field(default_factory=dict)
    places_first: list[int] = field(default_factory=list)
    watch: list[tuple[int, int, int]] = field(init=False)
    needs_glyphs: bool = False

    def __post_init__(self) -> None:
        self.watch = watch_bytes(self.reading_map)
        self._order = self._lay_out()

    def _lay_out(self) -> dict[int, int]:
        """Give every lamp its number; those of a display's places stand first and in a row."""
        order: dict[int, int] = {}
        for display in self.reading_map.displays:
            self.places_first.append(len(self.lamps.first) - 1)
            if isinstance(display.digits, Segments):
                self.needs_glyphs = True
                for place in display.digits.places:
                    for lamp in place:
                        order[id(lamp)] = self.lamps.add(lamp)
        for display in self.reading_map.displays:
            for lamp in (*([display.minus] if display.minus is not None else []), *display.point.lamps.values()):
                order[id(lamp)] = self.lamps.add(lamp)
        for unit in self.reading_map.units:
            if isinstance(unit, UnitSigns):
                for lamp in (*unit.prefixes.values(), *unit.bases.values()):
                    order[id(lamp)] = self.lamps.add(lamp)
        for flag in self.reading_map.flags.values():
            if isinstance(flag, Lamp):
                order[id(flag)] = self.lamps.add(flag)
        return order

    def lamp(self, lamp: Lamp) -> int:
        """Return a lamp's number."""
        return self._order[id(lamp)]

    @property
    def has_lamps(self) -> bool:
        """Whether there is any lamp."""
        return bool(self.lamps.bits)

    @property
    def loose(self) -> bool:
        """Whether a lamp's state may be unknown."""
        return not self.lamps.single or self.lamps.restful

    def field(self, bits: Field) -> str:
        """Return the C expression of a field's value (`f` is the frame)."""
        return f"number(f, field_{self.fields.setdefault(bits, len(self.fields))}, {len(bits)})" if bits else "0"

    def field_declarations(self) -> list[str]:
        """Return the fields' address lists."""
        lines: list[str] = []
        for bits, number in self.fields.items():
            values = addresses(bits)
            lines += array("uint16_t", f"field_{number}", hex_list(values, 3))
        return [*lines, ""] if lines else []

    def lamp_declarations(self) -> list[str]:
        """Return the lamps' tables."""
        if not self.has_lamps:
            return []
        lines = array(width_of(self.lamps.bits), "lamp_bits", hex_list(self.lamps.bits, 3))
        if not self.lamps.single:
            lines += array(width_of(self.lamps.first), "lamp_first", self.lamps.first, 16)
        return [*lines, ""]

    def glyph_declarations(self) -> list[str]:
        """Return the shapes of characters: pattern, character."""
        if not self.needs_glyphs:
            return []
        pairs = [part for pattern, sign in glyph_pairs() for part in (f"0x{pattern:02X}", character(sign))]
        return [*array("uint8_t", "glyphs", pairs, 16), ""]

    def table_switch(self, table: Table, name: str, *, kind: str = "text") -> list[str]:
        """Return a function that gives a code's meaning: a string (0 for unknown), or a number (-1 for unknown)."""
        unknown = "0" if kind == "text" else "-1"
        result = "const char *" if kind == "text" else "int "

        def shown(entry: str) -> str:
            return string(entry) if kind == "text" else (str(ord(entry)) if kind == "character" else str(int(entry)))

        otherwise = unknown if table.otherwise is None else shown(table.otherwise)
        lines = [f"static {result}{name}(const struct frame *f)", "{"]
        if not table.bits:
            entry = table.entries.get(0, table.otherwise)
            return [*lines, "    (void)f;", f"    return {unknown if entry is None else shown(entry)};", "}", ""]
        lines.append(f"    switch ({self.field(table.bits)}) {{")
        for code, entry in sorted(table.entries.items()):
            if code < 1 << len(table.bits):
                lines.append(f"    case {code}u: return {shown(entry)};")
        return [*lines, f"    default: return {otherwise};", "    }", "}", ""]
