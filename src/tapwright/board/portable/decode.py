"""A frame as received -> its reading."""
# mypy: ignore-errors
# (Runs in MicroPython: no annotations, they would cost flash, and it has no `typing`.)

from tapwright.board.portable.checks import _holds
from tapwright.board.portable.display import _display
from tapwright.board.portable.frames import _body, _fields, _layout, _wire
from tapwright.board.portable.lamps import _flags, _unit
from tapwright.board.portable.shown import _both, _overload, _text, _value
from tapwright.board.portable.tables import SELF_TEST, TABLES


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
