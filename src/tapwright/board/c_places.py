"""C99 for a display of lamps, written as it is read: one alternative, leading zeros as sent.

Nothing need then be kept in parts for comparing: the places go straight into the text. `c_shown` has the other way.
"""

from __future__ import annotations

from tapwright.board.c_bits import Bits, in_place
from tapwright.board.c_text import array, character, filled, hex_list, string
from tapwright.board.tables import glyph_pairs
from tapwright.core.reading_map import BitRef, DisplayMap, Lamp, ReadingMap, Segments
from tapwright.mapping.shown import is_overload

Place = tuple[Lamp, ...]


def serves(reading_map: ReadingMap) -> bool:
    """Whether this way reads a map's display."""
    if len(reading_map.displays) != 1:
        return False
    one = reading_map.displays[0]
    return (isinstance(one.digits, Segments) and bool(one.digits.places) and one.zeros == ("as sent",)
            and not one.states and not one.point.tables)


def display(reading_map: ReadingMap, bits: Bits) -> list[str]:
    """Return `display(b, out)`, which writes the text and returns its status, and what it calls."""
    one = reading_map.displays[0]
    assert isinstance(one.digits, Segments)
    expression, order, lines = shape(one.digits.places, bits)
    lines += glyphs(reading_map, order, loose=any(len(lamp.bits) != 1 for place in one.digits.places for lamp in place))
    minus_loose = one.minus is not None and len(one.minus.bits) != 1
    text = filled(
        _DISPLAY, N=str(len(one.digits.places)), INITS=_point(one, bits) + _sign(one, bits), PLACE=f"character({expression})",
        WORDS=words(reading_map), MOVED=", unsigned moved" if bits.restful else "", POINT=", point" if one.point.lamps else "",
        SHORT=" || i <= point" if one.point.lamps else "", SURE=" && odd == 4" if minus_loose else "",
        DOT="        if (i == point)\n            *o++ = '.';\n" if one.point.lamps else "",
        LIT="    uint32_t lit;\n" if minus_loose else "", USED="    (void)moved;\n" if bits.restful else "")
    return lines + text.splitlines()


def _point(one: DisplayMap, bits: Bits) -> str:
    lamps = one.point.lamps
    if not lamps:
        return ""
    order = sorted(lamps)
    expression = bits.lamps([lamps[decimals] for decimals in order])
    if any(len(lamp.bits) != 1 for lamp in lamps.values()):
        # With one lit, those not known are dark.
        lines = [f"point = {expression};", "if (!(point & 0xFFFFu) && point >> 16)", "    return READING_UNPROVEN;",
                 "point = the_one(point & 0xFFFFu);"]
    else:
        lines = [f"point = the_one({expression});"]
    lines += [f"if (point > {len(order)})", "    return READING_UNPROVEN;"]
    if order != list(range(1, len(order) + 1)):
        lines.append(f'point = (uint8_t)"{"".join(f"{chr(92)}{decimals:03o}" for decimals in (0, *order))}"[point];')
    return "".join(f"    {line}\n" for line in lines)


def _sign(one: DisplayMap, bits: Bits) -> str:
    if one.minus is None:
        return ""
    expression = bits.lamps([one.minus])
    if len(one.minus.bits) == 1:
        return f"    if ({expression})\n        *o++ = '-';\n"
    return (f"    lit = {expression};\n    if (lit)\n        *o++ = lit >> 16 ? '\\077' : '-';\n"
            "    if (lit >> 16)\n        odd = READING_UNPROVEN;\n")


def shape(places: tuple[Place, ...], bits: Bits, *, turn: bool = True,
          name: str = "places_at") -> tuple[str, list[int], list[str]]:
    """Return the expression of place i, counted down from n on the left to 1, with the segment that each of its bits is.

    Places that repeat at a stride are read by the addresses of one; the lines returned hold what else they need.
    `turn`: whether the bits may come in another order than the segments a to g; `name` of the array of addresses.
    """
    n, order, stride = len(places), list(range(7)), _stride(places)
    if stride is None:
        firsts = [bits.lamps_at(place) for place in places]
        moved = bits.moved
        if firsts == list(range(firsts[0], firsts[0] + 7 * n, 7)):
            return f"bits(b, {firsts[0] + 7 * n} - 7 * i, 7{moved})", order, []
        return f"bits(b, {name}[i - 1], 7{moved})", order, [*array("uint16_t", name, firsts[::-1]), ""]
    first = places[0] if stride > 0 else places[-1]
    step = f"{abs(stride)} * " if abs(stride) > 1 else ""
    if turn:
        order.sort(key=lambda k: (first[k].bits[0].byte, first[k].bits[0].bit))
    at = first[order[0]].bits[0].byte
    there = in_place(tuple(first[k].bits[0] for k in order),
                     f"{at + n * stride} - {step}i" if stride > 0 else f"{at + stride} + {step}i")
    if there:
        return there, order, []
    offset = f"{step}({n} - i)" if stride > 0 else f"{step}(i - 1)"
    return bits.lamps(first).replace("bits(b", f"bits(b + {offset}"), list(range(7)), []


def _stride(places: tuple[Place, ...]) -> int | None:
    """Return the bytes from place to place at which all segments' bits repeat; None where they do not."""
    if any(len(lamp.bits) != 1 for place in places for lamp in place):
        return None
    if len(places) == 1:
        return 1
    stride = places[1][0].bits[0].byte - places[0][0].bits[0].byte
    for i, place in enumerate(places):
        for lamp, first in zip(place, places[0], strict=True):
            bit = first.bits[0]
            if lamp.bits[0] != BitRef(bit.byte + i * stride, bit.bit, bit.inverted):
                return None
    return stride or None


def glyphs(reading_map: ReadingMap, order: list[int], *, loose: bool) -> list[str]:
    """Return `character(lit)`: what a place shows, `?` for a shape that is no character.

    Letters that only make a text that is none stand together as x, unless a shape may be two of them.
    """
    wanted = {*"0123456789 -L", *"".join(reading_map.words)}
    pairs = [(sum((pattern >> segment & 1) << i for i, segment in enumerate(order)), sign) for pattern, sign in glyph_pairs()]
    pairs.sort(key=lambda pair: (not pair[1].isdigit(), pair[1], pair[0]))
    known = [pair for pair in pairs if loose or pair[1] in wanted]
    others = [pair for pair in pairs if pair not in known]
    text = [character(sign) for _, sign in known]
    lines = [*array("uint8_t", "shapes", hex_list(pattern for pattern, _ in known + others)),
             *array("char", "characters", text, 20), ""]
    sign = "(uint8_t)characters[i]"
    lines += filled(_CHARACTER, NAME="shape" if loose else "character", APART="" if loose else "APART ",
                    SIGN=f"i < sizeof characters ? {sign} : 'x'" if others else sign).splitlines()
    return lines + (_LOOSE.splitlines() if loose else [])


def words(reading_map: ReadingMap) -> str:
    """Return the look-up of texts that no rule makes of what the places spell."""
    lines: list[str] = []
    for text, known in reading_map.words.items():
        if known == by_rule(text):
            continue
        copy = "" if known == text else f"            strcpy(out, {string(known)});\n"
        lines.append(f"        if (!strcmp(out, {string(text)})) {{\n{copy}            return {status_of(known)};\n        }}\n")
    return "".join(lines)


def by_rule(text: str) -> str:
    """Return what a text that is no number is shown as where labels say nothing."""
    if is_overload(text) and text.removeprefix("-").replace(".", "") in ("0L", "OL"):
        return text.replace("0", "O")
    return text if not text.strip("-") else "?"


def status_of(text: str) -> str:
    """Return the status of a reading that shows a text."""
    kind = "UNPROVEN" if "?" in text else "BLANK" if not text else "OVERLOAD" if is_overload(text) else "OK"
    return f"READING_{kind}"


_CHARACTER = """\
@APART@static unsigned @NAME@(uint32_t lit)
{
    for (unsigned i = 0; i < sizeof shapes; i++)
        if (shapes[i] == lit)
            return @SIGN@;
    return '\\077';
}

"""
_LOOSE = """\
static unsigned character(uint32_t lit)
{
    uint32_t known = lit & 127u, open = lit >> 16, some;
    unsigned found = shape(known);
    for (some = open; some; some = (some - 1) & open)
        if (shape(known | some) != found)
            return '\\077';
    return found;
}

"""
_DISPLAY = """\
/* Writes the display; a lone question mark, which stands there, is left where it is not certain. */
static unsigned display(const uint8_t *b, char *out@MOVED@)
{
    uint32_t spelt = 0;
    unsigned odd = 0, i@POINT@; /* odd: UNPROVEN for a place that is not known, 4 for no number */
    char *o = out, *d;
@LIT@@USED@@INITS@    for (i = @N@; i; i--) {
        unsigned c = @PLACE@;
@DOT@        if (c == ' ') {
            if (spelt@SHORT@)
                odd |= 4;
            continue;
        }
        *o = (char)c;
        o++;
        if (o == out + 1 && c == '-' && i != 1)
            continue; /* a sign */
        spelt = spelt << 8 | c;
        if (c == '\\077')
            odd |= READING_UNPROVEN;
        else if (c - '0' > 9)
            odd |= 4;
    }
    if (spelt && odd < 4)
        return odd;
    if (spelt@SURE@) {
@WORDS@        for (d = out; *d == '-'; d++)
            ;
        if (!*d)
            return READING_OK;
        /* 0L, its point anywhere; a second dash would be spelt. */
        if (spelt == 0x304C) {
            d[*d == '.'] = 'O';
            return READING_OVERLOAD;
        }
    }
    if (o == out) {
        *o = 0;
        return READING_BLANK;
    }
    out[0] = '\\077';
    out[1] = 0;
    return READING_UNPROVEN;
}

"""
