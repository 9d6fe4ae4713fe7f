"""Frames out of bytes as they arrive; one frame unmasked, and its body."""
# mypy: ignore-errors
# (Runs in MicroPython: no annotations, they would cost flash, and it has no `typing`.)

from tapwright.board.portable.checks import _WIDTH, _holds
from tapwright.board.portable.tables import TABLES


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
