"""C99 for one frame's bytes: unmasked, and as a body, without check and tail."""

from __future__ import annotations

from dataclasses import dataclass

from tapwright.board.c_bits import top_of
from tapwright.board.c_text import array, filled, hex_list
from tapwright.board.mask_maps import MaskMaps, mask_maps
from tapwright.core.frame import FrameLayout
from tapwright.core.instrument import Instrument
from tapwright.mapping.body import MOST_BODY_BYTES, check_bytes, tail_and_holes


def forms(layout: FrameLayout | None) -> tuple[FrameLayout, ...]:
    """Return a layout and its variants."""
    return () if layout is None else (layout, *layout.variants)


@dataclass(frozen=True)
class Body:
    """How the bytes that the map reads come out of a frame.

    Parameters
    ----------
    size : bytes of it that the map reads
    frames : sizes of the frames whose body has a length that labels saw; None where any length passes
    in_place : whether the frame's own bytes serve
    has_holes : whether a check may stand among these bytes
    """

    size: int
    frames: tuple[int, ...] | None
    in_place: bool
    has_holes: bool


def body(instrument: Instrument) -> Body:
    """Return how an instrument's bodies come out of its frames."""
    reading_map, layout = instrument.reading_map, instrument.layout
    split = reading_map.separator >= 0
    size = sum(reading_map.slots) if split else top_of(reading_map)
    longest = MOST_BODY_BYTES if split else size
    passing, short, holed = [], False, False
    for n in range(1, MOST_BODY_BYTES + 1):
        tail, holes = tail_and_holes(layout, n)
        if (reading_map.lengths and n - tail not in reading_map.lengths) or _has_no_room(layout, n):
            continue
        passing.append(n)
        short |= n - tail < longest
        holed |= any(at < longest for at in holes)
    frames = tuple(passing) if reading_map.lengths else None
    return Body(size=size, frames=frames, has_holes=holed,
                in_place=not (split or short or holed or mask_maps(instrument.mask) is not None or frames is None))


def _has_no_room(layout: FrameLayout | None, n: int) -> bool:
    """Whether no frame of n bytes can pass its check, which would stand beyond the end."""
    if layout is None or layout.variants:
        return False
    return any(at >= n for check in layout.checks
               for at in (check.first, check.last, check.at + check_bytes(check) - 1 if check.at >= 0 else 0))


def wire(maps: MaskMaps | None) -> list[str]:
    """Return what unmasks a byte: `WIRE(frame, i)`."""
    if maps is None:
        return ["#define WIRE(frame, i) ((frame)[i])", ""]
    lines: list[str] = []
    at = "0" if maps.period == 1 else f"i % {maps.period}u"
    kinds = {one.kind for one in maps.maps}
    if kinds <= {"xor"} or kinds <= {"sub"}:
        lines += array("uint8_t", "mask_key", hex_list(maps.maps[which].key for which in maps.which))
        lines_of = [f"    return (uint8_t)(frame[i] {'^' if 'xor' in kinds else '-'} mask_key[{at}]);"]
    else:
        lines += array("uint8_t", "mask_which", maps.which, 24)
        for n, one in enumerate(maps.maps):
            if one.kind == "table":
                lines += array("uint8_t", f"mask_table_{n}", hex_list(one.table))
        lines_of = [f"    switch (mask_which[{at}]) {{"]
        for n, one in enumerate(maps.maps):
            value = {"xor": f"frame[i] ^ 0x{one.key:02X}u", "sub": f"frame[i] - 0x{one.key:02X}u",
                     "table": f"mask_table_{n}[frame[i]]"}[one.kind]
            lines_of.append(f"    {'default' if n == len(maps.maps) - 1 else f'case {n}'}: return (uint8_t)({value});")
        lines_of.append("    }")
    return [*lines, "", "static uint8_t wire(const uint8_t *frame, unsigned i)", "{", *lines_of, "}",
            "#define WIRE wire", "", *_settled(maps)]


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
    limit = f"        if (i >= {maps.n_bytes}u)\n            return 0;\n" if maps.n_bytes else ""
    return [*lines, "};", "", *filled(_SETTLED, LIMIT=limit, PERIOD=str(maps.period)).splitlines()]


def body_functions(instrument: Instrument, found: Body) -> list[str]:
    """Return `body_of(frame, n, b)`, unless the frame serves, and `body_size(n)` where that or a length needs it."""
    reading_map, layout = instrument.reading_map, instrument.layout
    if found.in_place and "body_size" not in length_test(instrument, found):
        return []
    taken = any(one.checks or one.end for one in forms(layout))
    lines = _body_size(layout) if taken else [f"#define body_size(n) ((n) > {MOST_BODY_BYTES}u ? {MOST_BODY_BYTES}u : (n))", ""]
    if found.in_place:
        return lines
    byte = "WIRE(frame, i)"
    if found.has_holes and taken:
        byte = f"(uint8_t)(taken(n > {MOST_BODY_BYTES}u ? {MOST_BODY_BYTES}u : n, i) ? 0 : {byte})"
    if reading_map.separator < 0:
        return lines + filled(_BODY, BYTE=byte, SIZE=str(found.size)).splitlines()
    starts = [sum(reading_map.slots[:k]) for k in range(len(reading_map.slots) + 1)]
    return [*lines, *array("uint16_t", "slots", starts), "",
            *filled(_FIELDS, BYTE=byte, SIZE=str(found.size), SEPARATOR=str(reading_map.separator),
                    N=str(len(reading_map.slots))).splitlines()]


def _body_size(layout: FrameLayout | None) -> list[str]:
    every = forms(layout)
    lines = ["/* Whether byte i of a frame of n bytes belongs to the check or the constant tail. */",
             "static int taken(unsigned n, unsigned i)", "{"]
    terms = _taken_terms(every[0])
    seen = {every[0].n_bytes} if every[0].length == "fixed" else set[int]()
    for one in every[1:]:
        if one.length == "fixed" and one.n_bytes not in seen:
            seen.add(one.n_bytes)
            lines.append(f"    if (n == {one.n_bytes}u)\n        return {' || '.join(_taken_terms(one)) or '0'};")
    if not any("n" in term for term in terms):
        lines.append("    (void)n;")
    if not terms:
        lines.append("    (void)i;")
    return [*lines, f"    return {' || '.join(terms) or '0'};", "}", "",
            *filled(_BODY_SIZE, MOST=str(MOST_BODY_BYTES)).splitlines()]


def _taken_terms(layout: FrameLayout) -> list[str]:
    terms = [f"i + {len(layout.end)}u >= n"] if layout.end else []
    for check in layout.checks:
        size = check_bytes(check)
        if check.at < 0:
            # Added on both sides, not taken off: n is unsigned, and a short frame's check would lie before its start.
            terms.append(f"(i + {-check.at}u >= n && i + {-check.at}u < n + {size}u)")
        else:
            low = f"i >= {check.at}u && " if check.at else ""
            terms.append(f"({low}i < {check.at + size}u)")
    return terms


def length_test(instrument: Instrument, found: Body) -> str:
    """Return the condition under which a frame's body has a length that no label saw, empty where there is none."""
    if found.frames is None:
        return ""
    if len(found.frames) <= 4 and MOST_BODY_BYTES not in found.frames:
        return " && ".join(f"size != {n}u" for n in found.frames) or "1"
    return " && ".join(f"body_size((unsigned)size) != {length}u" for length in instrument.reading_map.lengths)


_SETTLED = """\
/* Whether the mask settles every byte. */
static int settled(const uint8_t *frame, unsigned n)
{
    for (unsigned i = 0; i < n; i++) {
        unsigned byte = frame[i];
@LIMIT@        if (!(settled_bits[settled_which[i % @PERIOD@u]][byte >> 3] >> (byte & 7) & 1))
            return 0;
    }
    return 1;
}

"""
_BODY_SIZE = """\
static unsigned body_size(unsigned n)
{
    unsigned size;
    if (n > @MOST@u)
        n = @MOST@u;
    size = n;
    while (size && taken(n, size - 1))
        size--;
    return size;
}

"""
_BODY = """\
/* The bytes that are read; zeros behind a shorter body. */
static void body_of(const uint8_t *frame, unsigned n, uint8_t *b)
{
    unsigned size = body_size(n), i;
    for (i = 0; i < @SIZE@; i++)
        b[i] = i < size ? @BYTE@ : 0;
}

"""
_FIELDS = """\
/* The fields between separators, each from its own place on; zeros behind a shorter one. */
static void body_of(const uint8_t *frame, unsigned n, uint8_t *b)
{
    unsigned size = body_size(n), k = 0, at = 0, i;
    memset(b, 0, @SIZE@);
    for (i = 0; i < size && k < @N@; i++) {
        uint8_t byte = @BYTE@;
        if (byte == @SEPARATOR@)
            at = slots[++k];
        else if (at < slots[k + 1])
            b[at++] = byte;
    }
}

"""
