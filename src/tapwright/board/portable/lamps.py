"""Bits of a body as lamps, numbers and codes; unit and flags."""
# mypy: ignore-errors
# (Runs in MicroPython: no annotations, they would cost flash, and it has no `typing`.)

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
