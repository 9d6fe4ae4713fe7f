"""What one body shows, certain parts and `?`: the scalar reference for arrays and for emitted decoders."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from tapwright.core.reading import Status
from tapwright.core.reading_map import (
    Codes,
    DisplayMap,
    Float,
    Integer,
    Lamp,
    Point,
    ReadingMap,
    Segments,
    Table,
    UnitMap,
    Zeros,
)
from tapwright.mapping.families import float as floats
from tapwright.mapping.families import integer
from tapwright.mapping.memo import MOST_REMEMBERED, Beside, Memo

UNKNOWN = "?"
NUMBER = "#"
_OVERLOAD = re.compile(r"-?\.?[O0]\.?F?\.?L\.?D?|OFL|OVER|OVL|OVLD", re.IGNORECASE)


@dataclass(frozen=True)
class Shown:
    """A display in parts, so that alternatives can be compared part by part.

    Parameters
    ----------
    sign : "-", "" or "?"
    digits : characters of the places, `?` where not known, no leading blanks
    decimals : digits after the point; None where not known
    text : the whole where the display shows no number; None for a number
    word : such a text as the digits spell it, the key of `ReadingMap.words`
    """

    sign: str = ""
    digits: str = ""
    decimals: int | None = 0
    text: str | None = None
    word: str = field(default="", compare=False)

    def display(self) -> str:
        """Return the display as the eye reads it, `?` for what is not known."""
        if self.text is not None:
            return self.text
        if self.decimals is None or not self.digits or len(self.digits) < self.decimals:
            return UNKNOWN
        cut = len(self.digits) - self.decimals
        return self.sign + self.digits[:cut] + ("." + self.digits[cut:] if self.decimals else "")


NOTHING = Shown(text=UNKNOWN)
BLANK = Shown(text="")


@dataclass(frozen=True)
class Row:
    """One body's reading without its time."""

    display: str
    value: Decimal | None
    unit: str
    flags: str
    status: Status


ALL_OPEN = Row(UNKNOWN, None, UNKNOWN, UNKNOWN, Status.UNPROVEN)


def read_row(reading_map: ReadingMap, body: bytes, length: int, memo: Memo | None = None) -> Row:
    """Return what a body shows.

    Parameters
    ----------
    body : as from `mapping.body.map_bodies`
    length : bytes of the body before padding or splitting
    memo : kept between bodies of one map, for speed; None: a new one
    """
    if reading_map.lengths and length not in reading_map.lengths:
        return ALL_OPEN
    memo = memo or Memo(reading_map)
    memo.whole = int.from_bytes(body, "little")
    moved = memo.moved()
    if moved or memo.beside_mask < 0:
        unit = unit_shown(reading_map, body, moved, memo)
        display = displayed(reading_map, body, moved, unit, memo)
        flags = flags_shown(reading_map, body, moved, memo)
    else:
        beside = _beside(reading_map, body, memo)
        unit, flags = beside.unit, beside.flags
        shown = beside.shown or _number(reading_map.displays[0], reading_map, body, False, unit, beside.sign,
                                        beside.decimals, memo)
        display = shown.display()
    if UNKNOWN in display or unit == UNKNOWN or UNKNOWN in flags:
        return Row(display, None, unit, flags, Status.UNPROVEN)
    if not display:
        return Row(display, None, unit, flags, Status.BLANK)
    if display[-1].isdigit():
        return Row(display, Decimal(display), unit, flags, Status.OK)
    if is_overload(display):
        return Row(display, None, unit, flags, Status.OVERLOAD)
    return Row(display, None, unit, flags, Status.OK)


def _beside(reading_map: ReadingMap, body: bytes, memo: Memo) -> Beside:
    key = memo.whole & memo.beside_mask
    found = memo.beside.get(key)
    if found is None:
        display = reading_map.displays[0]
        state = _agreed({memo.of(table, body, False) for table in display.states} or {NUMBER})
        found = memo.beside[key] = Beside(
            unit_shown(reading_map, body, False, memo), flags_shown(reading_map, body, False, memo),
            _sign(display.minus, body, False, memo), _point_of(display.point, body, False, memo),
            None if state == NUMBER else NOTHING if state is None else Shown(text=state))
        if len(memo.beside) > MOST_REMEMBERED:
            memo.beside.clear()
    return found


def displayed(reading_map: ReadingMap, body: bytes, moved: bool, unit: str, memo: Memo) -> str:
    """Return the display, `?` wherever the alternatives do not agree."""
    shown = [_one_display(display, reading_map, body, moved, unit, memo) for display in reading_map.displays]
    return joined(shown).display()


def one_display(display: DisplayMap, reading_map: ReadingMap, body: bytes, moved: bool, unit: str) -> Shown:
    """Return what one alternative says the display shows."""
    memo = Memo(reading_map)
    memo.whole = int.from_bytes(body, "little")
    return _one_display(display, reading_map, body, moved, unit, memo)


def joined(shown: list[Shown]) -> Shown:
    """Return what all alternatives agree on."""
    together = shown[0]
    for other in shown[1:]:
        together = _both(together, other)
    return together


def _both(a: Shown, b: Shown) -> Shown:
    if a == b:
        return a
    if a.text is not None or b.text is not None or a.decimals != b.decimals:
        return NOTHING
    places = max(len(a.digits), len(b.digits))
    pairs = zip(a.digits.rjust(places), b.digits.rjust(places), strict=True)
    return Shown(sign=a.sign if a.sign == b.sign else UNKNOWN, decimals=a.decimals,
                 digits="".join(x if x == y else UNKNOWN for x, y in pairs))


def _one_display(display: DisplayMap, reading_map: ReadingMap, body: bytes, moved: bool, unit: str,
                 memo: Memo) -> Shown:
    state = _agreed({memo.of(table, body, moved) for table in display.states} or {NUMBER})
    if state != NUMBER:
        return NOTHING if state is None else Shown(text=state)
    if moved and not tells_overload(display):
        # A number on the wire may stand behind an overload sign that no label has seen.
        return NOTHING
    decimals = _point_of(display.point, body, moved, memo)
    sign = _sign(display.minus, body, moved, memo)
    return _number(display, reading_map, body, moved, unit, sign, decimals, memo)


def _number(display: DisplayMap, reading_map: ReadingMap, body: bytes, moved: bool, unit: str, sign: str,
            decimals: int | None, memo: Memo) -> Shown:
    digits = display.digits
    if isinstance(digits, Segments):
        places = "".join([memo.of(place, body, moved) for place in digits.places])
        return _of_places(places, sign, decimals, display, reading_map)
    if isinstance(digits, Codes):
        characters = "".join([memo.of(place, body, moved) or UNKNOWN for place in digits.places])
        if digits.kind == "text":
            if moved and reading_map.separator >= 0:
                return NOTHING  # a field may be longer than what is kept of it
            if moved and not sign and any(bit.inverted for place in digits.places for bit in place.bits):
                sign = UNKNOWN  # under a mask a sign further out has no look of its own
            return _of_text(characters, sign, decimals, display, reading_map)
        return _of_places(characters, sign, decimals, display, reading_map)
    if isinstance(digits, Integer):
        return _of_count(integer.read(digits, body, decimals), sign, decimals, display)
    return _of_float(digits, body, unit, sign, decimals, display)


def is_overload(text: str) -> bool:
    """Say whether a display's text means overload."""
    return _OVERLOAD.fullmatch(text) is not None


def tells_overload(display: DisplayMap) -> bool:
    """Say whether the digits spell an overload themselves, or labels have seen how it is sent."""
    if isinstance(display.digits, Segments) or display.kind == "text":
        return True
    if isinstance(display.digits, Float) and display.digits.no_number:
        return True
    return any(is_overload(text) for table in display.states for text in table.entries.values())


def _agreed(found: set[str | None]) -> str | None:
    return found.pop() if len(found) == 1 else None


def _sign(minus: Lamp | None, body: bytes, moved: bool, memo: Memo) -> str:
    if minus is None:
        return ""
    lit = memo.of(minus, body, moved)
    return UNKNOWN if lit is None else "-" if lit else ""


def _point_of(point: Point, body: bytes, moved: bool, memo: Memo) -> int | None:
    """Return the digits after the point, None where not known."""
    found: set[int | None] = set()
    if point.lamps:
        states = {decimals: memo.of(lamp, body, moved) for decimals, lamp in point.lamps.items()}
        lit = [decimals for decimals, state in states.items() if state]
        # A display lights one point at most: with one lit, those not known are dark.
        found.add(lit[0] if len(lit) == 1 else None if lit or None in states.values() else 0)
    for table in point.tables:
        # A point that no label saw elsewhere may be by a bit that no label saw change.
        entry = None if moved and not table.bits else memo.of(table, body, moved)
        found.add(None if entry is None else int(entry))
    return 0 if not found else found.pop() if len(found) == 1 else None


def _of_places(places: str, sign: str, decimals: int | None, display: DisplayMap, reading_map: ReadingMap) -> Shown:
    if not places.strip(" "):
        # A lone sign or point on a dark display is nothing that labels are asked about.
        return BLANK if sign == "" and (decimals == 0 or not display.point.lamps) else NOTHING
    digits, own_sign = places.lstrip(" "), sign
    if not sign and digits[0] == "-" and len(digits) > 1 and isinstance(display.digits, Segments):
        own_sign, digits = "-", digits[1:].lstrip(" ")
    if all(character.isdigit() or character == UNKNOWN for character in digits):
        return _with_zeros(digits, own_sign, decimals, display)
    # No number: a dash in a place stays among the places, or it would be written twice.
    if UNKNOWN in digits + sign or decimals is None:
        return NOTHING
    cut = len(places) - decimals
    shown_point = decimals and display.point.lamps
    text = places[:cut] + "." + places[cut:] if shown_point else places
    return _word(sign + text.replace(" ", ""), reading_map)


def _word(text: str, reading_map: ReadingMap) -> Shown:
    """Return a display that shows no number: as labels wrote it, else the overload sign or dashes."""
    known = reading_map.words.get(text)
    if known is None and is_overload(text) and text.removeprefix("-").replace(".", "") in ("0L", "OL"):
        known = text.replace("0", "O")
    if known is None:
        known = text if not text.strip("-") else UNKNOWN
    return Shown(text=known, word=text)


def _of_text(text: str, sign: str, decimals: int | None, display: DisplayMap, reading_map: ReadingMap) -> Shown:
    if UNKNOWN in text:
        return NOTHING
    bare = re.sub(r"[\0 +]", "", text).replace(",", ".")
    if not bare:
        return BLANK
    unsigned = bare.removeprefix("-")
    whole, _, part = unsigned.partition(".")
    if not (whole + part).isdigit():
        return _word(sign + bare, reading_map)
    if unsigned != bare:
        if display.minus is not None and display.minus.bits:
            return NOTHING
        sign = "-"
    if display.point.lamps or display.point.tables:
        return NOTHING if part else _with_zeros(whole, sign, decimals, display)
    return _with_zeros(whole + part, sign, len(part), display)


def _of_count(number: tuple[int, bool] | None, sign: str, decimals: int | None, display: DisplayMap) -> Shown:
    if number is None:
        return NOTHING
    count, negative = number
    if display.minus is None:
        # Whether a display shows the sign of a nought, no label says.
        sign = "" if not negative else "-" if count else UNKNOWN
    elif negative:
        return NOTHING
    elif sign == "-" and not count:
        sign = UNKNOWN
    if display.width and count >= 10 ** display.width:
        return NOTHING
    return _with_zeros(str(count), sign, decimals, display)


def _of_float(digits: Float, body: bytes, unit: str, sign: str, decimals: int | None, display: DisplayMap) -> Shown:
    scale = digits.scale
    if digits.scales:
        if unit not in digits.scales:
            return NOTHING
        scale = digits.scales[unit]
    shown: list[Shown] = []
    for value in floats.numbers(digits, body):
        if not math.isfinite(value):
            shown.append(Shown(text=digits.no_number) if digits.no_number else NOTHING)
            continue
        number = None if decimals is None else floats.shown(value, decimals, scale, digits.rounding)
        shown.append(_of_count(number, sign, decimals, display))
    return joined(shown)


def _with_zeros(digits: str, sign: str, decimals: int | None, display: DisplayMap) -> Shown:
    """Return a number with its leading zeros as the display shows them, joined over the ways left possible."""
    if decimals is None:
        return Shown(sign=sign, digits=digits, decimals=None)
    return joined([Shown(sign=sign, decimals=decimals, digits=_zeros(digits, zeros, decimals, display.width))
                   for zeros in display.zeros])


def _zeros(digits: str, zeros: Zeros, decimals: int, width: int) -> str:
    if zeros == "as sent":
        return digits
    bare = digits.lstrip("0")
    if zeros == "shown":
        return bare.rjust(width, "0")
    return bare.rjust(max(decimals + (zeros == "suppressed"), 1), "0")


def unit_shown(reading_map: ReadingMap, body: bytes, moved: bool, memo: Memo) -> str:
    """Return the unit, `?` where it is not certain: a bit never seen to change may be a sign of another unit."""
    if moved:
        return UNKNOWN
    found = _agreed({_unit_of(unit, body, memo) for unit in reading_map.units} or {""})
    return UNKNOWN if found is None else found


def _unit_of(unit: UnitMap, body: bytes, memo: Memo) -> str | None:
    """Return what one alternative says the unit is, None where it does not know."""
    if isinstance(unit, Table):
        table: str | None = memo.of(unit, body, False)
        return table
    prefix, base = _lit(unit.prefixes, body, memo), _lit(unit.bases, body, memo)
    if prefix is None or base is None:
        return None
    if not base:
        return "" if unit.none_seen and not prefix else None
    return prefix + base


def _lit(signs: Mapping[str, Lamp], body: bytes, memo: Memo) -> str | None:
    """Return the one sign that is lit, empty for none; None where that is not known."""
    states = {name: memo.of(lamp, body, False) for name, lamp in signs.items()}
    lit = [name for name, state in states.items() if state]
    if None in states.values() or len(lit) > 1:
        return None
    return lit[0] if lit else ""


def flags_shown(reading_map: ReadingMap, body: bytes, moved: bool, memo: Memo) -> str:
    """Return the flags that are on, with a `?` behind them where more may be."""
    on: list[str] = []
    more = moved
    for name, flag in reading_map.flags.items():
        lit = memo.of(flag, body, moved)
        if isinstance(flag, Table) and lit is not None:
            lit = lit == "on"
        if lit:
            on.append(name)
        more |= lit is None
    return " ".join([*on, UNKNOWN] if more else on)
