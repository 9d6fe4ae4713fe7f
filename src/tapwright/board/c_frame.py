"""C99 for one frame: its bytes (unmasked, without the check), bits, and frames out of bytes as they arrive."""

from __future__ import annotations

from tapwright.board.c_parts import Parts
from tapwright.board.c_text import array, filled, hex_list
from tapwright.board.mask_maps import MaskMaps, mask_maps
from tapwright.core.frame import Check, FrameLayout
from tapwright.core.instrument import Instrument

_WIDTHS = {"sum16": 2, "crc16": 2, "crc32": 4, "fletcher16": 2}
MOST_BODY = 1024


def check_size(check: Check) -> int:
    """Return the bytes that a check takes in the frame."""
    return _WIDTHS.get(check.kind, 1) * (2 if check.encoding == "hex" else 1)


def forms(layout: FrameLayout | None) -> tuple[FrameLayout, ...]:
    """Return a layout and its variants."""
    return () if layout is None else (layout, *layout.variants)


def accessors(instrument: Instrument) -> list[str]:
    """Return the frame, its bytes, its body and its bits."""
    lines = ["struct frame {", "    const uint8_t *data;", "    unsigned size, body;", "    uint8_t moved;", "};", ""]
    maps = mask_maps(instrument.mask)
    lines += wire(maps)
    lines += _body_size(instrument.layout)
    lines += _at(instrument)
    lines += ["static unsigned bit(const struct frame *f, unsigned address)", "{",
              "    return (at(f, address >> 4) >> (address & 7) ^ address >> 3) & 1u;", "}", ""]
    return lines


def number() -> list[str]:
    """Return the function that spells a field."""
    return ["static uint32_t number(const struct frame *f, const uint16_t *bits, unsigned n)", "{",
            "    uint32_t value = 0;", "    while (n--)", "        value = value << 1 | bit(f, bits[n]);",
            "    return value;", "}", ""]


def lamp(parts: Parts) -> list[str]:
    """Return the function that says whether a lamp is lit: 0, 1, or 2 for not known."""
    if not parts.has_lamps:
        return []
    lines = ["static unsigned lamp(const struct frame *f, unsigned i)", "{"]
    rest = "    if (lamp_bits[{0}] >= 0xFFFEu)\n        return f->moved ? 2u : lamp_bits[{0}] & 1u;"
    if parts.lamps.single:
        return [*lines, *([rest.format("i")] if parts.lamps.restful else []), "    return bit(f, lamp_bits[i]);", "}",
                ""]
    return [*lines, "    unsigned k = lamp_first[i], lit;",
            *([rest.format("k")] if parts.lamps.restful else []),
            "    lit = bit(f, lamp_bits[k]);", "    while (++k < lamp_first[i + 1])",
            "        if (bit(f, lamp_bits[k]) != lit)", "            return 2;", "    return lit;", "}", ""]


def wire(maps: MaskMaps | None) -> list[str]:
    """Return what unmasks a byte: `WIRE(f, i)`."""
    if maps is None:
        return ["#define WIRE(f, i) ((f)->data[i])", ""]
    lines: list[str] = []
    at = "i" if maps.period == 1 else f"i % {maps.period}u"
    kinds = {one.kind for one in maps.maps}
    if kinds <= {"xor"} or kinds <= {"sub"}:
        lines += array("uint8_t", "mask_key", hex_list(maps.maps[which].key for which in maps.which))
        value = f"f->data[i] {'^' if 'xor' in kinds else '-'} mask_key[{'0' if maps.period == 1 else at}]"
        body = [f"    return (uint8_t)({value});"]
    else:
        lines += array("uint8_t", "mask_which", maps.which, 24)
        for n, one in enumerate(maps.maps):
            if one.kind == "table":
                lines += array("uint8_t", f"mask_table_{n}", hex_list(one.table))
        body = [f"    switch (mask_which[{'0' if maps.period == 1 else at}]) {{"]
        for n, one in enumerate(maps.maps):
            value = {"xor": f"f->data[i] ^ 0x{one.key:02X}u", "sub": f"f->data[i] - 0x{one.key:02X}u",
                     "table": f"mask_table_{n}[f->data[i]]"}[one.kind]
            body.append(f"    {'default' if n == len(maps.maps) - 1 else f'case {n}'}: return (uint8_t)({value});")
        body.append("    }")
    lines += ["static uint8_t wire(const struct frame *f, unsigned i)", "{", *body, "}", "#define WIRE wire", ""]
    return lines + _settled(maps)


def _settled(maps: MaskMaps) -> list[str]:
    if maps.all_known:
        return []
    lines = array("uint8_t", "settled_which", maps.which, 24)
    known = []
    for one in maps.maps:
        bits = bytearray(b"\xff" * 32) if one.known is None else bytearray(32)
        for byte in one.known or b"":
            bits[byte >> 3] |= 1 << (byte & 7)
        known.append(bytes(bits))
    lines += [f"static const uint8_t settled_bits[{len(known)}][32] = {{"]
    lines += ["    {" + ", ".join(hex_list(bits)) + "}," for bits in known]
    limit = [f"        if (i >= {maps.n_bytes}u)", "            return 0;"] if maps.n_bytes else []
    return [*lines, "};", "/* Whether the mask settles every byte. */",
            "static int settled(const struct frame *f)", "{", "    for (unsigned i = 0; i < f->size; i++) {", *limit,
            "        unsigned byte = f->data[i];",
            f"        if (!(settled_bits[settled_which[i % {maps.period}u]][byte >> 3] >> (byte & 7) & 1))",
            "            return 0;", "    }", "    return 1;", "}", ""]


def _taken_terms(layout: FrameLayout) -> list[str]:
    terms = [f"i + {len(layout.end)}u >= n"] if layout.end else []
    for check in layout.checks:
        size = check_size(check)
        if check.at < 0:
            # Added on both sides, not taken off: n is unsigned, and a short frame's check would lie before its start.
            terms.append(f"(i + {-check.at}u >= n && i + {-check.at}u < n + {size}u)")
        else:
            low = f"i >= {check.at}u && " if check.at else ""
            terms.append(f"({low}i < {check.at + size}u)")
    return terms


def _body_size(layout: FrameLayout | None) -> list[str]:
    every = forms(layout)
    if not any(one.checks or one.end for one in every):
        return [f"#define BODY(n) ((n) > {MOST_BODY}u ? {MOST_BODY}u : (n))", ""]
    lines = ["/* Whether byte i of a frame of n bytes belongs to the check or the constant tail. */",
             "static int taken(unsigned n, unsigned i)", "{"]
    main = " || ".join(_taken_terms(every[0])) or "0"
    special = [one for one in every[1:] if one.length == "fixed"
               and not (every[0].length == "fixed" and one.n_bytes == every[0].n_bytes)]
    seen: set[int] = set()
    for one in special:
        if one.n_bytes not in seen:
            seen.add(one.n_bytes)
            lines.append(f"    if (n == {one.n_bytes}u)\n        return {' || '.join(_taken_terms(one)) or '0'};")
    if "n" not in main.replace("number", ""):
        lines.append("    (void)n;")
    return [*lines, f"    return {main};", "}", "", "static unsigned body_size(unsigned n)", "{", "    unsigned size;",
            f"    if (n > {MOST_BODY}u)", f"        n = {MOST_BODY}u;", "    size = n;",
            "    while (size && taken(n, size - 1))", "        size--;", "    return size;", "}",
            "#define BODY body_size", ""]


def _at(instrument: Instrument) -> list[str]:
    reading_map, layout = instrument.reading_map, instrument.layout
    holes = _has_holes(instrument)
    inner = "at" if reading_map.separator < 0 else "sent"
    hole = f" || taken(f->size > {MOST_BODY}u ? {MOST_BODY}u : f->size, i)" if holes and layout is not None else ""
    lines = [f"static unsigned {inner}(const struct frame *f, unsigned i)", "{",
             f"    return i >= f->body{hole} ? 0u : WIRE(f, i);", "}", ""]
    if reading_map.separator < 0:
        return lines
    return [*lines, *array("uint8_t", "slots", reading_map.slots),
            "/* Byte i of the fields, each in a slot of its own. */",
            "static unsigned at(const struct frame *f, unsigned i)", "{", "    unsigned k = 0, p = 0;",
            f"    while (k < {len(reading_map.slots)}u && i >= slots[k])", "        i -= slots[k++];",
            f"    if (k == {len(reading_map.slots)}u)", "        return 0;",
            "    for (; k; k--) {", f"        while (p < f->body && sent(f, p) != {reading_map.separator}u)",
            "            p++;", "        if (p++ >= f->body)", "            return 0;", "    }",
            "    for (;; p++, i--) {", f"        if (p >= f->body || sent(f, p) == {reading_map.separator}u)",
            "            return 0;", "        if (!i)", "            return sent(f, p);", "    }", "}", ""]


def _has_holes(instrument: Instrument) -> bool:
    """Whether a check may stand inside the body of a frame whose length labels saw."""
    layout = instrument.layout
    if layout is None or not any(one.checks or one.end for one in forms(layout)):
        return False
    if layout.length != "fixed" or layout.variants or not instrument.reading_map.lengths:
        return True
    n = layout.n_bytes
    taken = {n - 1 - i for i in range(len(layout.end))}
    for check in layout.checks:
        first = check.at if check.at >= 0 else n + check.at
        taken |= set(range(first, first + check_size(check)))
    size = n
    while size and size - 1 in taken:
        size -= 1
    return any(0 <= at < size for at in taken) or tuple(instrument.reading_map.lengths) != (size,)


def framer(instrument: Instrument) -> list[str]:
    """Return the incremental framer: start, length, end and check decide; after a wrong byte it looks for the next."""
    layout = instrument.layout
    every = forms(layout)
    # Where an end alone parts frames, the first one may be the rest of a frame that began before.
    tears = any(one.length == "delimited" and not one.start for one in every)
    lines = ["void reading_start(struct reading_framer *framer)", "{", "    framer->size = 0;", "    framer->done = 0;",
             f"    framer->torn = {int(tears)};", "}", ""]
    lines += ["/* Size of the frame that stands complete in the buffer, 0 to wait for more, -1 where none can. */",
              "static int complete(const struct reading_framer *framer, int closed)", "{",
              "    struct frame f = {0};", "    unsigned n = framer->size;", "    (void)closed;",
              "    f.data = framer->bytes;", "    f.size = n;", "    (void)f;"]
    for number_, one in enumerate(every):
        lines += _complete(number_, one)
    if not every or any(one.length == "gap" for one in every):
        lines += ["    return closed && n ? (int)n : 0;", "}", ""]
    else:
        lines += [f"    return {' || '.join(f'may{i}' for i in range(len(every)))} ? 0 : -1;", "}", ""]
    return lines + filled(_FRAMER, TORN=str(int(tears))).splitlines()


_FRAMER = """\
static size_t settle(struct reading_framer *framer, int closed)
{
    while (framer->size) {
        int size = complete(framer, closed);
        if (size > 0 && !framer->torn) {
            framer->done = (uint16_t)size;
            return (size_t)size;
        }
        if (!size && framer->size < READING_FRAME)
            break;
        /* A wrong byte goes; so does a frame that may have begun before the first byte. */
        framer->torn = size > 0 ? 0 : @TORN@;
        if (size <= 0)
            size = 1;
        framer->size = (uint16_t)(framer->size - size);
        memmove(framer->bytes, framer->bytes + size, framer->size);
    }
    return 0;
}

size_t reading_push(struct reading_framer *framer, uint8_t byte)
{
    if (framer->done) {
        framer->size = (uint16_t)(framer->size - framer->done);
        memmove(framer->bytes, framer->bytes + framer->done, framer->size);
        framer->done = 0;
    }
    framer->bytes[framer->size++] = byte;
    return settle(framer, 0);
}

size_t reading_gap(struct reading_framer *framer)
{
    size_t size;
    if (framer->done)
        framer->size = 0;
    framer->done = framer->torn = 0;
    size = settle(framer, 1);
    if (!size)
        framer->size = 0;
    return size;
}
"""


def _complete(number_: int, layout: FrameLayout) -> list[str]:
    if layout.length == "gap":
        return []
    may = f"may{number_}"
    lines = [f"    int {may} = 1;"]
    for i, byte in enumerate(layout.start):
        lines.append(f"    {may} = {may} && (n <= {i}u || WIRE(&f, {i}u) == 0x{byte:02X}u);")
    if layout.length == "fixed":
        size, there = f"{layout.n_bytes}u", "1"
    elif layout.length == "field":
        size, there = f"(unsigned)(WIRE(&f, {layout.field_at}u) + {layout.field_add})", f"n > {layout.field_at}u"
    else:
        end = " && ".join(f"WIRE(&f, n - {len(layout.end) - i}u) == 0x{byte:02X}u"
                          for i, byte in enumerate(layout.end))
        lines += [f"    if ({may} && n >= {len(layout.end)}u && {end})", "        return (int)n;"]
        return lines
    ends = "".join(f" && WIRE(&f, {size} - {len(layout.end) - i}u) == 0x{byte:02X}u"
                   for i, byte in enumerate(layout.end))
    sound = f"sound{number_}(framer->bytes, {size})" if layout.checks else "1"
    lines += [f"    if ({may} && {there} && n >= {size}) {{",
              f"        if ({size} > {len(layout.end)}u{ends} && {sound})",
              f"            return (int){size};", f"        {may} = 0;", "    }"]
    return lines
