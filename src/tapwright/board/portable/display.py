"""What one alternative says the display shows."""
# mypy: ignore-errors
# (Runs in MicroPython: no annotations, they would cost flash, and it has no `typing`.)

from tapwright.board.portable.lamps import _code, _lamp
from tapwright.board.portable.numbers import _count, _float, _integer
from tapwright.board.portable.shown import _BLANK, _NOTHING, _all_digits, _overload, _zeros
from tapwright.board.portable.tables import GLYPHS


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
        entry = None if moved and not table[0] else _code(body, table)
        found.append(None if entry is None else int(entry))
    if not found:
        return 0
    for one in found[1:]:
        if one != found[0]:
            return None
    return found[0]


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
