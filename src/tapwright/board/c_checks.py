"""C99 for the checks of a frame: bitwise, so that no table takes room."""

from __future__ import annotations

from tapwright.board.c_frame import check_size, forms
from tapwright.core.frame import Check, FrameLayout
from tapwright.core.instrument import Instrument

_BYTES = {"sum16": 2, "crc16": 2, "crc32": 4, "fletcher16": 2}


def checks(instrument: Instrument, *, framed: bool = True) -> list[str]:
    """Return the functions that say whether a frame's checks hold; none where there is no check.

    `framed`: with those that the generic framer calls.
    """
    every = forms(instrument.layout)
    if not any(one.checks for one in every):
        return []
    lines: list[str] = []
    used = [check for one in every for check in one.checks]
    if any(check.encoding == "hex" or check.kind == "lrc" for check in used):
        lines += _HEX
    if any(check.kind.startswith("crc") and check.refin != check.refout for check in used):
        lines += _TURN
    functions: dict[Check, str] = {}
    for one in every:
        for check in one.checks:
            if check not in functions:
                functions[check] = f"check{len(functions)}"
                lines += _one(check, functions[check])
    lines += _holds(every, functions)
    for number, one in enumerate(every):
        if framed and one.checks and one.length in ("fixed", "field"):
            lines += _sound(number, one, functions)
    return lines


def _one(check: Check, name: str) -> list[str]:
    size = check_size(check)
    first, last, at = (f"{p}" if p >= 0 else f"n - {-p}" for p in (check.first, check.last, check.at))
    lines = [f"static int {name}(const struct frame *f)", "{", "    int n = (int)f->size;",
             f"    int first = {first}, last = {last}, at = {at};", "    uint32_t sent = 0;"]
    if min(check.first, check.last, check.at) >= 0 and check.first <= check.last:
        lines += [f"    if (n < {max(check.last + 1, check.at + size)})", "        return 0;"]
    else:
        lines += [f"    if (first < 0 || last < first || last >= n || at < 0 || at > n - {size})", "        return 0;"]
    order = range(size) if check.order == "big" else range(size - 1, -1, -1)
    if check.encoding == "hex":
        places = list(range(0, size, 2))
        lines += [f"    for (int i = 0; i < {size}; i++)",
                  "        if (digit(WIRE(f, (unsigned)(at + i))) < 0)", "            return 0;"]
        for i in places if check.order == "big" else places[::-1]:
            lines.append(f"    sent = sent << 8 | (uint32_t)(digit(WIRE(f, (unsigned)(at + {i}))) << 4 "
                         f"| digit(WIRE(f, (unsigned)(at + {i + 1}))));")
    elif size == 1:
        lines.append("    sent = WIRE(f, (unsigned)at);")
    else:
        for i in order:
            lines.append(f"    sent = sent << 8 | WIRE(f, (unsigned)(at + {i}));")
    return [*lines, *_compute(check), "}", ""]


def _compute(check: Check) -> list[str]:
    loop = "    for (int i = first; i <= last; i++)"
    byte = "WIRE(f, (unsigned)i)"
    if check.kind == "xor8":
        return ["    uint32_t sum = 0;", loop, f"        sum ^= {byte};", "    return sum == sent;"]
    if check.kind in ("sum8", "sum16", "negated sum8"):
        mask = "0xFFFFu" if check.kind == "sum16" else "0xFFu"
        sign = "-=" if check.kind.startswith("negated") else "+="
        return ["    uint32_t sum = 0;", loop, f"        sum {sign} {byte};", f"    return (sum & {mask}) == sent;"]
    if check.kind == "fletcher16":
        return ["    uint32_t low = 0, high = 0;", loop + " {", f"        low = (low + {byte}) % 255u;",
                "        high = (high + low) % 255u;", "    }", "    return (high << 8 | low) == sent;"]
    if check.kind == "lrc":
        return ["    uint32_t sum = 0;", "    if ((last - first) % 2 == 0)", "        return 0;",
                "    for (int i = first; i < last; i += 2) {",
                "        int high = digit(WIRE(f, (unsigned)i)), low = digit(WIRE(f, (unsigned)(i + 1)));",
                "        if (high < 0 || low < 0)", "            return 0;",
                "        sum -= (uint32_t)(high << 4 | low);", "    }", "    return (sum & 0xFFu) == sent;"]
    width = 8 * _BYTES.get(check.kind, 1)
    full, digits = (1 << width) - 1, width // 4
    if check.refin == check.refout and check.refin:
        return _reflected(check, width, digits, loop, byte)
    byte_in = f"turn({byte}, 8)" if check.refin else byte
    poly = f"0x{check.poly:0{digits}X}u"
    keep = "" if width == 32 else f" & 0x{full:0{digits}X}u"
    out = f"turn(crc, {width})" if check.refout else "crc"
    return [f"    uint32_t crc = 0x{check.init:0{digits}X}u;", loop + " {",
            f"        crc ^= (uint32_t){byte_in}{f' << {width - 8}' if width > 8 else ''};",
            "        for (int k = 0; k < 8; k++)",
            f"            crc = (crc & 0x{1 << (width - 1):X}u ? crc << 1 ^ {poly} : crc << 1){keep};",
            "    }", f"    return ({out} ^ 0x{check.xorout:0{digits}X}u) == sent;"]


def _reflected(check: Check, width: int, digits: int, loop: str, byte: str) -> list[str]:
    """Return a CRC whose input and output are reflected: the register runs the other way, nothing need be turned."""
    def turned(value: int) -> int:
        return int(f"{value:0{width}b}"[::-1], 2)

    return [f"    uint32_t crc = 0x{turned(check.init):0{digits}X}u;", loop + " {", f"        crc ^= {byte};",
            "        for (int k = 0; k < 8; k++)",
            f"            crc = crc & 1u ? crc >> 1 ^ 0x{turned(check.poly):0{digits}X}u : crc >> 1;", "    }",
            f"    return (crc ^ 0x{check.xorout:0{digits}X}u) == sent;"]


def _holds(every: tuple[FrameLayout, ...], functions: dict[Check, str]) -> list[str]:
    def all_of(layout: FrameLayout) -> str:
        return " && ".join(f"{functions[check]}(f)" for check in layout.checks) or "1"

    lines = ["static int holds(const struct frame *f)", "{"]
    for one in every[1:]:
        terms = [f"f->size == {one.n_bytes}u" if one.length == "fixed" else
                 f"f->size >= {max(len(one.start), len(one.end))}u"]
        terms += [f"WIRE(f, {i}u) == 0x{byte:02X}u" for i, byte in enumerate(one.start)]
        terms += [f"WIRE(f, f->size - {len(one.end) - i}u) == 0x{byte:02X}u" for i, byte in enumerate(one.end)]
        lines += [f"    if ({' && '.join(terms)})", f"        return {all_of(one)};"]
    return [*lines, f"    return {all_of(every[0])};", "}", ""]


def _sound(number: int, layout: FrameLayout, functions: dict[Check, str]) -> list[str]:
    tests = " && ".join(f"{functions[check]}(&f)" for check in layout.checks)
    return [f"static int sound{number}(const uint8_t *bytes, unsigned size)", "{", "    struct frame f = {0};",
            "    f.data = bytes;", "    f.size = size;", f"    return {tests};", "}", ""]


_HEX = ["static int digit(unsigned c)", "{", "    if (c >= '0' && c <= '9')", "        return (int)(c - '0');",
        "    c |= 32u;", "    return c >= 'a' && c <= 'f' ? (int)(c - 'a' + 10u) : -1;", "}", ""]
_TURN = ["static uint32_t turn(uint32_t value, int width)", "{", "    uint32_t out = 0;", "    while (width--) {",
         "        out = out << 1 | (value & 1u);", "        value >>= 1;", "    }", "    return out;", "}", ""]
