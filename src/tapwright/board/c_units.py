"""C99 for unit and flags: units are numbered, flags are bits; their texts stand in the header for who shows them."""

from __future__ import annotations

from dataclasses import dataclass, field

from tapwright.board.c_bits import MOST_LAMPS, Bits
from tapwright.board.c_text import array, filled, string
from tapwright.core.errors import DescriptionError
from tapwright.core.reading_map import Lamp, ReadingMap, Table, UnitSigns

_SEVERAL = 0x4000  # beyond any unit's number


@dataclass
class Units:
    """The units of a map, numbered: `texts[i]` is unit i, the last one `?`.

    Signs alone are numbered base * (prefixes + 1) + prefix, each counted from 1 and 0 for none; where tables or several
    alternatives say the unit, its texts are numbered as they come.
    """

    reading_map: ReadingMap
    texts: list[str] = field(init=False)

    def __post_init__(self) -> None:
        units = self.reading_map.units
        if self.of_signs is not None:
            self.texts = _texts_of(self.of_signs)
        else:
            found = [text for unit in units for text in (_texts_of(unit) if isinstance(unit, UnitSigns) else _entries(unit))]
            self.texts = list(dict.fromkeys(found or [""]))
        self.texts.append("?")

    @property
    def of_signs(self) -> UnitSigns | None:
        """The signs where nothing else says the unit."""
        units = self.reading_map.units
        return units[0] if len(units) == 1 and isinstance(units[0], UnitSigns) else None

    @property
    def unknown(self) -> int:
        """The number of a unit that is not certain."""
        return len(self.texts) - 1

    def numbers(self, text: str) -> list[int]:
        """Return the numbers that stand for a text."""
        return [i for i, one in enumerate(self.texts[:-1]) if one == text]

    def functions(self, bits: Bits) -> list[str]:
        """Return `unit_of(b)`, which gives the unit's number; none where there is but one unit."""
        units = self.reading_map.units
        if not units:
            return []
        if self.of_signs is not None:
            return [*_signs(self.of_signs, bits, "number", self.unknown), "    return number;", "}", ""]
        lines: list[str] = []
        for i, unit in enumerate(units):
            lines += self._table(i, unit, bits) if isinstance(unit, Table) else self._listed(i, unit, bits)
        others = "".join(f"    if (unit{i}(b) != unit)\n        unit = {self.unknown}u;\n" for i in range(1, len(units)))
        return lines + filled(_AGREED, OTHERS=others).splitlines()

    def _table(self, i: int, table: Table, bits: Bits) -> list[str]:
        otherwise = self.unknown if table.otherwise is None else self.texts.index(table.otherwise)
        if not table.bits:
            number = self.texts.index(table.entries[0]) if 0 in table.entries else otherwise
            return [f"static unsigned unit{i}(const uint8_t *b)", "{", "    (void)b;", f"    return {number}u;", "}", ""]
        lines = [f"static unsigned unit{i}(const uint8_t *b)", "{", f"    switch ({bits.number(table.bits)}) {{"]
        groups: dict[int, list[int]] = {}
        for code, text in sorted(table.entries.items()):
            if code < 1 << len(table.bits):
                groups.setdefault(self.texts.index(text), []).append(code)
        for number, codes in groups.items():
            lines += [f"    case {code}u:" for code in codes]
            lines[-1] += f" return {number}u;"
        return [*lines, f"    default: return {otherwise}u;", "    }", "}", ""]

    def _listed(self, i: int, signs: UnitSigns, bits: Bits) -> list[str]:
        texts, n = _texts_of(signs), len(signs.prefixes) + 1
        listed = [self.unknown if k and k < n else self.texts.index(text) for k, text in enumerate(texts)]
        return [*array("uint8_t", f"unit{i}_texts", listed), "",
                *_signs(signs, bits, "listed", len(texts), i),
                f"    return number < {len(texts)}u ? unit{i}_texts[number] : {self.unknown}u;", "}", ""]


def _texts_of(signs: UnitSigns) -> list[str]:
    return [prefix + base if base else "" for base in ("", *signs.bases) for prefix in ("", *signs.prefixes)]


def _entries(table: Table) -> list[str]:
    return [*table.entries.values(), *([table.otherwise] if table.otherwise is not None else [])]


def _signs(signs: UnitSigns, bits: Bits, kind: str, unknown: int, i: int | None = None) -> list[str]:
    """Return the head of a function that leaves base * (prefixes + 1) + prefix in `number`, `unknown` where not certain."""
    prefixes, bases = list(signs.prefixes.values()), list(signs.bases.values())
    name, n = "unit_of" if kind == "number" else f"unit{i}", len(prefixes) + 1
    head = [f"static unsigned {name}(const uint8_t *b)", "{"]
    more, terms = [], []
    for what, times, lamps in (("base", n, bases), ("prefix", 1, prefixes)):
        if not lamps:
            continue
        first, *others = [bits.lamps(lamps[k:k + MOST_LAMPS], "0") for k in range(0, len(lamps), MOST_LAMPS)]
        text = f"the_one({first})"
        if others:
            more += [f"    unsigned {what} = {text}, other;"]
            for k, chunk in enumerate(others, 1):
                more += [f"    other = the_one({chunk});", "    if (other)",
                         f"        {what} = {what} ? {_SEVERAL} : other + {MOST_LAMPS * k};"]
            text = what
        terms.append(f"{times} * {text}" if times > 1 else text)
    if not terms:
        return [*head, "    (void)b;", f"    unsigned number = {0 if signs.none_seen else unknown}u;"]
    most = n * (len(bases) + 1) - 1
    # A prefix alone is no unit.
    alone = f"number > {most}u || (number && number < {n}u)" if n > 1 else f"number > {most}u"
    wrong = alone if signs.none_seen else f"number - {n}u > {most - n}u" if bases else "1"
    return [*head, *more, f"    unsigned number = {' + '.join(terms)};", f"    if ({wrong})", f"        number = {unknown}u;"]


def the_one(bits: Bits) -> list[str]:
    """Return the function that gives the number of the one lamp that is lit."""
    return filled(_THE_ONE, LOOSE=" || lit >> 16" if bits.loose else "", SEVERAL=str(_SEVERAL)).splitlines()


def flag_type(reading_map: ReadingMap) -> str:
    """Return the type of a flag set: a bit a flag, and one that says that more may be on.

    Raises
    ------
    DescriptionError : more than 63 flags
    """
    n = len(reading_map.flags) + 1
    if n > 64:
        raise DescriptionError(f"{n - 1} flags", expected="63 at most for C", do="leave out flags that the board need not "
                               "show, or write the MicroPython target alone (--target micropython)")
    return next(f"uint{size}_t" for size in (8, 16, 32, 64) if n <= size)


def flag_lines(reading_map: ReadingMap, bits: Bits) -> tuple[list[str], list[str], bool]:
    """Return functions for flags that codes tell, the lines that set `flags`, and whether they may set `more`."""
    kind, functions, loose = flag_type(reading_map), list[str](), False
    lines = ["    flags = 0;"]
    flags = list(reading_map.flags.values())
    at = 0
    while at < len(flags):
        flag = flags[at]
        shift = f" << {at}" if at else ""
        if isinstance(flag, Table):
            functions += _flag_table(at, flag, bits)
            lines += [f"    lit = flag{at}(b);", f"    flags |= ({kind})(({kind})(lit & 1u){shift});", "    more |= lit >> 1;"]
            at, loose = at + 1, True
            continue
        run: list[Lamp] = []
        while at < len(flags) and len(run) < MOST_LAMPS:
            one = flags[at]
            if not isinstance(one, Lamp):
                break
            run.append(one)
            at += 1
        text = bits.lamps(run)
        if bits.loose and text.startswith("bits("):
            loose = True
            lines += [f"    lit = {text};", f"    flags |= ({kind})(({kind})(lit & 0xFFFFu){shift});", "    more |= lit >> 16;"]
        else:
            lines += [f"    flags |= ({kind})({f'({kind}){text}{shift}' if shift else text});"]
    if len(lines) > 1 and lines[1].startswith("    flags |= "):
        lines = [lines[1].replace("|=", "=", 1), *lines[2:]]
    return functions, lines, loose


def _flag_table(at: int, table: Table, bits: Bits) -> list[str]:
    def state(entry: str | None) -> int:
        return 2 if entry is None else int(entry == "on")

    head = ["/* 0 off, 1 on, 2 not known. */", f"static unsigned flag{at}(const uint8_t *b)", "{"]
    if not table.bits:
        return [*head, "    (void)b;", f"    return {state(table.entries.get(0, table.otherwise))}u;", "}", ""]
    cases = [f"    case {code}u: return {state(entry)}u;" for code, entry in sorted(table.entries.items())
             if code < 1 << len(table.bits) and state(entry) != state(table.otherwise)]
    if not cases:
        return [*head, "    (void)b;", f"    return {state(table.otherwise)}u;", "}", ""]
    return [*head, f"    switch ({bits.number(table.bits)}) {{", *cases, f"    default: return {state(table.otherwise)}u;",
            "    }", "}", ""]


def macros(reading_map: ReadingMap, units: Units) -> list[str]:
    """Return the header's texts: units by number, flags by bit."""
    n = len(reading_map.flags)
    flags = ", ".join(string(name) for name in reading_map.flags) or "0"
    return [f"#define READING_UNITS {{{', '.join(string(text) for text in units.texts)}}}",
            f"#define READING_FLAG_NAMES {{{flags}}}", f"#define READING_N_FLAGS {n}",
            f"#define READING_MORE (({flag_type(reading_map)})1 << {n})"]


_AGREED = """\
static unsigned unit_of(const uint8_t *b)
{
    unsigned unit = unit0(b);
@OTHERS@    return unit;
}

"""
_THE_ONE = """\
/* The number of the one lamp that is lit, from 1; 0 for none, @SEVERAL@ where that is not certain. */
static unsigned the_one(uint32_t lit)
{
    unsigned n = 0;
    if (lit & (lit - 1)@LOOSE@)
        return @SEVERAL@;
    for (; lit; lit >>= 1)
        n++;
    return n;
}

"""
