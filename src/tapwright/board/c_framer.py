"""C99 for frames out of bytes as they arrive: start, length, end and check decide; after a wrong byte it looks on."""

from __future__ import annotations

from tapwright.board.c_frame import forms
from tapwright.board.c_text import filled
from tapwright.core.frame import FrameLayout


def is_windowed(layout: FrameLayout | None) -> bool:
    """Whether every frame has one size, so that a window of that size over the bytes finds them."""
    return layout is not None and layout.length == "fixed" and not layout.variants and layout.n_bytes < 256


def struct(layout: FrameLayout | None) -> str:
    """Return the members of `struct reading_framer`."""
    if is_windowed(layout):
        return "    uint8_t bytes[READING_FRAME], size;"
    return "    uint8_t bytes[READING_FRAME];\n    uint16_t size, done;\n    uint8_t torn;"


def framer(layout: FrameLayout | None) -> list[str]:
    """Return `reading_start`, `reading_push` and `reading_gap`."""
    every = forms(layout)
    if layout is not None and is_windowed(layout):
        return _windowed(layout)
    # Where an end alone parts frames, the first one may be the rest of a frame that began before.
    tears = any(one.length == "delimited" and not one.start for one in every)
    lines = ["void reading_start(struct reading_framer *framer)", "{", "    framer->size = 0;", "    framer->done = 0;",
             f"    framer->torn = {int(tears)};", "}", ""]
    lines += ["/* Size of the frame that stands complete in the buffer, 0 to wait for more, -1 where none can. */",
              "static int complete(const struct reading_framer *framer, int closed)", "{",
              "    const uint8_t *frame = framer->bytes;", "    unsigned n = framer->size;", "    (void)closed;",
              "    (void)frame;"]
    for number, one in enumerate(every):
        lines += _complete(number, one)
    if not every or any(one.length == "gap" for one in every):
        lines += ["    return closed && n ? (int)n : 0;", "}", ""]
    else:
        lines += [f"    return {' || '.join(f'may{i}' for i in range(len(every)))} ? 0 : -1;", "}", ""]
    return lines + filled(_FRAMER, TORN=str(int(tears))).splitlines()


def _windowed(layout: FrameLayout) -> list[str]:
    n = layout.n_bytes
    tests = [f"WIRE(framer->bytes, {i}) == 0x{byte:02X}" for i, byte in enumerate(layout.start)]
    tests += [f"WIRE(framer->bytes, {n - len(layout.end) + i}) == 0x{byte:02X}" for i, byte in enumerate(layout.end)]
    if layout.checks:
        tests.append(f"holds(framer->bytes, {n})")
    return filled(_WINDOWED, N=str(n), LAST=str(n - 1), FITS=" && ".join(tests) or "1").splitlines()


def _complete(number: int, layout: FrameLayout) -> list[str]:
    if layout.length == "gap":
        return []
    may = f"may{number}"
    lines = [f"    int {may} = 1;"]
    for i, byte in enumerate(layout.start):
        lines.append(f"    {may} = {may} && (n <= {i}u || WIRE(frame, {i}u) == 0x{byte:02X}u);")
    if layout.length == "fixed":
        size, there = f"{layout.n_bytes}u", "1"
    elif layout.length == "field":
        size, there = f"(unsigned)(WIRE(frame, {layout.field_at}u) + {layout.field_add})", f"n > {layout.field_at}u"
    else:
        end = " && ".join(f"WIRE(frame, n - {len(layout.end) - i}u) == 0x{byte:02X}u"
                          for i, byte in enumerate(layout.end))
        lines += [f"    if ({may} && n >= {len(layout.end)}u && {end})", "        return (int)n;"]
        return lines
    ends = "".join(f" && WIRE(frame, {size} - {len(layout.end) - i}u) == 0x{byte:02X}u"
                   for i, byte in enumerate(layout.end))
    sound = f"sound{number}(frame, {size})" if layout.checks else "1"
    lines += [f"    if ({may} && {there} && n >= {size}) {{",
              f"        if ({size} > {len(layout.end)}u{ends} && {sound})",
              f"            return (int){size};", f"        {may} = 0;", "    }"]
    return lines


_WINDOWED = """\
void reading_start(struct reading_framer *framer)
{
    framer->size = 0;
}

/* The bytes are a window over the last ones; size counts those since the last frame. */
size_t reading_push(struct reading_framer *framer, uint8_t byte)
{
    memmove(framer->bytes, framer->bytes + 1, @LAST@);
    framer->bytes[@LAST@] = byte;
    if (framer->size < @LAST@)
        framer->size++;
    else if (@FITS@)
        return @N@u + (framer->size = 0);
    return 0;
}

size_t reading_gap(struct reading_framer *framer)
{
    framer->size = 0;
    return 0;
}
"""
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
