"""The decoder for MicroPython: plain integers, text and tuples; runs unchanged under CPython too.

`reading.py` of the micropython target is this file's text with one instrument's tables in place of the empty ones.
"""
# mypy: ignore-errors
# (No annotations: they would cost flash on the board, and MicroPython has no `typing`.)

TABLES = {}
GLYPHS = {}
SELF_TEST = ()


def decode(frame):
    """Return display, value, unit, flags and status of one frame as received; value is text, empty for no number."""
    row = _decode(frame, TABLES)
    return {"display": row[0], "value": row[1], "unit": row[2], "flags": row[3], "status": row[4]}


def _decode(frame, m):
    n = len(frame)
    if not n:
        return "", "", "", "", "broken"
    wire, settled = _wire(frame, m["mask"])
    if not settled:
        return "?", "", "?", "?", "unproven"
    layout = _layout(wire, m["layouts"])
    if layout is not None:
        for check in layout[4]:
            if not _holds(wire, check):
                return "", "", "", "", "bad check"
    body, length = _body(wire, m["layouts"])
    if m["lengths"] and length not in m["lengths"]:
        return "?", "", "?", "?", "unproven"
    if m["separator"] >= 0:
        body = _fields(body, m["separator"], m["slots"])
    moved = False
    for at, mask, rest in m["watch"]:
        moved = moved or bool(((body[at] if at < len(body) else 0) ^ rest) & mask)
    unit = _unit(m["units"], body, moved)
    shown = None
    for display in m["displays"]:
        one = _display(display, m, body, moved, unit)
        shown = one if shown is None else _both(shown, one)
    text = _text(shown)
    flags = _flags(m["flags"], body, moved)
    if "?" in text or unit == "?" or "?" in flags:
        return text, "", unit, flags, "unproven"
    if not text:
        return text, "", unit, flags, "blank"
    if _overload(text):
        return text, "", unit, flags, "overload"
    return text, _value(text), unit, flags, "ok"


def self_test():
    """Decode the proven frames; return how many there are, and the number of the first that reads wrong or None."""
    for number, (frame, row) in enumerate(SELF_TEST):
        if _decode(frame, TABLES) != row:
            return len(SELF_TEST), number
    return len(SELF_TEST), None


class Framer:
    """Bytes as they arrive -> frames: start, length, end and check decide; after a wrong byte it looks for the next."""

    def __init__(self):
        self.kept = bytearray()
        # Where an end alone parts frames, the first one may be the rest of a frame that began before.
        self.torn = self.may_tear = any([layout[0] == "delimited" and not layout[2] for layout in TABLES["layouts"]])
        sizes = [layout[1] for layout in TABLES["layouts"]]
        fixed = [layout[0] == "fixed" for layout in TABLES["layouts"]]
        self.longest = max(sizes) if sizes and all(fixed) else 256

    def feed(self, data):
        """Return the frames that are complete now."""
        out = []
        for byte in data:
            self.kept.append(byte)
            while self.kept:
                size = _complete(self.kept, TABLES)
                if size > 0:
                    if not self.torn:
                        out.append(bytes(self.kept[:size]))
                    self.torn = False
                    self.kept = self.kept[size:]
                elif size < 0 or len(self.kept) >= self.longest:
                    self.kept = self.kept[1:]
                    self.torn = self.may_tear
                else:
                    break
        return out

    def gap(self):
        """Say that the line has been silent; return the frame that this closes, as a list of one or none."""
        kept, self.kept, self.torn = bytes(self.kept), bytearray(), False
        by_gap = [layout for layout in TABLES["layouts"] if layout[0] == "gap"]
        return [kept] if kept and (by_gap or not TABLES["layouts"]) else []


def _complete(kept, m):
    """Return the size of the frame that stands complete, 0 to wait for more, -1 where none can begin here."""
    wire, n, may = _wire(kept, m["mask"], False)[0], len(kept), not m["layouts"]
    for layout in m["layouts"]:
        length, size, start, end, checks, field_at, field_add = layout
        if length == "gap":
            may = True
            continue
        fits = wire[: len(start)] == start[:n]
        if length == "delimited":
            if fits and n >= len(end) and wire[n - len(end):] == end:
                return n
            may = may or fits
            continue
        if length == "field":
            size = wire[field_at] + field_add if n > field_at else n + 1
        if fits and n >= size:
            whole = wire[:size]
            if size > len(end) and whole[size - len(end):] == end and all([_holds(whole, check) for check in checks]):
                return size
            fits = False
        may = may or fits
    return 0 if may else -1


def _wire(frame, mask, strict=True):
    if mask is None:
        return bytes(frame), True
    maps, which, limit = mask
    out = bytearray(len(frame))
    for i in range(len(frame)):
        if strict and limit and i >= limit:
            return b"", False
        kind, key, table, known = maps[which[i % len(which)]]
        byte = frame[i]
        if strict and known is not None and not known[byte >> 3] >> (byte & 7) & 1:
            return b"", False
        out[i] = byte ^ key if kind == 0 else (byte - key) & 255 if kind == 1 else table[byte]
    return bytes(out), True


def _layout(wire, layouts):
    n = len(wire)
    for layout in layouts[1:]:
        length, n_bytes, start, end = layout[:4]
        fits = not (length == "fixed" and n != n_bytes) and n >= max(len(start), len(end))
        if fits and wire[: len(start)] == start and wire[n - len(end):] == end:
            return layout
    return layouts[0] if layouts else None


def _place(check, n):
    first, last, at = [p if p >= 0 else n + p for p in check[1:4]]
    size = _WIDTH.get(check[0], 1) * (2 if check[5] else 1)
    return (first, last, at, size) if 0 <= first <= last < n and 0 <= at <= n - size else None


_WIDTH = {"sum16": 2, "crc16": 2, "crc32": 4, "fletcher16": 2}


def _digit(code):
    if 48 <= code <= 57:
        return code - 48
    code |= 32
    return code - 87 if 97 <= code <= 102 else -1


def _holds(wire, check):
    place = _place(check, len(wire))
    if place is None:
        return False
    first, last, at, size = place
    sent = wire[at:at + size]
    if check[5]:
        digits = [_digit(code) for code in sent]
        if min(digits) < 0:
            return False
        sent = bytes([digits[i] << 4 | digits[i + 1] for i in range(0, size, 2)])
    if check[4]:
        sent = bytes([sent[i] for i in range(len(sent) - 1, -1, -1)])
    value = 0
    for byte in sent:
        value = value << 8 | byte
    return _check(check, wire[first:last + 1]) == value


def _turn(value, width):
    out = 0
    for _ in range(width):
        out = out << 1 | value & 1
        value >>= 1
    return out


def _check(check, span):
    kind = check[0]
    if kind == "xor8":
        total = 0
        for byte in span:
            total ^= byte
        return total
    if kind == "lrc":
        digits = [_digit(code) for code in span]
        if len(span) % 2 or min(digits) < 0:
            return -1
        return -sum([digits[i] << 4 | digits[i + 1] for i in range(0, len(span), 2)]) & 255
    if kind == "fletcher16":
        low = high = 0
        for byte in span:
            low = (low + byte) % 255
            high = (high + low) % 255
        return high << 8 | low
    if kind[:3] == "crc":
        poly, init, refin, refout, xorout = check[6:]
        width = 8 * _WIDTH.get(kind, 1)
        top, mask = 1 << (width - 1), (1 << width) - 1
        register = init
        for byte in span:
            register ^= (_turn(byte, 8) if refin else byte) << (width - 8)
            for _ in range(8):
                register = (register << 1 ^ poly if register & top else register << 1) & mask
        return (_turn(register, width) if refout else register) ^ xorout
    total = sum(span)
    return total & 255 if kind == "sum8" else -total & 255 if kind == "negated sum8" else total & 65535


def _body(wire, layouts):
    """Return the frame without its check and tail, and how long that is; a check inside reads as zeros."""
    n = min(len(wire), 1024)
    body = bytearray(wire[:n])
    layout = layouts[0] if layouts else None
    if layout is None:
        return body, n
    if not (layout[0] == "fixed" and layout[1] == n):
        for one in layouts[1:]:
            if one[0] == "fixed" and one[1] == n:
                layout = one
                break
    taken = [n - 1 - i for i in range(len(layout[3]))]
    for check in layout[4]:
        first = check[3] if check[3] >= 0 else n + check[3]
        taken += range(first, first + _WIDTH.get(check[0], 1) * (2 if check[5] else 1))
    length = n
    while length > 0 and length - 1 in taken:
        length -= 1
    for at in taken:
        if 0 <= at < length:
            body[at] = 0
    return body[:length], length


def _fields(body, separator, slots):
    out = bytearray()
    parts = bytes(body).split(bytes([separator]))
    for k in range(len(slots)):
        part = parts[k][: slots[k]] if k < len(parts) else b""
        out += part + bytes(slots[k] - len(part))
    return out


def _bit(body, address):
    at = address >> 4
    return ((body[at] >> (address & 7) if at < len(body) else 0) ^ address >> 3) & 1


def _number(body, bits):
    value = 0
    for i in range(len(bits)):
        value |= _bit(body, bits[i]) << i
    return value


def _lamp(body, lamp, moved):
    """Return whether a lamp is lit, None where that is not known; a lamp is its addresses, or whether it rests lit."""
    if lamp is True or lamp is False:
        return None if moved else lamp
    value = _bit(body, lamp[0])
    for address in lamp[1:]:
        if _bit(body, address) != value:
            return None
    return bool(value)


def _code(body, table):
    bits, entries, otherwise = table
    return entries.get(_number(body, bits), otherwise)


def _unit(units, body, moved):
    if moved:
        return "?"
    found = None
    for unit in units:
        one = _code(body, unit[1]) if unit[0] == "table" else _signs(body, unit)
        if one is None or (found is not None and one != found):
            return "?"
        found = one
    return found or ""


def _signs(body, unit):
    texts = []
    for signs in (unit[1], unit[2]):
        lit = ""
        for name, lamp in signs:
            state = _lamp(body, lamp, False)
            if state is None or (state and lit):
                return None
            if state:
                lit = name
        texts.append(lit)
    if not texts[1]:
        return "" if unit[3] and not texts[0] else None
    return texts[0] + texts[1]


def _flags(flags, body, moved):
    on, more = [], moved
    for name, kind, what in flags:
        if kind == "table":
            state = _code(body, what)
            lit = None if state is None else state == "on"
        else:
            lit = _lamp(body, what, moved)
        if lit:
            on.append(name)
        more = more or lit is None
    if more:
        on.append("?")
    return " ".join(on)


# A display in parts: (sign, digits, decimals or None, text or None).
_NOTHING = ("", "", 0, "?")
_BLANK = ("", "", 0, "")


def _text(shown):
    sign, digits, decimals, text = shown
    if text is not None:
        return text
    if decimals is None or not digits or len(digits) < decimals:
        return "?"
    cut = len(digits) - decimals
    return sign + digits[:cut] + ("." + digits[cut:] if decimals else "")


def _padded(text, width, fill):
    return fill * (width - len(text)) + text


def _both(a, b):
    if a == b:
        return a
    if a[3] is not None or b[3] is not None or a[2] != b[2]:
        return _NOTHING
    places = max(len(a[1]), len(b[1]))
    x, y = _padded(a[1], places, " "), _padded(b[1], places, " ")
    digits = "".join([x[i] if x[i] == y[i] else "?" for i in range(places)])
    return (a[0] if a[0] == b[0] else "?", digits, a[2], None)


def _display(display, m, body, moved, unit):
    kind, digits, point, minus, _, _, states, tells_overload = display
    if states:
        state = _code(body, states[0])
        for table in states[1:]:
            if _code(body, table) != state:
                state = None
    else:
        state = "#"
    if state != "#":
        return _NOTHING if state is None else ("", "", 0, state)
    if moved and not tells_overload:
        return _NOTHING
    decimals = _point(point, body, moved)
    sign = ""
    if minus is not None:
        lit = _lamp(body, minus, moved)
        sign = "?" if lit is None else "-" if lit else ""
    if kind == "segments":
        places = "".join([_character(body, place, moved) for place in digits])
        return _places(places, sign, decimals, display, m["words"])
    if kind in ("text", "bcd", "table"):
        places = "".join([_code(body, table) or "?" for table in digits])
        if kind == "text":
            if moved and m["separator"] >= 0:
                return _NOTHING
            if moved and not sign and any([bit & 8 for table in digits for bit in table[0]]):
                sign = "?"
            return _characters(places, sign, decimals, display, m["words"])
        return _places(places, sign, decimals, display, m["words"])
    if kind == "integer":
        return _count(_integer(digits, body, decimals), sign, decimals, display)
    return _float(digits, body, unit, sign, decimals, display)


def _character(body, place, moved):
    known, loose = 0, []
    for i in range(7):
        state = _lamp(body, place[i], moved)
        if state is None:
            loose.append(1 << i)
        elif state:
            known |= 1 << i
    patterns = [known]
    for bit in loose:
        patterns += [pattern | bit for pattern in patterns]
    shape = GLYPHS.get(known)
    for pattern in patterns:
        if GLYPHS.get(pattern) != shape:
            return "?"
    return shape or "?"


def _point(point, body, moved):
    lamps, tables = point
    found = []
    if lamps:
        lit, loose = [], False
        for decimals, lamp in lamps:
            state = _lamp(body, lamp, moved)
            loose = loose or state is None
            if state:
                lit.append(decimals)
        found.append(lit[0] if len(lit) == 1 else None if lit or loose else 0)
    for table in tables:
        entry = _code(body, table)
        found.append(None if entry is None else int(entry))
    if not found:
        return 0
    for one in found[1:]:
        if one != found[0]:
            return None
    return found[0]


def _all_digits(text):
    for character in text:
        if not "0" <= character <= "9":
            return False
    return bool(text)


def _places(places, sign, decimals, display, words):
    if not places.strip(" "):
        return _BLANK if sign == "" and (decimals == 0 or not display[2][0]) else _NOTHING
    digits, own_sign = places.lstrip(" "), sign
    if not sign and digits[0] == "-" and len(digits) > 1 and display[0] == "segments":
        own_sign, digits = "-", digits[1:].lstrip(" ")
    if not digits or _all_digits(digits.replace("?", "0")):
        return _zeros(digits, own_sign, decimals, display)
    if "?" in digits + sign or decimals is None:
        return _NOTHING
    cut = len(places) - decimals
    text = places[:cut] + "." + places[cut:] if decimals and display[2][0] else places
    return _word(sign + text.replace(" ", ""), words)


def _word(text, words):
    known = words.get(text)
    if known is None and _overload(text) and text.replace("-", "").replace(".", "") in ("0L", "OL"):
        known = text.replace("0", "O")
    if known is None:
        known = "?" if text.strip("-") else text
    return ("", "", 0, known)


def _characters(text, sign, decimals, display, words):
    if "?" in text:
        return _NOTHING
    bare = text.replace("\0", "").replace(" ", "").replace("+", "").replace(",", ".")
    if not bare:
        return _BLANK
    unsigned = bare[1:] if bare[0] == "-" else bare
    at = unsigned.find(".")
    whole, part = (unsigned, "") if at < 0 else (unsigned[:at], unsigned[at + 1:])
    if not _all_digits(whole + part):
        return _word(sign + bare, words)
    if unsigned != bare:
        if isinstance(display[3], tuple):
            return _NOTHING
        sign = "-"
    if display[2][0] or display[2][1]:
        return _NOTHING if part else _zeros(whole, sign, decimals, display)
    return _zeros(whole + part, sign, len(part), display)


def _rounded(count, divide, rounding):
    whole, rest = count // divide, count % divide
    if rounding == "toward zero" or 2 * rest < divide:
        return whole
    if 2 * rest > divide or rounding == "nearest":
        return whole + 1
    return whole + (whole & 1)


def _integer(digits, body, decimals):
    bits, signed, offset, multiply, divide, own, rounding, fixed = digits
    for address in fixed:
        if _bit(body, address):
            return None
    number = _number(body, bits)
    if signed and number >> (len(bits) - 1) & 1:
        number -= 1 << len(bits)
    number -= offset
    if own is not None:
        if decimals is None:
            return None
        multiply *= 10 ** max(decimals - own, 0)
        divide *= 10 ** max(own - decimals, 0)
    return _rounded(abs(number) * multiply, divide, rounding), number < 0


def _count(number, sign, decimals, display):
    if number is None:
        return _NOTHING
    count, negative = number
    if display[3] is None:
        sign = "" if not negative else "-" if count else "?"
    elif negative:
        return _NOTHING
    elif sign == "-" and not count:
        sign = "?"
    if display[5] and count >= 10 ** display[5]:
        return _NOTHING
    return _zeros(str(count), sign, decimals, display)


def _float(digits, body, unit, sign, decimals, display):
    bits, scale, scales, rounding, loose, no_number = digits
    if scales:
        if unit not in scales:
            return _NOTHING
        scale = scales[unit]
    raw, mask = _number(body, bits), 0
    for place in loose:
        mask |= 1 << place
    # Numerically ascending, as the reference joins them; the order does not change what both agree on.
    ends = [raw & ~mask] if not mask else [raw & ~mask, raw | mask]
    shown = None
    for end in ends:
        if end >> 23 & 255 == 255:
            one = ("", "", 0, no_number) if no_number else _NOTHING
        else:
            number = None if decimals is None else _scaled(end, decimals + scale, rounding)
            one = _count(number, sign, decimals, display)
        shown = one if shown is None else _both(shown, one)
    return shown


def _scaled(raw, power, rounding):
    """Return a binary32's count in units of 10**-power and its sign, by integers alone; None where it is too great."""
    exponent, mantissa = raw >> 23 & 255, raw & 0x7FFFFF
    if exponent:
        mantissa |= 0x800000
    else:
        exponent = 1
    shift = exponent - 150
    top, bottom = (mantissa << shift, 1) if shift > 0 else (mantissa, 1 << -shift)
    if top > 1000000000000000 * bottom:
        return None
    if power > 0:
        top *= 10 ** power
    else:
        bottom *= 10 ** -power
    return _rounded(top, bottom, rounding), bool(raw >> 31)


def _zeros(digits, sign, decimals, display):
    if decimals is None:
        return (sign, digits, None, None)
    shown = None
    for zeros in display[4]:
        if zeros == "as sent":
            filled = digits
        else:
            bare = digits.lstrip("0")
            width = display[5] if zeros == "shown" else max(decimals + (zeros == "suppressed"), 1)
            filled = _padded(bare, width, "0")
        one = (sign, filled, decimals, None)
        shown = one if shown is None else _both(shown, one)
    return shown


def _overload(text):
    text = text.upper()
    if text in ("OFL", "OVER", "OVL", "OVLD"):
        return True
    at = 0
    for sign, needed in (("-", 0), (".", 0), ("O0", 1), (".", 0), ("F", 0), (".", 0), ("L", 1), (".", 0), ("D", 0)):
        if at < len(text) and text[at] in sign:
            at += 1
        elif needed:
            return False
    return at == len(text)


def _value(text):
    """Return a displayed number as arithmetic writes it, empty for no number: -06.8 is -6.8, .5 is 0.5."""
    sign = "-" if text[0] == "-" else ""
    unsigned = text.lstrip("-")
    at = unsigned.find(".")
    whole, part = (unsigned, None) if at < 0 else (unsigned[:at], unsigned[at + 1:])
    if not _all_digits(whole + (part or "")):
        return ""
    bare = whole.lstrip("0") or "0"
    return sign + bare + ("." + part if part else "")

