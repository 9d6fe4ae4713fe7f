"""C99 for what a body shows: the emitted twin of `mapping.shown`, only with what one map needs.

A display in parts is `struct shown`: sign (0, '-' or '?'), digits, digits after the point (-1 unknown), or a text.
Texts that mean overload are marked when they are made.
"""

from __future__ import annotations

from tapwright.board.c_parts import Parts, Sizes
from tapwright.board.c_text import string
from tapwright.board.mask_maps import mask_maps
from tapwright.core.instrument import Instrument
from tapwright.core.reading_map import Codes, DisplayMap, Float, Integer, Lamp, Segments, Table, UnitSigns
from tapwright.mapping.shown import is_overload, tells_overload

_ROUND = {
    "nearest": "rest >= divide - rest", "toward zero": "0",
    "half even": "rest > divide - rest || (rest == divide - rest && (whole & 1))",
}


def functions(instrument: Instrument, parts: Parts, sizes: Sizes) -> list[str]:
    """Return all functions of the display, unit and flags, and `reading_decode`."""
    reading_map = instrument.reading_map
    every = reading_map.displays
    lines = [f"enum {{ PLACES = {sizes.places} }};", "enum { NUMBER, TEXT, OVERLOAD };", "",
             "struct shown {", "    char sign;", "    signed char decimals;", "    uint8_t kind;",
             "    char digits[READING_DISPLAY];", "};", ""]
    lines += _SAY
    joins = len(every) > 1 or any(len(one.zeros) > 1 for one in every) \
        or any(isinstance(one.digits, Float) and one.digits.unsettled for one in every)
    if joins:
        lines += _JOIN
    lines += _zeros(every)
    if any(isinstance(one.digits, Segments | Codes) for one in every):
        lines += _word(instrument)
    if any(isinstance(one.digits, Segments | Codes) and one.kind != "text" for one in every):
        lines += _OF_PLACES
    if parts.needs_glyphs:
        lines += _glyph(parts)
    if any(isinstance(one.digits, Integer | Float) for one in every):
        lines += _COUNT
    for rounding in sorted({one.digits.rounding for one in every if isinstance(one.digits, Float)}):
        lines += _scaled(rounding)
    for number, display in enumerate(every):
        lines += _display(number, display, parts, reading_map.separator)
    lines += _text_out()
    lines += _units(instrument, parts)
    lines += _flags(instrument, parts)
    return lines + _decode(instrument, parts)


_SAY = [
    "static void say(struct shown *s, const char *text, unsigned kind)", "{", "    s->sign = 0;", "    s->decimals = 0;",
    "    s->kind = (uint8_t)kind;", "    strcpy(s->digits, text);", "}", "",
]

_JOIN = [
    "/* Keeps in a what both agree on. */", "static void join(struct shown *a, const struct shown *b)", "{",
    "    size_t m = strlen(a->digits), n = strlen(b->digits);",
    "    if (a->kind != b->kind || a->decimals != b->decimals || (a->kind && strcmp(a->digits, b->digits))) {",
    '        say(a, "\\077", TEXT);', "        return;", "    }", "    if (a->kind)", "        return;",
    "    if (a->sign != b->sign)", "        a->sign = '\\077';", "    if (m < n) {",
    "        memmove(a->digits + (n - m), a->digits, m + 1);", "        memset(a->digits, ' ', n - m);", "        m = n;",
    "    }", "    for (size_t i = 0; i < m; i++)",
    "        if (a->digits[i] != (i + n < m ? ' ' : b->digits[i + n - m]))", "            a->digits[i] = '\\077';", "}", "",
]

_COUNT = [
    "/* Shows a count, its sign as the display shows it; ways is how leading zeros may stand. */",
    "static void of_count(struct shown *s, uint64_t count, int negative, int lamp, unsigned width, unsigned ways)", "{",
    "    char text[24], *at = text + sizeof text;", "    unsigned n = 0;", "    uint64_t rest = count;",
    "    if (lamp && negative) {", '        say(s, "\\077", TEXT);', "        return;", "    }",
    "    if (!lamp)", "        s->sign = negative ? count ? '-' : '\\077' : 0;",
    "    else if (s->sign == '-' && !count)", "        s->sign = '\\077';", "    *--at = 0;", "    do {",
    "        *--at = (char)('0' + rest % 10u);", "        n++;", "    } while (rest /= 10u);",
    "    if (width && n > width) {", '        say(s, "\\077", TEXT);', "        return;", "    }",
    "    with_zeros(s, at, width, ways);", "}", "",
]


def _ways(display: DisplayMap) -> int:
    return sum(1 << ("as sent", "shown", "suppressed", "bare").index(zeros) for zeros in display.zeros)


def _zeros(every: tuple[DisplayMap, ...]) -> list[str]:
    """Return `with_zeros(s, digits, width, ways)`: a number with its leading zeros, joined over the ways left."""
    ways = 0
    for display in every:
        ways |= _ways(display)
    several = any(len(display.zeros) > 1 for display in every)
    head = ["static void with_zeros(struct shown *s, const char *digits, unsigned width, unsigned ways)", "{"]
    if ways == 1:
        return [*head, "    (void)width;", "    (void)ways;", "    s->kind = NUMBER;", "    strcpy(s->digits, digits);", "}",
                ""]
    one = ["static void filled(struct shown *s, const char *digits, unsigned width, unsigned way)", "{",
           "    unsigned least, n;", "    s->kind = NUMBER;"]
    if ways & 1:
        one += ["    if (way == 1) {", "        strcpy(s->digits, digits);", "        return;", "    }"]
    one += ["    while (*digits == '0')", "        digits++;", "    n = (unsigned)strlen(digits);",
            "    least = way == 2 ? width : (unsigned)s->decimals + (way == 4);", "    if (!least)", "        least = way != 2;",
            "    least = n < least ? least - n : 0;", "    memset(s->digits, '0', least);",
            "    strcpy(s->digits + least, digits);", "}", ""]
    lines = [*one, *head, "    if (s->decimals < 0) {", "        s->kind = NUMBER;", "        strcpy(s->digits, digits);",
             "        return;", "    }"]
    if not several:
        return [*lines, "    filled(s, digits, width, ways);", "}", ""]
    return [*lines, "    struct shown other;", "    unsigned way = ways & (0u - ways);", "    filled(s, digits, width, way);",
            "    while (ways &= ways - 1) {", "        other = *s;", "        other.sign = s->sign;",
            "        filled(&other, digits, width, ways & (0u - ways));", "        join(s, &other);", "        if (s->kind)",
            "            return;", "    }", "}", ""]


def _word(instrument: Instrument) -> list[str]:
    """Return `word(s, t)`: a display that shows no number, as labels wrote it, else the overload sign or dashes."""
    lines = ["static void word(struct shown *s, char *t)", "{", "    unsigned dashes = 0, odd = 0, letters = 0, dots[3] = {0};"]
    for text, known in instrument.reading_map.words.items():
        kind = "OVERLOAD" if is_overload(known) else "TEXT"
        lines += [f"    if (!strcmp(t, {string(text)})) {{", f"        say(s, {string(known)}, {kind});", "        return;", "    }"]
    return [
        *lines,
        "    for (char *c = t; *c; c++) {", "        if (*c == '-') {", "            dashes++;",
        "            odd |= letters | dots[0];", "        } else if (*c == '.') {", "            dots[letters]++;",
        "        } else if ((letters == 0 && (*c == 'O' || *c == '0')) || (letters == 1 && *c == 'L')) {",
        "            letters++;", "        } else {", "            odd = 1;", "            break;", "        }", "    }",
        "    /* One dash, one point before, two inside, one behind at most: the overload sign. */",
        "    if (letters == 2 && !odd && dashes < 2 && dots[0] < 2 && dots[1] < 3 && dots[2] < 2) {",
        "        for (char *c = t; *c; c++)", "            if (*c == '0')", "                *c = 'O';",
        "        say(s, t, OVERLOAD);", "    } else if (odd || letters || dots[0] || !dashes) {",
        '        say(s, "\\077", TEXT);', "    } else {", "        say(s, t, TEXT);", "    }", "}", "",
    ]


# of_places(s, p, points, segments, width, ways): a display from the characters of its places.
_OF_PLACES = [
        "static void of_places(struct shown *s, const char *p, int points, int segments, unsigned width, unsigned ways)",
        "{", "    char t[READING_DISPLAY];", "    unsigned n = 0, size = (unsigned)strlen(p), odd = 0, loose = 0;",
        "    const char *d = p;", "    char sign = s->sign;", "    while (*d == ' ')", "        d++;", "    if (!*d) {",
        "        if (s->sign || (points && s->decimals))", '            say(s, "\\077", TEXT);', "        else",
        '            say(s, "", TEXT);', "        return;", "    }",
        "    if (segments && !s->sign && *d == '-' && d[1]) {", "        sign = '-';", "        while (*++d == ' ')",
        "            ;", "    }", "    for (const char *c = d; *c; c++) {", "        loose |= *c == '\\077';",
        "        odd |= *c != '\\077' && (*c < '0' || *c > '9');", "    }", "    if (!odd) {",
        "        s->sign = sign;", "        with_zeros(s, d, width, ways);", "        return;", "    }",
        "    if (loose || s->sign == '\\077' || s->decimals < 0) {", '        say(s, "\\077", TEXT);', "        return;", "    }",
        "    if (s->sign)", "        t[n++] = s->sign;", "    for (unsigned i = 0; i < size; i++) {",
        "        if (points && s->decimals && i + (unsigned)s->decimals == size)", "            t[n++] = '.';",
        "        if (p[i] != ' ')", "            t[n++] = p[i];", "    }", "    t[n] = 0;", "    word(s, t);", "}", "",
    ]


def _glyph(parts: Parts) -> list[str]:
    """Return `glyph(f, first)`: the character that seven lamps show, `?` where more than one is left."""
    find = ["static char shape(unsigned pattern)", "{", "    for (unsigned i = 0; i < sizeof glyphs; i += 2)",
            "        if (glyphs[i] == pattern)", "            return (char)glyphs[i + 1];", "    return '\\077';", "}", "",
            "static char glyph(const struct frame *f, unsigned first)", "{", "    unsigned known = 0;"]
    if not parts.loose:
        return [*find, "    for (unsigned i = 0; i < 7; i++)", "        known |= lamp(f, first + i) << i;",
                "    return shape(known);", "}", ""]
    return [*find, "    unsigned open = 0, some;", "    char found;", "    for (unsigned i = 0; i < 7; i++) {",
            "        unsigned lit = lamp(f, first + i);", "        known |= (lit & 1) << i;", "        open |= (lit >> 1) << i;",
            "    }", "    found = shape(known);", "    for (some = open; some; some = (some - 1) & open)",
            "        if (shape(known | some) != found)", "            return '\\077';", "    return found;", "}", ""]


def _display(number: int, display: DisplayMap, parts: Parts, separator: int) -> list[str]:
    tables: list[str] = []
    for i, table in enumerate(display.states):
        tables += parts.table_switch(table, f"state{number}_{i}")
    for i, table in enumerate(display.point.tables):
        tables += parts.table_switch(table, f"point{number}_{i}", kind="number")
    digits = display.digits
    codes: dict[tuple[object, ...], str] = {}
    if isinstance(digits, Codes):
        for table in digits.places:
            tables += _code(table, codes, parts, number)
    lines = [*tables, f"static void display{number}(const struct frame *f, const char *unit, struct shown *s)", "{",
             "    (void)unit;"]
    if display.states:
        lines += [f"    const char *state = state{number}_0(f);"]
        lines += [f"    {{\n        const char *other = state{number}_{i}(f);\n        if (!state || !other "
                  "|| strcmp(state, other))\n            state = 0;\n    }" for i in range(1, len(display.states))]
        lines += ["    if (!state) {", '        say(s, "\\077", TEXT);', "        return;", "    }"]
        every = [t for table in display.states for t in (*table.entries.values(), *([table.otherwise] if table.otherwise
                                                                                  is not None else []))]
        loud = sorted({text for text in every if text != "#" and is_overload(text)})
        kind = " || ".join(f"!strcmp(state, {string(text)})" for text in loud) or "0"
        lines += ['    if (strcmp(state, "#")) {', f"        say(s, state, {kind} ? OVERLOAD : TEXT);", "        return;", "    }"]
    if not tells_overload(display):
        lines += ["    if (f->moved) {", '        say(s, "\\077", TEXT);', "        return;", "    }"]
    lines += _point(number, display, parts)
    if display.minus is not None:
        minus = f"lamp(f, {parts.lamp(display.minus)})"
        lines += [f"    s->sign = \"\\0-\\077\"[{minus}];"]
    else:
        lines += ["    s->sign = 0;"]
    ways, points, sign_lamp = _ways(display), int(bool(display.point.lamps)), int(display.minus is not None)
    match digits:
        case Segments(places=places):
            n, first = len(places), parts.places_first[number]
            lines += [f"    char p[{n + 1}];", f"    for (unsigned i = 0; i < {n}; i++)",
                      f"        p[i] = glyph(f, {first} + 7 * i);", f"    p[{n}] = 0;",
                      f"    of_places(s, p, {points}, 1, {display.width}u, {ways}u);"]
        case Codes(kind=kind, places=code_places):
            n = len(code_places)
            lines += _sign_of_text(display, separator)
            lines += [f"    char p[{n + 1}];"]
            for i, table in enumerate(code_places):
                name, field = codes[_key(table)], parts.field(table.bits)
                lines.append(f"    p[{i}] = (char){name}({field});")
            lines.append(f"    p[{n}] = 0;")
            if kind == "text":
                lines += _of_text(n, display, ways)
            else:
                lines.append(f"    of_places(s, p, {points}, 0, {display.width}u, {ways}u);")
        case Integer() as whole:
            lines += _integer(whole, display, parts, sign_lamp, ways)
        case Float() as real:
            lines += _float(real, display, parts, sign_lamp, ways)
    return [*lines, "}", ""]


def _key(table: Table) -> tuple[object, ...]:
    return (len(table.bits), tuple(sorted(table.entries.items())), table.otherwise)


def _code(table: Table, codes: dict[tuple[object, ...], str], parts: Parts, number: int) -> list[str]:
    """Return a function from code to character for a place, unless one with the same entries is there."""
    key = _key(table)
    if key in codes:
        return []
    name = codes[key] = f"code{number}_{len(codes)}"
    entries = {code: entry for code, entry in table.entries.items() if code < 1 << max(len(table.bits), 0)}
    lines = [f"static int {name}(uint32_t code)", "{"]
    runs: list[list[int]] = []
    for code in sorted(entries):
        # Codes that run along with their characters (0x30 to 0x39 and `0` to `9`) become one comparison.
        if runs and code == runs[-1][1] + 1 and len(entries[code]) == 1 \
                and ord(entries[code]) - code == ord(entries[runs[-1][0]]) - runs[-1][0]:
            runs[-1][1] = code
        else:
            runs.append([code, code])
    for low, high in runs:
        entry = entries[low] or "?"
        if high > low:
            lines += [f"    if ({f'code >= {low}u && ' if low else ''}code <= {high}u)",
                      f"        return (int)(code + {ord(entry) - low & 0xFFFFFFFF}u);"]
        else:
            lines += [f"    if (code == {low}u)", f"        return {ord(entry)};"]
    otherwise = table.otherwise or "?"
    if not any(True for _ in runs):
        lines.append("    (void)code;")
    return [*lines, f"    return {ord(otherwise)};", "}", ""]


def _point(number: int, display: DisplayMap, parts: Parts) -> list[str]:
    lamps, tables = display.point.lamps, display.point.tables
    if not lamps and not tables:
        return ["    s->decimals = 0;"]
    lines = ["    int decimals = 0;"]
    if lamps:
        lines += ["    unsigned lit = 0, loose = 0, state;"]
        for after, lamp in lamps.items():
            lines += [f"    state = lamp(f, {parts.lamp(lamp)});", "    loose |= state >> 1;", "    if (state == 1) {",
                      "        lit++;", f"        decimals = {after};", "    }"]
        lines += ["    if (lit > 1 || (!lit && loose))", "        decimals = -1;"]
    else:
        lines += [f"    decimals = point{number}_0(f);"]
    for i in range(0 if lamps else 1, len(tables)):
        lines += [f"    if (point{number}_{i}(f) != decimals)", "        decimals = -1;"]
    return [*lines, "    s->decimals = (signed char)decimals;"]


def _of_text(n: int, display: DisplayMap, ways: int) -> list[str]:
    own_point = bool(display.point.lamps or display.point.tables)
    sign_lamp = display.minus is not None and bool(display.minus.bits)
    lines = [f"    char t[{n + 2}];", "    unsigned k = 1, points = 0, part = 0, odd = 0;", "    char *d;",
             f"    for (unsigned i = 0; i < {n}; i++) {{", "        char c = p[i] == ',' ? '.' : p[i];",
             "        if (c == '\\077') {", '            say(s, "\\077", TEXT);', "            return;", "        }",
             "        if (c && c != ' ' && c != '+')", "            t[k++] = c;", "    }", "    t[k] = 0;", "    if (k == 1) {",
             '        say(s, "", TEXT);', "        return;", "    }", "    d = t + 1 + (t[1] == '-');",
             "    if (!*d)", "        odd = 1;", "    for (char *c = d; *c; c++) {", "        if (*c == '.' && !points) {",
             "            points = 1;", "        } else {", "            part += points;",
             "            odd |= *c < '0' || *c > '9';", "        }", "    }",
             "    if (k - (unsigned)(d - t) == points)", "        odd = 1;",
             "    if (odd) {", "        char *whole = t + 1;", "        if (s->sign)", "            *--whole = s->sign;",
             "        word(s, whole);", "        return;", "    }"]
    if sign_lamp:
        lines += ["    if (d != t + 1) {", '        say(s, "\\077", TEXT);', "        return;", "    }"]
    else:
        lines += ["    if (d != t + 1)", "        s->sign = '-';"]
    lines += ["    for (char *c = d; *c; c++)", "        if (*c == '.') {", "            memmove(c, c + 1, strlen(c));",
              "            break;", "        }"]
    if own_point:
        lines += ["    if (part) {", '        say(s, "\\077", TEXT);', "        return;", "    }"]
    else:
        lines += ["    s->decimals = (signed char)part;"]
    return [*lines, f"    with_zeros(s, d, {display.width}u, {ways}u);"]


def _sign_of_text(display: DisplayMap, separator: int) -> list[str]:
    """Return what a moved bit leaves of a text: nothing of split fields, no sign where places count inverted."""
    assert isinstance(display.digits, Codes)
    if display.digits.kind != "text":
        return []
    if separator >= 0:
        return ["    if (f->moved) {", '        say(s, "\\077", TEXT);', "        return;", "    }"]
    if any(bit.inverted for place in display.digits.places for bit in place.bits):
        return ["    if (f->moved && !s->sign)", "        s->sign = '\\077';"]
    return []


def _power(base: str) -> str:
    return f"for (int k = {base}; k > 0; k--)"


def _integer(whole: Integer, display: DisplayMap, parts: Parts, sign_lamp: int, ways: int) -> list[str]:
    lines: list[str] = []
    if whole.fixed:
        lines += [f"    if ({parts.field(whole.fixed) if len(whole.fixed) <= 32 else _any(whole, parts)}) {{",
                  '        say(s, "\\077", TEXT);', "        return;", "    }"]
    lines += [f"    int64_t value = (int64_t){parts.field(whole.bits)};"]
    if whole.sign == "twos complement":
        n = len(whole.bits)
        lines += [f"    if (value >> {n - 1} & 1)", f"        value -= (int64_t)1 << {n};"]
    if whole.offset:
        lines += [f"    value -= {whole.offset};"]
    lines += [f"    uint64_t count = (uint64_t)(value < 0 ? -value : value) * {whole.multiply}u;"]
    divides = whole.divide != 1
    if whole.decimals is not None:
        divides = True
        lines += ["    if (s->decimals < 0) {", '        say(s, "\\077", TEXT);', "        return;", "    }",
                  f"    uint64_t divide = {whole.divide}u;",
                  f"    {_power(f's->decimals - {whole.decimals}')}", "        count *= 10u;",
                  f"    {_power(f'{whole.decimals} - s->decimals')}", "        divide *= 10u;"]
    elif divides:
        lines += [f"    uint64_t divide = {whole.divide}u;"]
    if divides:
        lines += ["    uint64_t whole = count / divide, rest = count % divide;",
                  f"    count = whole + ({_ROUND[whole.rounding]});"]
    return [*lines, f"    of_count(s, count, value < 0, {sign_lamp}, {display.width}u, {ways}u);"]


def _any(whole: Integer, parts: Parts) -> str:
    chunks = [whole.fixed[i:i + 32] for i in range(0, len(whole.fixed), 32)]
    return " | ".join(parts.field(chunk) for chunk in chunks)


def _float(real: Float, display: DisplayMap, parts: Parts, sign_lamp: int, ways: int) -> list[str]:
    lines = [f"    uint32_t raw = {parts.field(real.bits)};", f"    int scale = {real.scale};"]
    if real.scales:
        lines += ["    int fits = 0;"]
        for unit, scale in real.scales.items():
            lines += [f"    if (!strcmp(unit, {string(unit)})) {{", f"        scale = {scale};", "        fits = 1;", "    }"]
        lines += ["    if (!fits) {", '        say(s, "\\077", TEXT);', "        return;", "    }"]
    loose = sum(1 << place for place in real.unsettled)
    none = f"say(s, {string(real.no_number or '?')}, {'OVERLOAD' if is_overload(real.no_number) else 'TEXT'})"
    lines += [f"    raw &= ~0x{loose:08X}u;"] if loose else []
    lines += ["    struct shown begun = *s;"] if loose else []
    body = ["    uint64_t count = 0;", "    if ((raw >> 23 & 255u) == 255u)", f"        {none};",
            f"    else if (s->decimals < 0 || !{_scaled_name(real.rounding)}(raw, s->decimals + scale, &count))", '        say(s, "\\077", TEXT);',
            f"    else\n        of_count(s, count, raw >> 31 & 1u, {sign_lamp}, {display.width}u, {ways}u);"]
    if not loose:
        return [*lines, *body]
    second = ["    {", "        struct shown first = *s;", "        *s = begun;", f"        raw |= 0x{loose:08X}u;",
              *("    " + line.replace("\n", "\n    ") for line in body[1:]), "        join(&first, s);", "        *s = first;",
              "    }"]
    return [*lines, *body, *second]


def _scaled_name(rounding: str) -> str:
    return "scaled_" + rounding.replace(" ", "_")


def _scaled(rounding: str) -> list[str]:
    """Return `scaled(raw, power, &count)`: a binary32 in units of 10**-power, by integers; 0 where it is too great."""
    return [
        f"static int {_scaled_name(rounding)}(uint32_t raw, int power, uint64_t *count)", "{",
        "    uint64_t top = raw & 0x7FFFFFu, divide = 1, whole, rest;", "    int shift = (int)(raw >> 23 & 255u);",
        "    if (shift)", "        top |= 0x800000u;", "    else", "        shift = 1;", "    shift -= 150;",
        "    if (shift > 26)", "        return 0;", "    if (shift > 0)", "        top <<= shift;",
        "    if (top > 1000000000000000u)", "        return 0;", "    while (power > 0) {",
        "        if (top > UINT64_MAX / 10u) {", "            if (shift >= 0)", "                return 0;",
        "            /* Far more digits than a display has: halve until there is room, or say that it is too great. */",
        "            return 0;", "        }", "        top *= 10u;", "        power--;", "    }",
        "    while (power < 0 && divide <= UINT64_MAX / 10u) {", "        divide *= 10u;", "        power++;", "    }",
        "    while (shift < 0 && divide <= UINT64_MAX / 2u) {", "        divide *= 2u;", "        shift++;", "    }",
        "    if (shift < 0 || power < 0) {", "        /* Beyond 2^63 parts: nothing of it shows. */", "        *count = 0;",
        "        return 1;", "    }", "    whole = top / divide;", "    rest = top % divide;",
        f"    *count = whole + ({_ROUND[rounding]});", "    return 1;", "}", "",
    ]


def _text_out() -> list[str]:
    return [
        "static void put_display(const struct shown *s, char *out)", "{", "    size_t n = strlen(s->digits), cut;",
        "    if (s->kind) {", "        strcpy(out, s->digits);", "        return;", "    }",
        "    if (s->decimals < 0 || !n || n < (size_t)s->decimals) {", '        strcpy(out, "\\077");', "        return;", "    }",
        "    cut = n - (size_t)s->decimals;", "    if (s->sign)", "        *out++ = s->sign;",
        "    memcpy(out, s->digits, cut);", "    if (s->decimals)", "        out[cut++] = '.';",
        "    strcpy(out + cut, s->digits + n - s->decimals);", "}", "",
    ]


def _units(instrument: Instrument, parts: Parts) -> list[str]:
    lines: list[str] = []
    units = instrument.reading_map.units
    for number, unit in enumerate(units):
        if isinstance(unit, UnitSigns):
            lines += _signs(number, unit, parts)
        else:
            lines += parts.table_switch(unit, f"unit_text{number}")
            lines += [f"static int unit{number}(const struct frame *f, char *out)", "{",
                      f"    const char *text = unit_text{number}(f);", "    if (!text)", "        return 0;",
                      "    strcpy(out, text);", "    return 1;", "}", ""]
    return lines


def _signs(number: int, unit: UnitSigns, parts: Parts) -> list[str]:
    groups = [signs for signs in (unit.prefixes, unit.bases) if signs]
    lines = [f"static int unit{number}(const struct frame *f, char *out)", "{", "    const char *prefix = \"\", *base = \"\";",
             "    unsigned lit, state;", "    (void)f;"] if groups else \
        [f"static int unit{number}(const struct frame *f, char *out)", "{", '    const char *prefix = "", *base = "";',
         "    (void)f;"]
    for name, signs in (("prefix", unit.prefixes), ("base", unit.bases)):
        if not signs:
            continue
        lines.append("    lit = 0;")
        numbers = [parts.lamp(lamp) for lamp in signs.values()]
        texts = ", ".join(string(text) for text in signs)
        lines += ["    {", f"        static const char *const texts[] = {{{texts}}};",
                  f"        for (unsigned i = 0; i < {len(signs)}u; i++) {{", f"            state = lamp(f, {numbers[0]}u + i);",
                  "            if (state > 1 || (state && lit++))", "                return 0;", "            if (state)",
                  f"                {name} = texts[i];", "        }", "    }"]
    none = "return !*prefix" if unit.none_seen else "return 0"
    return [*lines, "    if (!*base) {", "        *out = 0;", f"        {none};", "    }", "    strcpy(out, prefix);",
            "    strcat(out, base);", "    return 1;", "}", ""]


def _flags(instrument: Instrument, parts: Parts) -> list[str]:
    lines: list[str] = []
    for number, flag in enumerate(instrument.reading_map.flags.values()):
        if isinstance(flag, Table):
            lines += parts.table_switch(flag, f"flag{number}")
    return lines


def _put_flags(instrument: Instrument, parts: Parts) -> list[str]:
    flags = instrument.reading_map.flags
    lines = ["    more = f.moved;"]
    lamps = [flag for flag in flags.values() if isinstance(flag, Lamp)]
    names = ", ".join(string(f"{name} ") for name in flags)
    if lamps and len(lamps) == len(flags):
        first = parts.lamp(lamps[0])
        return [*lines, "    {", f"        static const char *const names[] = {{{names}}};",
                f"        for (unsigned i = 0; i < {len(flags)}u; i++) {{",
                f"            unsigned lit = lamp(&f, {first}u + i);", "            if (lit == 1)",
                "                strcat(out->flags, names[i]);", "            more |= lit >> 1;", "        }", "    }"]
    for number, (name, flag) in enumerate(flags.items()):
        if isinstance(flag, Lamp):
            lines += ["    {", f"        unsigned lit = lamp(&f, {parts.lamp(flag)}u);", "        if (lit == 1)",
                      f"            strcat(out->flags, {string(name + ' ')});", "        more |= lit >> 1;", "    }"]
        else:
            lines += ["    {", f"        const char *state = flag{number}(&f);", '        if (state && !strcmp(state, "on"))',
                      f"            strcat(out->flags, {string(name + ' ')});", "        more |= !state;", "    }"]
    return lines


def _decode(instrument: Instrument, parts: Parts) -> list[str]:
    reading_map = instrument.reading_map
    maps = mask_maps(instrument.mask)
    checked = instrument.layout is not None and any(one.checks for one in (instrument.layout,
                                                                           *instrument.layout.variants))
    loose = maps is not None and not maps.all_known
    nothing = ["static void nothing(struct reading *out)", "{", "    out->display[0] = out->unit[0] = out->flags[0] = '\\077';",
             "    out->status = READING_UNPROVEN;", "}", ""]
    lines = [*(nothing if loose or reading_map.lengths else []),
             "void reading_decode(const uint8_t *frame, size_t size, struct reading *out)", "{", "    struct frame f = {0};",
             "    struct shown s;", "    unsigned more, unknown = 0;", "    size_t n;", "    memset(out, 0, sizeof *out);",
             "    f.data = frame;", "    f.size = (unsigned)size;", "    if (!size) {", "        out->status = READING_BROKEN;",
             "        return;", "    }"]
    if loose:
        lines += ["    if (!settled(&f)) {", "        nothing(out);", "        return;", "    }"]
    if checked:
        lines += ["    if (!holds(&f)) {", "        out->status = READING_BAD_CHECK;", "        return;", "    }"]
    lines += ["    f.body = BODY(f.size);"]
    if reading_map.lengths:
        test = " && ".join(f"f.body != {length}u" for length in reading_map.lengths)
        lines += [f"    if ({test}) {{", "        nothing(out);", "        return;", "    }"]
    lines += _moved(parts)
    lines += _put_unit(instrument)
    lines += ["    display0(&f, out->unit, &s);"]
    for number in range(1, len(reading_map.displays)):
        lines += ["    {", "        struct shown other;", f"        display{number}(&f, out->unit, &other);",
                  "        join(&s, &other);", "    }"]
    lines += ["    put_display(&s, out->display);", *_put_flags(instrument, parts),
              "    n = strlen(out->flags);", "    if (more)", "        out->flags[n] = '\\077';", "    else if (n)",
              "        out->flags[n - 1] = 0;",
              "    if (more || unknown || strchr(out->display, '\\077'))", "        out->status = READING_UNPROVEN;",
              "    else if (!out->display[0])", "        out->status = READING_BLANK;", "    else if (s.kind == OVERLOAD)",
              "        out->status = READING_OVERLOAD;", "}", ""]
    return lines


def _moved(parts: Parts) -> list[str]:
    if not parts.watch:
        return []
    flat = ", ".join(f"{{{byte}, 0x{mask:02X}, 0x{rest:02X}}}" for byte, mask, rest in parts.watch)
    kind = "uint8_t" if all(byte < 256 for byte, _, _ in parts.watch) else "uint16_t"
    return ["    {", f"        static const {kind} watch[][3] = {{{flat}}};",
            f"        for (unsigned i = 0; i < {len(parts.watch)}u; i++)",
            "            f.moved |= ((at(&f, watch[i][0]) ^ watch[i][2]) & watch[i][1]) != 0;", "    }"]


def _put_unit(instrument: Instrument) -> list[str]:
    count = len(instrument.reading_map.units)
    terms = "f.moved" if not count else "f.moved || !unit0(&f, out->unit)"
    lines = [f"    unknown = {terms};"]
    for number in range(1, count):
        lines += ["    if (!unknown) {", "        char other[READING_UNIT];",
                  f"        unknown = !unit{number}(&f, other) || strcmp(other, out->unit) != 0;", "    }"]
    return [*lines, "    if (unknown)", '        memcpy(out->unit, "\\077", 2);']
