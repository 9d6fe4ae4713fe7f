"""C99 for what makes the digits, one function a display: lamps, codes, integers and floats as displays in parts."""

from __future__ import annotations

from tapwright.board import c_places
from tapwright.board.c_bits import Bits, moved_terms
from tapwright.board.c_text import array, filled, string
from tapwright.board.c_units import Units
from tapwright.board.tables import rest_bytes
from tapwright.core.reading_map import Codes, DisplayMap, Float, Integer, ReadingMap, Segments, Table
from tapwright.mapping.shown import tells_overload

_ROUND = {
    "nearest": "rest >= divide - rest",
    "half even": "rest > divide - rest || (rest == divide - rest && (whole & 1))",
}
_WAYS = ("as sent", "shown", "suppressed", "bare")
_UNKNOWN = ["        unknown(s);", "        return;", "    }"]


def functions(reading_map: ReadingMap, bits: Bits, units: Units) -> list[str]:
    """Return `displayN(b, moved, unit, s)` for every alternative, and what they call."""
    every = reading_map.displays
    lines: list[str] = []
    segments = [one.digits for one in every if isinstance(one.digits, Segments)]
    if segments:
        loose = any(len(lamp.bits) != 1 for digits in segments for place in digits.places for lamp in place)
        lines += c_places.glyphs(reading_map, list(range(7)), loose=loose)
    for rounding in sorted({one.digits.rounding for one in every if isinstance(one.digits, Float)}):
        lines += filled(_SCALED, NAME=_scaled_name(rounding), QUOTIENT="\n".join(_quotient("top", rounding)) + "\n").splitlines()
    codes: dict[tuple[object, ...], str] = {}
    for number, one in enumerate(every):
        lines += _display(number, one, bits, units, codes, reading_map.separator)
    return lines


def ways(one: DisplayMap) -> int:
    """Return the ways in which leading zeros may stand, as bits."""
    return sum(1 << _WAYS.index(zeros) for zeros in one.zeros)


def _display(number: int, one: DisplayMap, bits: Bits, units: Units, codes: dict[tuple[object, ...], str],
             separator: int) -> list[str]:
    """Return the function of one alternative behind those of its codes."""
    before, lines = _states(number, one, bits)
    if not tells_overload(one):
        lines += ["    if (moved) {", *_UNKNOWN]
    for i, table in enumerate(one.point.tables):
        before += _table_number(f"point{number}_{i}", table, bits)
    lines += [*_point(number, one, bits), *_sign(one, bits)]
    rest = f"{one.width}u, {ways(one)}u"
    points, digits = int(bool(one.point.lamps)), one.digits
    match digits:
        case Segments(places=places):
            expression, _, tables = c_places.shape(places, bits, turn=False, name=f"places{number}_at")
            before += tables
            lines += _collected(len(places), [f"    for (unsigned i = {len(places)}; i; i--)",
                                              f"        p[{len(places)} - i] = (char)character({expression});"])
            lines += [f"    of_places(s, p, {points}, 1, {rest});"]
        case Codes(kind=kind, places=tables):
            if kind == "text":
                lines += _sign_of_text(one, separator)
            each = []
            for i, table in enumerate(tables):
                before += _code(table, codes, number)
                each.append(f"    p[{i}] = (char){codes[_key(table)]}({bits.number(table.bits)});")
            lines += _collected(len(tables), each)
            lines += _of_text(len(tables), one) if kind == "text" else [f"    of_places(s, p, {points}, 0, {rest});"]
        case Integer() as whole:
            lines += [*_integer(whole, bits), f"    of_count(s, count, value < 0, {int(one.minus is not None)}, {rest});"]
        case Float() as real:
            lines += _float(real, one, bits, units)
    return [*before, f"static void display{number}(const uint8_t *b, unsigned moved, unsigned unit, struct shown *s)", "{",
            "    (void)b;", "    (void)moved;", "    (void)unit;", *lines, "}", ""]


def _collected(n: int, each: list[str]) -> list[str]:
    return [f"    char p[{n + 1}];", *each, f"    p[{n}] = 0;"]


def _states(number: int, one: DisplayMap, bits: Bits) -> tuple[list[str], list[str]]:
    """Return functions and lines for codes of a display that shows no number: 0 a number, i a text, -1 not known."""
    if not one.states:
        return [], []
    texts = list(dict.fromkeys(
        text for table in one.states for text in (*table.entries.values(), *([] if table.otherwise is None else [table.otherwise]))
        if text != "#"))
    before: list[str] = []
    for i, table in enumerate(one.states):
        numbers = {code: str(0 if text == "#" else 1 + texts.index(text)) for code, text in table.entries.items()}
        otherwise = None if table.otherwise is None else str(0 if table.otherwise == "#" else 1 + texts.index(table.otherwise))
        before += _table_number(f"state{number}_{i}", Table(table.bits, numbers, {}, otherwise), bits)
    lines = [f"    int state = state{number}_0(b);"]
    for i in range(1, len(one.states)):
        lines += [f"    if (state{number}_{i}(b) != state)", "        state = -1;"]
    lines += ["    if (state < 0) {", *_UNKNOWN]
    if texts:
        before += [f"static const char *const texts{number}[] = {{{', '.join(string(text) for text in texts)}}};",
                   *array("uint8_t", f"statuses{number}", [c_places.status_of(text) for text in texts], 6), ""]
        lines += ["    if (state) {", f"        say(s, texts{number}[state - 1], statuses{number}[state - 1]);",
                  "        return;", "    }"]
    return before, lines


def _table_number(name: str, table: Table, bits: Bits) -> list[str]:
    """Return a function that gives the number that a code stands for, -1 where that is not known."""
    lines, otherwise = [f"static int {name}(const uint8_t *b)", "{"], -1 if table.otherwise is None else int(table.otherwise)
    if not table.bits:
        return [*lines, "    (void)b;", f"    return {int(table.entries[0]) if 0 in table.entries else otherwise};", "}", ""]
    groups: dict[int, list[int]] = {}
    for code, entry in sorted(table.entries.items()):
        if code < 1 << len(table.bits) and int(entry) != otherwise:
            groups.setdefault(int(entry), []).append(code)
    if not groups:
        return [*lines, "    (void)b;", f"    return {otherwise};", "}", ""]
    lines.append(f"    switch ({bits.number(table.bits)}) {{")
    for result, codes in groups.items():
        lines += [f"    case {code}u:" for code in codes]
        lines[-1] += f" return {result};"
    return [*lines, f"    default: return {otherwise};", "    }", "}", ""]


def _point(number: int, one: DisplayMap, bits: Bits) -> list[str]:
    """Return the lines that set `s->decimals`; every alternative must agree."""
    lamps, tables = one.point.lamps, one.point.tables
    if not lamps and not tables:
        return ["    s->decimals = 0;"]
    lines = ["    int decimals = 0;"]
    if lamps:
        lines += [f"    uint32_t dots = {bits.lamps(list(lamps.values()))};",
                  f'    static const signed char after[] = {{0, {", ".join(map(str, lamps))}}};',
                  "    unsigned dot = the_one(dots & 0xFFFFu);",
                  f"    decimals = dot > {len(lamps)} || (!dot && dots >> 16) ? -1 : after[dot];"]
    else:
        lines += [f"    decimals = point{number}_0(b);"]
    for i in range(0 if lamps else 1, len(tables)):
        lines += [f"    if (point{number}_{i}(b) != decimals)", "        decimals = -1;"]
    if not all(table.bits for table in tables):
        # It never changed: a bit that never moved before may change it.
        lines += ["    if (moved)", "        decimals = -1;"]
    return [*lines, "    s->decimals = (signed char)decimals;"]


def _sign(one: DisplayMap, bits: Bits) -> list[str]:
    if one.minus is None:
        return ["    s->sign = 0;"]
    if len(one.minus.bits) == 1:
        return [f"    s->sign = {bits.lamps([one.minus])} ? '-' : 0;"]
    return [f"    uint32_t minus = {bits.lamps([one.minus])};", "    s->sign = minus ? minus >> 16 ? '\\077' : '-' : 0;"]


def _key(table: Table) -> tuple[object, ...]:
    return (len(table.bits), tuple(sorted(table.entries.items())), table.otherwise)


def _code(table: Table, codes: dict[tuple[object, ...], str], number: int) -> list[str]:
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
    if not runs:
        lines.append("    (void)code;")
    return [*lines, f"    return {ord(table.otherwise or '?')};", "}", ""]


def _sign_of_text(one: DisplayMap, separator: int) -> list[str]:
    """Return what a moved bit leaves of a text: nothing of split fields, no sign where places count inverted."""
    assert isinstance(one.digits, Codes)
    if separator >= 0:
        return ["    if (moved) {", *_UNKNOWN]
    if any(bit.inverted for place in one.digits.places for bit in place.bits):
        return ["    if (moved && !s->sign)", "        s->sign = '\\077';"]
    return []


def _of_text(n: int, one: DisplayMap) -> list[str]:
    own_point = bool(one.point.lamps or one.point.tables)
    if one.minus is not None and one.minus.bits:
        signed = "    if (d != t + 1) {\n        unknown(s);\n        return;\n    }\n"
    else:
        signed = "    if (d != t + 1)\n        s->sign = '-';\n"
    part = "    if (part) {\n        unknown(s);\n        return;\n    }\n" if own_point \
        else "    s->decimals = (signed char)part;\n"
    return filled(_TEXT, N=str(n), ROOM=str(n + 2), SIGNED=signed, PART=part, WIDTH=str(one.width),
                  WAYS=str(ways(one))).splitlines()


def _integer(whole: Integer, bits: Bits) -> list[str]:
    """Return the lines that set `value` and `count`."""
    lines: list[str] = []
    if whole.fixed:
        lines += [f"    if ({' || '.join(moved_terms(rest_bytes(whole.fixed)))}) {{", *_UNKNOWN]
    lines += [f"    int64_t value = (int64_t){bits.number(whole.bits)};"]
    if whole.sign == "twos complement":
        n = len(whole.bits)
        lines += [f"    if (value >> {n - 1} & 1)", f"        value -= (int64_t)1 << {n};"]
    if whole.offset:
        lines += [f"    value -= {whole.offset};"]
    lines += [f"    uint64_t count = (uint64_t)(value < 0 ? -value : value) * {whole.multiply}u;"]
    if whole.decimals is not None:
        lines += ["    if (s->decimals < 0) {", *_UNKNOWN, f"    uint64_t divide = {whole.divide}u;",
                  f"    for (int k = s->decimals - {whole.decimals}; k > 0; k--)", "        count *= 10u;",
                  f"    for (int k = {whole.decimals} - s->decimals; k > 0; k--)", "        divide *= 10u;"]
    elif whole.divide != 1:
        lines += [f"    uint64_t divide = {whole.divide}u;"]
    if whole.decimals is not None or whole.divide != 1:
        lines += _quotient("count", whole.rounding)
    return lines


def _quotient(name: str, rounding: str) -> list[str]:
    """Return the lines that divide a variable by `divide`, rounded."""
    if rounding == "toward zero":
        return [f"    {name} /= divide;"]
    return [f"    uint64_t whole = {name} / divide, rest = {name} % divide;", f"    {name} = whole + ({_ROUND[rounding]});"]


def _float(real: Float, one: DisplayMap, bits: Bits, units: Units) -> list[str]:
    """Return the lines for a binary32; bits that may count inverted give two readings, joined."""
    lines = [f"    uint32_t raw = {bits.number(real.bits)};", f"    int scale = {real.scale};"]
    if real.scales:
        lines += ["    switch (unit) {"]
        for text, scale in real.scales.items():
            numbers = units.numbers(text)
            lines += [f"    case {number}u:" for number in numbers]
            lines += [f"        scale = {scale};", "        break;"] if numbers else []
        lines += ["    default:", "        unknown(s);", "        return;", "    }"]
    loose = sum(1 << place for place in real.unsettled)
    none = f"say(s, {string(real.no_number)}, {c_places.status_of(real.no_number)})" if real.no_number else "unknown(s)"
    body = filled(_REAL, NONE=none, SCALED=_scaled_name(real.rounding), LAMP=str(int(one.minus is not None)),
                  WIDTH=str(one.width), WAYS=str(ways(one))).splitlines()
    if not loose:
        return [*lines, "    uint64_t count = 0;", *body]
    return [*lines, "    uint64_t count = 0;", "    struct shown first, begun = *s;", f"    raw &= ~0x{loose:08X}u;", *body,
            "    first = *s;", "    *s = begun;", "    count = 0;", f"    raw |= 0x{loose:08X}u;", *body, "    join(&first, s);",
            "    *s = first;"]


def _scaled_name(rounding: str) -> str:
    return "scaled_" + rounding.replace(" ", "_")


_TEXT = """\
    char t[@ROOM@];
    unsigned k = 1, points = 0, part = 0, odd = 0;
    char *d;
    for (unsigned i = 0; i < @N@; i++) {
        char c = p[i] == ',' ? '.' : p[i];
        if (c == '\\077') {
            unknown(s);
            return;
        }
        if (c && c != ' ' && c != '+')
            t[k++] = c;
    }
    t[k] = 0;
    if (k == 1) {
        say(s, "", READING_BLANK);
        return;
    }
    d = t + 1 + (t[1] == '-');
    if (!*d)
        odd = 1;
    for (char *c = d; *c; c++) {
        if (*c == '.' && !points) {
            points = 1;
        } else {
            part += points;
            odd |= *c < '0' || *c > '9';
        }
    }
    if (k - (unsigned)(d - t) == points)
        odd = 1;
    if (odd) {
        char *whole = t + 1;
        if (s->sign)
            *--whole = s->sign;
        word(s, whole);
        return;
    }
@SIGNED@    for (char *c = d; *c; c++)
        if (*c == '.') {
            memmove(c, c + 1, strlen(c));
            break;
        }
@PART@    with_zeros(s, d, @WIDTH@u, @WAYS@u);
"""
_REAL = """\
    if ((raw >> 23 & 255u) == 255u)
        @NONE@;
    else if (s->decimals < 0 || !@SCALED@(raw, s->decimals + scale, &count))
        unknown(s);
    else
        of_count(s, count, raw >> 31 & 1u, @LAMP@, @WIDTH@u, @WAYS@u);
"""
_SCALED = """\
/* A binary32 in units of 10**-power, by integers; 0 where it is too great. */
static int @NAME@(uint32_t raw, int power, uint64_t *count)
{
    uint64_t top = raw & 0x7FFFFFu, divide = 1;
    int shift = (int)(raw >> 23 & 255u);
    if (shift)
        top |= 0x800000u;
    else
        shift = 1;
    shift -= 150;
    if (shift > 26)
        return 0;
    if (shift > 0)
        top <<= shift;
    if (top > 1000000000000000u)
        return 0;
    for (; power > 0; power--) {
        if (top > UINT64_MAX / 10u)
            return 0; /* far more digits than a display has */
        top *= 10u;
    }
    for (; power < 0 && divide <= UINT64_MAX / 10u; power++)
        divide *= 10u;
    for (; shift < 0 && divide <= UINT64_MAX / 2u; shift++)
        divide *= 2u;
    if (shift < 0 || power < 0) {
        *count = 0; /* beyond 2^63 parts: nothing of it shows */
        return 1;
    }
@QUOTIENT@    *count = top;
    return 1;
}

"""
