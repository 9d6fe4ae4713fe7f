"""C99 for the checks of a frame: bitwise, so that no table takes room."""

from __future__ import annotations

from tapwright.board.c_frame import forms
from tapwright.core.frame import Check, FrameLayout
from tapwright.core.instrument import Instrument
from tapwright.mapping.body import check_bytes


def checks(instrument: Instrument, *, framed: bool = True) -> list[str]:
    """Return `holds(frame, size)`, which says whether a frame's checks do; none where there is no check.

    `framed`: with those functions that a framer of several lengths calls.
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
    if len(every) == 1 and len(every[0].checks) == 1:
        lines += _one(every[0].checks[0], "holds")
        functions = {every[0].checks[0]: "holds"}
    else:
        functions = {check: f"check{i}" for i, check in enumerate(dict.fromkeys(used))}
        for check, name in functions.items():
            lines += _one(check, name)
        lines += _holds(every, functions)
    for number, one in enumerate(every):
        if framed and one.checks and one.length in ("fixed", "field"):
            tests = " && ".join(f"{functions[check]}(frame, size)" for check in one.checks)
            lines += [f"static int sound{number}(const uint8_t *frame, unsigned size)", "{", f"    return {tests};", "}", ""]
    return lines


def _one(check: Check, name: str) -> list[str]:
    size = check_bytes(check)
    lines = [f"static int {name}(const uint8_t *frame, unsigned size)", "{"]
    # A register that the right check bytes have gone through too holds a constant.
    whole = _follows(check)
    if min(check.first, check.last, check.at) >= 0 and check.first <= check.last:
        first, last, at = str(check.first), str(check.last + (size if whole else 0)), str(check.at)
        lines += [f"    if (size < {max(check.last + 1, check.at + size)})", "        return 0;"]
    else:
        first, last, at = "first", f"last + {size}" if whole else "last", "at"
        places = ", ".join(f"{what} = {f'{p}' if p >= 0 else f'(int)size - {-p}'}"
                           for what, p in (("first", check.first), ("last", check.last), ("at", check.at)))
        lines += [f"    int {places};",
                  f"    if (first < 0 || last < first || last >= (int)size || at < 0 || at > (int)size - {size})",
                  "        return 0;"]
    if not whole:
        lines += _sent(check, at)
    return [*lines, *_compute(check, f"    for (int i = {first}; i <= {last}; i++)", (first, last), whole), "}", ""]


def _sent(check: Check, at: str) -> list[str]:
    """Return the lines that put the check as it was sent into `sent`."""
    size = check_bytes(check)

    def byte(i: int) -> str:
        where = str(int(at) + i) if at.isdigit() else f"(unsigned)(at + {i})" if i else "(unsigned)at"
        return f"WIRE(frame, {where})"

    if check.encoding != "hex":
        order = range(size) if check.order == "big" else range(size - 1, -1, -1)
        parts = [f"(uint32_t){byte(i)}{f' << {8 * (size - 1 - k)}' if k < size - 1 else ''}" for k, i in enumerate(order)]
        return [f"    uint32_t sent = {' | '.join(parts)};"]
    pairs = list(range(0, size, 2))
    lines = ["    uint32_t sent = 0;", f"    for (int i = 0; i < {size}; i++)",
             f"        if (digit(WIRE(frame, (unsigned)({at} + i))) < 0)", "            return 0;"]
    for i in pairs if check.order == "big" else pairs[::-1]:
        lines.append(f"    sent = sent << 8 | (uint32_t)(digit({byte(i)}) << 4 | digit({byte(i + 1)}));")
    return lines


def _follows(check: Check) -> bool:
    """Whether a CRC stands right behind its span in the order in which its register takes bytes."""
    return (check.kind.startswith("crc") and check.encoding == "binary" and check.refin == check.refout
            and check.at == check.last + 1 and (check.last < -1 or check.last >= 0)
            and (check_bytes(check) == 1 or check.order == ("little" if check.refin else "big")))


def _compute(check: Check, loop: str, span: tuple[str, str], whole: bool) -> list[str]:
    byte = "WIRE(frame, (unsigned)i)"
    if check.kind == "xor8":
        return ["    uint32_t sum = 0;", loop, f"        sum ^= {byte};", "    return sum == sent;"]
    if check.kind in ("sum8", "sum16", "negated sum8"):
        kind, sign = "uint16_t" if check.kind == "sum16" else "uint8_t", "-=" if check.kind.startswith("negated") else "+="
        return ["    uint32_t sum = 0;", loop, f"        sum {sign} {byte};", f"    return ({kind})sum == sent;"]
    if check.kind == "fletcher16":
        return ["    uint32_t low = 0, high = 0;", loop + " {", f"        low = (low + {byte}) % 255u;",
                "        high = (high + low) % 255u;", "    }", "    return (high << 8 | low) == sent;"]
    if check.kind == "lrc":
        return ["    uint32_t sum = 0;", f"    if (({span[1]} - {span[0]}) % 2 == 0)", "        return 0;",
                f"    for (int i = {span[0]}; i < {span[1]}; i += 2) {{",
                "        int high = digit(WIRE(frame, (unsigned)i)), low = digit(WIRE(frame, (unsigned)(i + 1)));",
                "        if (high < 0 || low < 0)", "            return 0;",
                "        sum -= (uint32_t)(high << 4 | low);", "    }", "    return (uint8_t)sum == sent;"]
    return _crc(check, loop, byte, whole)


def _crc(check: Check, loop: str, byte: str, whole: bool) -> list[str]:
    """Return a CRC; with its input reflected the register runs the other way, and nothing need be turned."""
    width = 8 * check_bytes(check) // (2 if check.encoding == "hex" else 1)
    full, digits = (1 << width) - 1, width // 4
    reflected = check.refin and check.refout
    poly, init = (f"0x{_turned(p, width) if reflected else p:0{digits}X}u" for p in (check.poly, check.init))
    lines = [f"    uint32_t crc = {init};", loop + " {"]
    if reflected:
        lines += [f"        crc ^= {byte};", "        for (int k = 0; k < 8; k++)",
                  f"            crc = crc & 1u ? crc >> 1 ^ {poly} : crc >> 1;", "    }"]
    else:
        keep = "" if width == 32 else f" & 0x{full:0{digits}X}u"
        lines += [f"        crc ^= (uint32_t){f'turn({byte}, 8)' if check.refin else byte}{f' << {width - 8}' if width > 8 else ''};",
                  "        for (int k = 0; k < 8; k++)",
                  f"            crc = (crc & 0x{1 << (width - 1):X}u ? crc << 1 ^ {poly} : crc << 1){keep};", "    }"]
    if whole:
        return [*lines, f"    return crc == 0x{_residue(check, width):0{digits}X}u;"]
    out = f"turn(crc, {width})" if check.refout and not reflected else "crc"
    return [*lines, f"    return ({out} ^ 0x{check.xorout:0{digits}X}u) == sent;"]


def _turned(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _residue(check: Check, width: int) -> int:
    """Return what the register holds behind the right check bytes, which leave `xorout` in it before its last turns."""
    register, top = check.xorout, 1 << (width - 1)
    poly = _turned(check.poly, width) if check.refin else check.poly
    for _ in range(width):
        if check.refin:
            register = register >> 1 ^ (poly if register & 1 else 0)
        else:
            register = (register << 1 ^ (poly if register & top else 0)) & (2 * top - 1)
    return register


def _holds(every: tuple[FrameLayout, ...], functions: dict[Check, str]) -> list[str]:
    def all_of(layout: FrameLayout) -> str:
        return " && ".join(f"{functions[check]}(frame, size)" for check in layout.checks) or "1"

    lines = ["static int holds(const uint8_t *frame, unsigned size)", "{"]
    for one in every[1:]:
        terms = [f"size == {one.n_bytes}u" if one.length == "fixed" else f"size >= {max(len(one.start), len(one.end))}u"]
        terms += [f"WIRE(frame, {i}u) == 0x{byte:02X}u" for i, byte in enumerate(one.start)]
        terms += [f"WIRE(frame, size - {len(one.end) - i}u) == 0x{byte:02X}u" for i, byte in enumerate(one.end)]
        lines += [f"    if ({' && '.join(terms)})", f"        return {all_of(one)};"]
    return [*lines, f"    return {all_of(every[0])};", "}", ""]


_HEX = ["static int digit(unsigned c)", "{", "    if (c >= '0' && c <= '9')", "        return (int)(c - '0');",
        "    c |= 32u;", "    return c >= 'a' && c <= 'f' ? (int)(c - 'a' + 10u) : -1;", "}", ""]
_TURN = ["static uint32_t turn(uint32_t value, int width)", "{", "    uint32_t out = 0;", "    while (width--) {",
         "        out = out << 1 | (value & 1u);", "        value >>= 1;", "    }", "    return out;", "}", ""]
