"""Checks of a frame."""
# mypy: ignore-errors
# (Runs in MicroPython: no annotations, they would cost flash, and it has no `typing`.)

_WIDTH = {"sum16": 2, "crc16": 2, "crc32": 4, "fletcher16": 2}


def _place(check, n):
    first, last, at = [p if p >= 0 else n + p for p in check[1:4]]
    size = _WIDTH.get(check[0], 1) * (2 if check[5] else 1)
    return (first, last, at, size) if 0 <= first <= last < n and 0 <= at <= n - size else None


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
