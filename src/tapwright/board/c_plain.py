"""C99 for the plain case: one display of segment lamps, one bit a lamp, frames of one length.

Most instruments are like that. Nothing can then be half known but a moved bit, so the display is written straight into
its place; what remains is near a decoder written by hand. Rows are those of `c_display`, frame by frame.
"""

from __future__ import annotations

from tapwright.board import c_checks
from tapwright.board.c_frame import wire
from tapwright.board.c_parts import Parts
from tapwright.board.c_text import array, character, filled, hex_list, string
from tapwright.board.mask_maps import mask_maps
from tapwright.board.tables import glyph_pairs
from tapwright.core.instrument import Instrument
from tapwright.core.reading_map import DisplayMap, Lamp, Segments, UnitSigns
from tapwright.mapping.body import check_bytes, layout_for, tail_and_holes
from tapwright.mapping.shown import is_overload

_MOST_BYTES = 32  # an address is byte << 3 | bit in 8 bits


def is_plain(instrument: Instrument) -> bool:
    """Whether the plain decoder reads this instrument's frames."""
    reading_map, layout = instrument.reading_map, instrument.layout
    if layout is None or layout.length != "fixed" or layout.variants or len(reading_map.displays) != 1:
        return False
    display, maps = reading_map.displays[0], mask_maps(instrument.mask)
    if not isinstance(display.digits, Segments) or display.zeros != ("as sent",) or display.states:
        return False
    if display.point.tables or 0 in display.point.lamps or not display.digits.places:
        return False
    lamps = _lamps(instrument, display)
    names = [*reading_map.flags, *_unit_names(instrument)]
    return (all(isinstance(lamp, Lamp) and len(lamp.bits) == 1 and not lamp.bits[0].inverted for lamp in lamps)
            and all(names) and len(reading_map.units) == 1 and isinstance(reading_map.units[0], UnitSigns)
            and (maps is None or maps.all_known) and reading_map.separator < 0
            and layout.n_bytes <= _MOST_BYTES and _one_size(instrument))


def _lamps(instrument: Instrument, display: DisplayMap) -> list[object]:
    assert isinstance(display.digits, Segments)
    lamps: list[object] = [lamp for place in display.digits.places for lamp in place]
    lamps += [*([display.minus] if display.minus is not None else []), *display.point.lamps.values()]
    for unit in instrument.reading_map.units:
        if isinstance(unit, UnitSigns):
            lamps += [*unit.prefixes.values(), *unit.bases.values()]
    return [*lamps, *instrument.reading_map.flags.values()]


def _unit_names(instrument: Instrument) -> list[str]:
    return [name for unit in instrument.reading_map.units if isinstance(unit, UnitSigns)
            for name in (*unit.prefixes, *unit.bases)]


def _one_size(instrument: Instrument) -> bool:
    """Whether frames of one size alone pass: then no byte need be looked for beyond a frame's end."""
    layout = instrument.layout
    assert layout is not None
    fits = []
    for n in range(1, 1025):
        tail, holes = tail_and_holes(layout_for(layout, n), n)
        too_short = any(at >= n for check in layout.checks
                        for at in (check.first, check.last, check.at + check_bytes(check) - 1 if check.at >= 0 else 0))
        if n - tail in instrument.reading_map.lengths and not too_short:
            fits.append((n, bool(holes)))
    return fits == [(layout.n_bytes, False)]


def source(instrument: Instrument) -> list[str]:
    """Return the whole decoder behind its head."""
    reading_map, layout = instrument.reading_map, instrument.layout
    assert layout is not None
    display = reading_map.displays[0]
    assert isinstance(display.digits, Segments)
    parts = Parts(reading_map)
    bits = [lamp.bits[0].byte << 3 | lamp.bits[0].bit for lamp in _lamps(instrument, display) if isinstance(lamp, Lamp)]
    pairs = [part for pattern, sign in glyph_pairs() for part in (f"0x{pattern:02X}", character(sign))]
    n, points = len(display.digits.places), display.point.lamps
    first_point = 7 * n + (display.minus is not None)
    text = _FRAME + "\n".join(wire(mask_maps(instrument.mask))) + "\n"
    text += "\n".join([*array("uint8_t", "lamp_bits", hex_list(bits)), *array("uint8_t", "glyphs", pairs, 16), ""])
    text += _LAMP
    text += filled(_DISPLAY, N=str(n), POINTS=filled(_POINTS, AFTER=", ".join(map(str, points)), N=str(len(points)),
                                                     FIRST=str(first_point)) if points else "",
                   SIGN=f"lamp(f, {7 * n})" if display.minus is not None else "0", WORDS=_words(instrument))
    lines = text.splitlines()
    lines += c_checks.checks(instrument, framed=False)
    first_unit = first_point + len(points)
    lines += _decode(instrument, parts, first_unit).splitlines()
    fits = " && ".join([*(f"WIRE(&f, {layout.n_bytes - len(layout.end) + i}) == 0x{byte:02X}u"
                          for i, byte in enumerate(layout.end)), *(["holds(&f)"] if layout.checks else [])]) or "1"
    start = "".join(filled(_START, I=str(i), BYTE=f"0x{byte:02X}u") for i, byte in enumerate(layout.start))
    return lines + filled(_FRAMER, START=start, FITS=fits).splitlines()


def _words(instrument: Instrument) -> str:
    """Return the look-up of texts that no rule makes of what the digits spell."""
    return "".join(
        filled(_WORD, FROM=string(text), TO=string(known), OVERLOAD=str(int(is_overload(known))))
        for text, known in instrument.reading_map.words.items() if known != _by_rule(text))


def _by_rule(text: str) -> str:
    if is_overload(text) and text.removeprefix("-").replace(".", "") == "0L":
        return text.replace("0", "O")
    return text if not text.strip("-") else "?"


def _decode(instrument: Instrument, parts: Parts, first_unit: int) -> str:
    reading_map, layout = instrument.reading_map, instrument.layout
    assert layout is not None
    unit = reading_map.units[0]
    assert isinstance(unit, UnitSigns)
    prefixes, bases, flags = len(unit.prefixes), len(unit.bases), list(reading_map.flags)
    lit = []
    if prefixes:
        lit.append(f"prefixes = lit(&f, {first_unit}, {_names(unit.prefixes)}, out->unit, 1);")
    lit.append(f"bases = lit(&f, {first_unit + prefixes}, {_names(unit.bases)}, out->unit, 1);" if bases else "bases = 0;")
    wrong = ["f.moved", "bases > 1", *(["prefixes > 1"] if prefixes else []),
             ("(!bases && prefixes)" if prefixes else "") if unit.none_seen else "!bases"]
    moved = ""
    if parts.watch:
        rows = ", ".join(f"{{{byte}, 0x{mask:02X}, 0x{rest:02X}}}" for byte, mask, rest in parts.watch)
        moved = filled(_WATCH, ROWS=rows, N=str(len(parts.watch)))
    return (_LIT if bases or prefixes or flags else "") + filled(
        _DECODE, CHECK=_CHECK if layout.checks else "", N=str(layout.n_bytes), MOVED=moved,
        UNIT="\n    ".join(lit), PREFIXES=" prefixes," if prefixes else "", WRONG=" || ".join(term for term in wrong if term),
        FLAGS=f"    n = lit(&f, {first_unit + prefixes + bases}, {_names([f'{name} ' for name in flags])}, out->flags, 255);\n"
        if flags else "    n = 0;\n")


def _names(names: object) -> str:
    assert isinstance(names, dict | list)
    # Octal escapes of three digits: a name that begins with a digit does not run into the end before it.
    return " ".join(string(name)[:-1] + '\\000"' for name in names)


_FRAME = """\
struct frame {
    const uint8_t *data;
    unsigned size;
    uint8_t moved;
};

"""
_LAMP = """
static unsigned lamp(const struct frame *f, unsigned i)
{
    unsigned at = lamp_bits[i];
    return WIRE(f, at >> 3) >> (at & 7) & 1u;
}

"""
_POINTS = """\
    static const uint8_t after[] = {@AFTER@};
    for (i = 0; i < @N@; i++)
        if (lamp(f, @FIRST@ + i))
            decimals = decimals ? -1 : after[i];
"""
_WORD = """\
        if (!strcmp(out, @FROM@)) {
            strcpy(out, @TO@);
            return @OVERLOAD@;
        }
"""
_DISPLAY = """\
/* Writes the display; returns whether it is an overload sign. */
static int display(const struct frame *f, char *out)
{
    char p[@N@ + 1], *o = out, *d;
    unsigned i, k, shape, sign = @SIGN@, odd = 0;
    int decimals = 0;
@POINTS@    for (i = 0; i < @N@; i++) {
        for (k = 7, shape = 0; k--;)
            shape = shape << 1 | lamp(f, 7 * i + k);
        for (k = 0; k < sizeof glyphs && glyphs[k] != shape;)
            k += 2;
        p[i] = k < sizeof glyphs ? (char)glyphs[k + 1] : '\\077';
    }
    p[@N@] = 0;
    for (d = p; *d == ' ';)
        d++;
    if (!*d && !sign && !decimals)
        return 0;
    if (!sign && *d == '-' && d[1])
        while (*++d == ' ')
            ;
    for (o = d; *o; o++)
        odd |= *o == '\\077' ? 2 : *o < '0' || *o > '9';
    o = out;
    if (decimals < 0 || odd > 2 || (odd & 1 ? 0 : p + @N@ - d < decimals + !decimals)) {
        *o = '\\077';
        return 0;
    }
    if (sign)
        *o++ = '-';
    for (d = p; *d; d++) {
        if (decimals && p + @N@ - d == decimals)
            *o++ = '.';
        if (*d != ' ')
            *o++ = *d;
    }
    if (odd & 1) {
        uint32_t said = 0;
@WORDS@        for (d = out; *d == '-';)
            d++;
        for (o = d; *o; o++)
            said = said << 8 | (uint32_t)(unsigned char)*o;
        if (!said)
            return 0;
        /* 0L behind one dash at most, its point anywhere. */
        if (d - out < 2 && (said == 0x304C || said == 0x302E4C || said == 0x304C2E || said == 0x2E304C)) {
            d[*d == '.'] = 'O';
            return 1;
        }
        memcpy(out, "\\077", 2);
    }
    return 0;
}

"""
_LIT = """\
/* Appends the names whose lamps are lit; returns how many. */
static unsigned lit(const struct frame *f, unsigned first, const char *names, char *out, unsigned most)
{
    unsigned n = 0;
    for (; *names; names += strlen(names) + 1)
        if (lamp(f, first++)) {
            if (n++ == most)
                break;
            strcat(out, names);
        }
    return n;
}

"""
_CHECK = """\
    if (!holds(&f)) {
        out->status = READING_BAD_CHECK;
        return;
    }
"""
_WATCH = """\
    static const uint8_t watch[][3] = {@ROWS@};
    for (n = 0; n < @N@; n++)
        f.moved |= (WIRE(&f, watch[n][0]) ^ watch[n][2]) & watch[n][1];
"""
_DECODE = """\
void reading_decode(const uint8_t *frame, size_t size, struct reading *out)
{
    struct frame f = {0};
    unsigned bases,@PREFIXES@ n;
    int loud;
    memset(out, 0, sizeof *out);
    f.data = frame;
    f.size = (unsigned)size;
    if (!size) {
        out->status = READING_BROKEN;
        return;
    }
@CHECK@    if (size != @N@) {
        out->display[0] = out->unit[0] = out->flags[0] = '\\077';
        out->status = READING_UNPROVEN;
        return;
    }
@MOVED@    loud = display(&f, out->display);
    @UNIT@
    if (@WRONG@)
        memcpy(out->unit, "\\077", 2);
@FLAGS@    if (f.moved)
        out->flags[strlen(out->flags)] = '\\077';
    else if (n)
        out->flags[strlen(out->flags) - 1] = 0;
    if (f.moved || out->unit[0] == '\\077' || strchr(out->display, '\\077'))
        out->status = READING_UNPROVEN;
    else if (!out->display[0])
        out->status = READING_BLANK;
    else
        out->status = (uint8_t)loud;
}

"""
_START = """\
    if (n > @I@u && WIRE(&f, @I@) != @BYTE@)
        return 0;
"""
_FRAMER = """\
static int fits(const uint8_t *bytes, unsigned n)
{
    struct frame f = {0};
    f.data = bytes;
    f.size = n;
@START@    return n < READING_FRAME || (@FITS@);
}

void reading_start(struct reading_framer *framer)
{
    framer->size = 0;
}

size_t reading_push(struct reading_framer *framer, uint8_t byte)
{
    unsigned n = framer->size;
    framer->bytes[n++] = byte;
    while (n && !fits(framer->bytes, n))
        memmove(framer->bytes, framer->bytes + 1, --n);
    framer->size = (uint16_t)(n < READING_FRAME ? n : 0);
    return n < READING_FRAME ? 0 : n;
}

size_t reading_gap(struct reading_framer *framer)
{
    reading_start(framer);
    return 0;
}
"""
