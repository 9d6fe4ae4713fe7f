"""The reading map: how a frame's bits make display, unit and flags, with everything that the labels leave open.

A closed set of small nouns. Nothing here computes more than a bit; `mapping.apply` reads frames with it, and board
targets print it as tables. Everything that more than one hypothesis explains is kept as alternatives, and a reading is
certain only where all of them agree.

Bit addresses are those of `core.frame`, counted in the frame's body: "3.6" is byte 3, bit 6. A leading `!` means the
bit counts inverted. A body that is shorter than the longest one seen is read as if zeros followed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

SEGMENT_NAMES = "abcdefg"

#: Glyphs as display segments, a = bit 0 .. g = bit 6. Source: decoder truth tables, see tests/golden/seven-segment.csv.
GLYPHS: dict[str, int] = {
    " ": 0x00, "0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07, "8": 0x7F,
    "9": 0x6F, "-": 0x40, "A": 0x77, "b": 0x7C, "C": 0x39, "c": 0x58, "d": 0x5E, "E": 0x79, "F": 0x71, "H": 0x76,
    "h": 0x74, "i": 0x10, "L": 0x38, "n": 0x54, "o": 0x5C, "P": 0x73, "r": 0x50, "t": 0x78, "U": 0x3E, "u": 0x1C,
    "y": 0x6E, "_": 0x08,
}
#: Further shapes of digits that displays use; the same table names their sources.
GLYPH_VARIANTS: dict[str, tuple[int, ...]] = {"6": (0x7C,), "7": (0x27,), "9": (0x67,), "1": (0x30,)}


class BitRef(NamedTuple):
    """One bit of a frame's body; `inverted` where a 1 on the wire counts as 0."""

    byte: int
    bit: int
    inverted: bool = False

    def __str__(self) -> str:
        return f"{'!' if self.inverted else ''}{self.byte}.{self.bit}"

    def of(self, body: bytes) -> int:
        """Return the bit's value in a body, 0 or 1; a bit beyond its end is 0 on the wire."""
        raw = (body[self.byte] >> self.bit) & 1 if self.byte < len(body) else 0
        return raw ^ self.inverted


#: A number made of bits, least significant first.
Field = tuple[BitRef, ...]


def field_value(bits: Field, body: bytes) -> int:
    """Return the number that the bits of a body spell."""
    return sum(bit.of(body) << i for i, bit in enumerate(bits))


def field_text(bits: Field) -> str:
    """Return a field as text, least significant bit first: `4.0-7 3.0-3 !3.4`."""
    runs: list[list[BitRef]] = []
    for bit in bits:
        last = runs[-1][-1] if runs else None
        if last and (last.byte, last.bit + 1, last.inverted) == (bit.byte, bit.bit, bit.inverted):
            runs[-1].append(bit)
        else:
            runs.append([bit])
    return " ".join(f"{run[0]}-{run[-1].bit}" if len(run) > 1 else str(run[0]) for run in runs)


_RUN = re.compile(r"(!?)(\d{1,4})\.([0-7])(?:-([0-7]))?")


def field_from_text(text: str) -> Field:
    """Return the field that `field_text` wrote.

    Raises
    ------
    ValueError : a word is no bit address
    """
    bits: list[BitRef] = []
    for word in text.split():
        run = _RUN.fullmatch(word)
        if not run or (run.group(4) and int(run.group(4)) < int(run.group(3))):
            raise ValueError(f"'{word}' is no bit address")
        last = int(run.group(4) or run.group(3))
        bits += [BitRef(int(run.group(2)), bit, bool(run.group(1))) for bit in range(int(run.group(3)), last + 1)]
    return tuple(bits)


@dataclass(frozen=True)
class Lamp:
    """Something that is lit or dark: a segment, a point, a sign, a flag.

    Parameters
    ----------
    bits : every bit that could be it; one where it is settled; none where it was never seen to change
    rest : with no bits, whether it was lit whenever labels saw it; it may differ as soon as a watched bit moves
    lit, dark : labels that saw it so
    """

    bits: tuple[BitRef, ...] = ()
    rest: bool = False
    lit: int = field(default=0, compare=False)
    dark: int = field(default=0, compare=False)

    @property
    def settled(self) -> bool:
        """Whether exactly one bit is left."""
        return len(self.bits) == 1

    def of(self, body: bytes, moved: bool) -> bool | None:
        """Return whether it is lit; None where the bits left disagree or its bit is not known and one moved."""
        if not self.bits:
            return None if moved else self.rest
        values = {bit.of(body) for bit in self.bits}
        return bool(values.pop()) if len(values) == 1 else None


@dataclass(frozen=True)
class Table:
    """A code and what it stood for; a code that is not listed was never seen.

    Parameters
    ----------
    bits : the code, least significant bit first; no bits: the one entry 0 holds always
    entries : code -> meaning
    seen : code -> labels that saw it
    otherwise : meaning of every code that is not listed; None where such a code is not known
    """

    bits: Field
    entries: Mapping[int, str]
    seen: Mapping[int, int] = field(default_factory=dict, compare=False)
    otherwise: str | None = None

    def of(self, body: bytes) -> str | None:
        """Return the meaning of the code in a body; None where it is not known."""
        return self.entries.get(field_value(self.bits, body), self.otherwise)


DigitsKind = Literal["segments", "text", "bcd", "integer", "float", "table"]
SignForm = Literal["none", "twos complement"]
#: Leading zeros: as the digits come; filled up to the display's width (006.8); one before the point (0.8); none (.8).
Zeros = Literal["as sent", "shown", "suppressed", "bare"]
Rounding = Literal["nearest", "half even", "toward zero"]


@dataclass(frozen=True)
class Segments:
    """Digits as lamps: `places[i][s]` is segment s (a to g) of the i-th place from the left."""

    places: tuple[tuple[Lamp, ...], ...]


@dataclass(frozen=True)
class Codes:
    """Digits as codes, one table a place from the left; `kind` says by which rule the tables were filled.

    A space in a table is a blank place. With `kind` text the places are characters of the display's text, sign and
    point among them.
    """

    kind: Literal["text", "bcd", "table"]
    places: tuple[Table, ...]


@dataclass(frozen=True)
class Integer:
    """A binary number: the display's count = (bits as number, less `offset`) * multiply / divide.

    `decimals`: the number is in units of 10**-decimals whatever the point, and the count is rounded to the point; None
    where the count is the number itself. `fixed` lists bits above the highest place value that labels saw change (they
    read 0 at rest, through `inverted`); the number is not covered when one of them moves.
    """

    bits: Field
    sign: SignForm = "none"
    offset: int = 0
    multiply: int = 1
    divide: int = 1
    decimals: int | None = None
    rounding: Rounding = "nearest"
    fixed: Field = ()


@dataclass(frozen=True)
class Float:
    """An IEEE 754 binary32 number times 10**`scale`; `scales` by unit where the scale depends on it.

    `unsettled` lists places in `bits` of which labels have not shown whether they count inverted (under a mask).
    `no_number` is the text shown for a NaN or an infinity, empty where no label saw one.
    """

    bits: Field
    scale: int = 0
    scales: Mapping[str, int] = field(default_factory=dict)
    rounding: Rounding = "nearest"
    unsettled: tuple[int, ...] = ()
    no_number: str = ""


Digits = Segments | Codes | Integer | Float


@dataclass(frozen=True)
class Point:
    """Where the decimal point stands, as digits after it; every alternative must agree.

    Parameters
    ----------
    lamps : digits after the point -> the lamp that shows it (none lit: no point)
    tables : codes; an entry is the number of digits after the point
    """

    lamps: Mapping[int, Lamp] = field(default_factory=dict)
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True)
class DisplayMap:
    """One way in which bits make the display.

    Parameters
    ----------
    digits : what makes the digits
    point : where the point stands; no lamp and no table: the text carries it, or there is none
    minus : the lamp of the minus sign; None where the digits carry the sign
    zeros : how leading zeros are shown, every way that labels leave possible
    width : places of the display
    states : codes for a display that shows no number; an entry is the text shown, "#" stands for a number
    cost : description length in bits, for people
    """

    digits: Digits
    point: Point = field(default_factory=Point)
    minus: Lamp | None = None
    zeros: tuple[Zeros, ...] = ("as sent",)
    width: int = 0
    states: tuple[Table, ...] = ()
    cost: float = field(default=0.0, compare=False)

    @property
    def kind(self) -> DigitsKind:
        """The family's name, as in the contract."""
        match self.digits:
            case Segments():
                return "segments"
            case Codes(kind=kind):
                return kind
            case Integer():
                return "integer"
            case Float():
                return "float"


@dataclass(frozen=True)
class UnitSigns:
    """A unit as lamps: one prefix and one base sign, or one sign for the whole.

    `prefixes` and `bases` map a sign's text to its lamp. `none_seen`: labels saw a display without any unit.
    """

    prefixes: Mapping[str, Lamp]
    bases: Mapping[str, Lamp]
    none_seen: bool = False


UnitMap = Table | UnitSigns


@dataclass(frozen=True)
class ReadingMap:
    """How a frame's body makes a reading.

    Parameters
    ----------
    displays : alternatives, the simplest first; a display is certain only where all agree
    units : alternatives, likewise
    flags : word -> its lamp, or a table whose entries are "on" and "off"
    watch : bits that no label saw change, each 0 at rest (`inverted` where the wire rests at 1)
    lengths : lengths of the bodies that labels saw; empty: any
    words : texts that are no numbers: as the digits spell them (`0L`) -> as labels wrote them (`OL`)
    separator : a byte at which the body is split into fields before it is read, -1 for none
    slots : with a separator, bytes kept of each field, padded with zeros
    """

    displays: tuple[DisplayMap, ...]
    units: tuple[UnitMap, ...] = ()
    flags: Mapping[str, Lamp | Table] = field(default_factory=dict)
    watch: Field = ()
    lengths: tuple[int, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)
    separator: int = -1
    slots: tuple[int, ...] = ()

    @property
    def kind(self) -> DigitsKind:
        """The family of the best alternative."""
        return self.displays[0].kind

    @property
    def places(self) -> int:
        """Places of the display."""
        return self.displays[0].width


def glyph_of(pattern: int) -> str | None:
    """Return the character that a pattern of segments shows, None for a shape that is none."""
    return _BY_PATTERN.get(pattern)


def _by_pattern(order: Iterable[str]) -> dict[int, str]:
    found: dict[int, str] = {}
    for character in order:
        for shape in (GLYPHS[character], *GLYPH_VARIANTS.get(character, ())):
            found.setdefault(shape, character)
    return found


# Digits come first: 0x7C is a 6 before it is a b.
_BY_PATTERN = _by_pattern(sorted(GLYPHS, key=lambda c: (not c.isdigit() and c not in " -", c)))
