"""C99 for displays in parts, so that alternatives and ways of leading zeros can be compared part by part.

`struct shown` is sign (0, '-' or '?'), digits, digits after the point (-1 unknown), or a text with its status: the emitted
twin of `mapping.shown`, only with what one map needs.
"""

from __future__ import annotations

from tapwright.board import c_digits, c_places
from tapwright.board.c_bits import Bits
from tapwright.board.c_text import filled, string
from tapwright.board.c_units import Units
from tapwright.core.reading_map import Codes, DisplayMap, Float, Integer, ReadingMap, Segments


def display(reading_map: ReadingMap, bits: Bits, units: Units) -> list[str]:
    """Return `display(b, out, moved, unit)`, which writes the text and returns its status, and what it calls."""
    every = reading_map.displays
    kinds = [type(one.digits) for one in every]
    lines = _SHOWN.splitlines()
    if len(every) > 1 or any(len(one.zeros) > 1 for one in every) \
            or any(isinstance(one.digits, Float) and one.digits.unsettled for one in every):
        lines += _JOIN.splitlines()
    lines += _zeros(every)
    if Segments in kinds or Codes in kinds:
        lines += _word(reading_map)
    if any(isinstance(one.digits, Segments | Codes) and one.kind != "text" for one in every):
        lines += _OF_PLACES.splitlines()
    if Integer in kinds or Float in kinds:
        lines += _COUNT.splitlines()
    lines += c_digits.functions(reading_map, bits, units)
    others = "".join(filled(_OTHER, I=str(i)) for i in range(1, len(every)))
    return lines + filled(_DISPLAY, OTHERS=others).splitlines()


def _zeros(every: tuple[DisplayMap, ...]) -> list[str]:
    """Return `with_zeros(s, digits, width, ways)`: a number with its leading zeros, joined over the ways left."""
    found = 0
    for one in every:
        found |= c_digits.ways(one)
    if found == 1:
        return _AS_SENT.splitlines()
    sent = "    if (way == 1) {\n        strcpy(s->digits, digits);\n        return;\n    }\n" if found & 1 else ""
    several = any(len(one.zeros) > 1 for one in every)
    return filled(_FILLED, SENT=sent, WAYS=_SEVERAL_WAYS if several else "    filled(s, digits, width, ways);\n").splitlines()


def _word(reading_map: ReadingMap) -> list[str]:
    """Return `word(s, t)`: a display that shows no number, as labels wrote it, else the overload sign or dashes."""
    known = "".join(
        f"    if (!strcmp(t, {string(text)})) {{\n        say(s, {string(shown)}, {c_places.status_of(shown)});\n        return;\n    }}\n"
        for text, shown in reading_map.words.items() if shown != c_places.by_rule(text))
    return filled(_WORD, KNOWN=known).splitlines()


_SHOWN = """\
enum { NUMBER = 255 };

struct shown {
    char sign;
    signed char decimals;
    uint8_t status; /* NUMBER, or that of a text, which then stands in digits */
    char digits[READING_DISPLAY];
};

static void say(struct shown *s, const char *text, unsigned status)
{
    s->sign = 0;
    s->decimals = 0;
    s->status = (uint8_t)status;
    strcpy(s->digits, text);
}

static void unknown(struct shown *s)
{
    say(s, "\\077", READING_UNPROVEN);
}

static unsigned put(const struct shown *s, char *out)
{
    unsigned n = (unsigned)strlen(s->digits);
    char *o = out;
    if (s->status != NUMBER) {
        strcpy(out, s->digits);
        return s->status;
    }
    if (s->decimals < 0 || !n || n < (unsigned)s->decimals)
        return READING_UNPROVEN;
    if (s->sign)
        *o++ = s->sign;
    for (const char *d = s->digits; n; n--) {
        if (n == (unsigned)s->decimals)
            *o++ = '.';
        *o++ = *d++;
    }
    *o = 0;
    return strchr(out, '\\077') ? READING_UNPROVEN : READING_OK;
}

"""
_JOIN = """\
/* Keeps in a what both agree on. */
static void join(struct shown *a, const struct shown *b)
{
    size_t m = strlen(a->digits), n = strlen(b->digits);
    if (a->status != b->status || a->decimals != b->decimals || (a->status != NUMBER && strcmp(a->digits, b->digits))) {
        unknown(a);
        return;
    }
    if (a->status != NUMBER)
        return;
    if (a->sign != b->sign)
        a->sign = '\\077';
    if (m < n) {
        memmove(a->digits + (n - m), a->digits, m + 1);
        memset(a->digits, ' ', n - m);
        m = n;
    }
    for (size_t i = 0; i < m; i++)
        if (a->digits[i] != (i + n < m ? ' ' : b->digits[i + n - m]))
            a->digits[i] = '\\077';
}

"""
_AS_SENT = """\
static void with_zeros(struct shown *s, const char *digits, unsigned width, unsigned ways)
{
    (void)width;
    (void)ways;
    s->status = NUMBER;
    strcpy(s->digits, digits);
}

"""
_FILLED = """\
static void filled(struct shown *s, const char *digits, unsigned width, unsigned way)
{
    unsigned least, n;
@SENT@    while (*digits == '0')
        digits++;
    n = (unsigned)strlen(digits);
    least = way == 2 ? width : (unsigned)s->decimals + (way == 4);
    if (!least)
        least = way != 2;
    least = n < least ? least - n : 0;
    memset(s->digits, '0', least);
    strcpy(s->digits + least, digits);
}

static void with_zeros(struct shown *s, const char *digits, unsigned width, unsigned ways)
{
    s->status = NUMBER;
    if (s->decimals < 0) {
        strcpy(s->digits, digits);
        return;
    }
@WAYS@}

"""
_SEVERAL_WAYS = """\
    struct shown other;
    filled(s, digits, width, ways & (0u - ways));
    while (ways &= ways - 1) {
        other = *s;
        filled(&other, digits, width, ways & (0u - ways));
        join(s, &other);
        if (s->status != NUMBER)
            return;
    }
"""
_WORD = """\
static void word(struct shown *s, char *t)
{
    unsigned dashes = 0, odd = 0, letters = 0, dots[3] = {0};
@KNOWN@    for (char *c = t; *c; c++) {
        if (*c == '-') {
            dashes++;
            odd |= letters | dots[0];
        } else if (*c == '.') {
            dots[letters]++;
        } else if ((letters == 0 && (*c == 'O' || *c == '0')) || (letters == 1 && *c == 'L')) {
            letters++;
        } else {
            odd = 1;
            break;
        }
    }
    /* One dash, one point before, two inside, one behind at most: the overload sign. */
    if (letters == 2 && !odd && dashes < 2 && dots[0] < 2 && dots[1] < 3 && dots[2] < 2) {
        for (char *c = t; *c; c++)
            if (*c == '0')
                *c = 'O';
        say(s, t, READING_OVERLOAD);
    } else if (odd || letters || dots[0] || !dashes) {
        unknown(s);
    } else {
        say(s, t, READING_OK);
    }
}

"""
_OF_PLACES = """\
/* The display that the characters of its places show; points: whether lamps show the point. */
static void of_places(struct shown *s, const char *p, int points, int segments, unsigned width, unsigned ways)
{
    char t[READING_DISPLAY];
    unsigned n = 0, size = (unsigned)strlen(p), odd = 0, loose = 0;
    const char *d = p;
    char sign = s->sign;
    while (*d == ' ')
        d++;
    if (!*d) {
        if (s->sign || (points && s->decimals))
            unknown(s);
        else
            say(s, "", READING_BLANK);
        return;
    }
    if (segments && !s->sign && *d == '-' && d[1]) {
        sign = '-';
        while (*++d == ' ')
            ;
    }
    for (const char *c = d; *c; c++) {
        loose |= *c == '\\077';
        odd |= *c != '\\077' && (*c < '0' || *c > '9');
    }
    if (!odd) {
        s->sign = sign;
        with_zeros(s, d, width, ways);
        return;
    }
    if (loose || s->sign == '\\077' || s->decimals < 0) {
        unknown(s);
        return;
    }
    if (s->sign)
        t[n++] = s->sign;
    for (unsigned i = 0; i < size; i++) {
        if (points && s->decimals && i + (unsigned)s->decimals == size)
            t[n++] = '.';
        if (p[i] != ' ')
            t[n++] = p[i];
    }
    t[n] = 0;
    word(s, t);
}

"""
_COUNT = """\
/* Shows a count, its sign as the display shows it; ways is how leading zeros may stand. */
static void of_count(struct shown *s, uint64_t count, int negative, int lamp, unsigned width, unsigned ways)
{
    char text[24], *at = text + sizeof text;
    unsigned n = 0;
    uint64_t rest = count;
    if (lamp && negative) {
        unknown(s);
        return;
    }
    if (!lamp)
        s->sign = negative ? count ? '-' : '\\077' : 0;
    else if (s->sign == '-' && !count)
        s->sign = '\\077';
    *--at = 0;
    do {
        *--at = (char)('0' + rest % 10u);
        n++;
    } while (rest /= 10u);
    if (width && n > width) {
        unknown(s);
        return;
    }
    with_zeros(s, at, width, ways);
}

"""
_OTHER = """\
    {
        struct shown other;
        display@I@(b, moved, unit, &other);
        join(&s, &other);
    }
"""
_DISPLAY = """\
/* Writes the display; a lone question mark, which stands there, is left where it is not certain. */
static unsigned display(const uint8_t *b, char *out, unsigned moved, unsigned unit)
{
    struct shown s;
    display0(b, moved, unit, &s);
@OTHERS@    return put(&s, out);
}

"""
