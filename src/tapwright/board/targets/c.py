"""C99: `reading.h`, `reading.c` and `main_stdio.c` for one instrument.

No heap, no globals, integers and constant tables only. Only what this instrument's map needs is written out, so that a
plain segment-mirror decoder stays near the size of one written by hand. Names begin with `reading_`.
"""

from __future__ import annotations

from tapwright.board import c_checks, c_display, c_frame, c_parts, c_plain
from tapwright.board.about import About
from tapwright.board.digest import digest
from tapwright.core.instrument import Instrument

FOLDER = "c"


def files(instrument: Instrument, about: About | None = None) -> dict[str, str]:
    """Return file name -> text; the same description gives the same bytes every time."""
    del about  # all that the C target needs is in the description
    sizes = c_parts.sizes(instrument)
    return {
        "reading.h": _header(instrument, sizes),
        "reading.c": _source(instrument, sizes),
        "main_stdio.c": MAIN,
    }


def _head(instrument: Instrument, what: str) -> list[str]:
    name = " ".join(instrument.name.replace("*/", "").split())
    return [f"/* {what} of: {name}",
            f" * Written by tapwright from the description with SHA-256 {digest(instrument)}.",
            " * Do not edit: change the description and write it anew. */"]


def _header(instrument: Instrument, sizes: c_parts.Sizes) -> str:
    return "\n".join([
        *_head(instrument, "Decoder"),
        "#ifndef READING_H", "#define READING_H", "", "#include <stddef.h>", "#include <stdint.h>", "",
        f"#define READING_DISPLAY {sizes.display} /* bytes of the display's text, its end included */",
        f"#define READING_UNIT {sizes.unit}", f"#define READING_FLAGS {sizes.flags}",
        f"#define READING_FRAME {sizes.frame} /* bytes of the longest frame */", "",
        "enum reading_status {",
        "    READING_OK, READING_OVERLOAD, READING_BLANK, READING_UNPROVEN, READING_BAD_CHECK, READING_BROKEN",
        "};", "",
        "struct reading {",
        "    char display[READING_DISPLAY]; /* as the eye reads it, ? for what is not settled */",
        "    char unit[READING_UNIT];       /* with its prefix, UTF-8 */",
        "    char flags[READING_FLAGS];     /* words separated by spaces */",
        "    uint8_t status;                /* enum reading_status; only READING_OK is a measurement */",
        "};", "",
        "/* Reads one frame as received. */",
        "void reading_decode(const uint8_t *frame, size_t size, struct reading *out);", "",
        "/* Bytes as they arrive: push gives the size of the frame that is complete now (in `bytes`), or 0.",
        " * Call gap when the line has been silent for longer than a character or two. */",
        "struct reading_framer {", "    uint8_t bytes[READING_FRAME];", "    uint16_t size, done;", "    uint8_t torn;", "};",
        "void reading_start(struct reading_framer *framer);",
        "size_t reading_push(struct reading_framer *framer, uint8_t byte);",
        "size_t reading_gap(struct reading_framer *framer);", "",
        "#endif", ""])


def _source(instrument: Instrument, sizes: c_parts.Sizes) -> str:
    if c_plain.is_plain(instrument):
        lines = [*_head(instrument, "Decoder"), '#include "reading.h"', "", "#include <string.h>", "",
                 *c_plain.source(instrument)]
        return "\n".join(lines) + "\n"
    parts = c_parts.Parts(instrument.reading_map)
    # Written first: what they use says which tables are needed.
    functions = c_display.functions(instrument, parts, sizes)
    lines = [*_head(instrument, "Decoder"), '#include "reading.h"', "", "#include <string.h>", "",
             *c_frame.accessors(instrument), *(c_frame.number() if parts.fields else []), *parts.field_declarations(),
             *parts.lamp_declarations(), *c_frame.lamp(parts), *parts.glyph_declarations(),
             *c_checks.checks(instrument), *functions, *c_frame.framer(instrument)]
    return "\n".join(lines) + "\n"


MAIN = r'''/* Reads one hex frame a line, prints display,value,unit,flags,status a line: a test on any computer. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "reading.h"

#define LONGEST 4096

static int digit(int c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    c |= 32;
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

static void cell(const char *text)
{
    if (!strpbrk(text, ",\"\r\n")) {
        fputs(text, stdout);
        return;
    }
    putchar('"');
    for (; *text; text++) {
        if (*text == '"')
            putchar('"');
        putchar(*text);
    }
    putchar('"');
}

/* A displayed number as arithmetic writes it: -06.8 is -6.8, .5 is 0.5; nothing for no number. */
static void value(const char *text)
{
    const char *at = text;
    size_t points = 0, digits = 0;
    if (*at == '-')
        at++;
    for (const char *c = at; *c; c++) {
        points += *c == '.';
        digits += *c >= '0' && *c <= '9';
        if (*c != '.' && (*c < '0' || *c > '9'))
            return;
    }
    if (!digits || points > 1)
        return;
    if (at != text)
        putchar('-');
    while (*at == '0' && at[1] >= '0' && at[1] <= '9')
        at++;
    if (*at == '.')
        putchar('0');
    fputs(at, stdout);
}

int main(void)
{
    static const char *const words[] = {"ok", "overload", "blank", "unproven", "bad check", "broken"};
    static char line[2 * LONGEST + 3];
    static uint8_t frame[LONGEST];
    unsigned long number = 0;
    while (fgets(line, sizeof line, stdin)) {
        size_t size = 0;
        int high = -1;
        number++;
        for (const char *c = line; *c; c++) {
            int d = digit((unsigned char)*c);
            if (*c == ' ' || *c == '\t' || *c == '\r' || *c == '\n')
                continue;
            if (d < 0) {
                fprintf(stderr, "line %lu: '%c' is no hex digit; expected one frame in hex\n", number, *c);
                return 2;
            }
            if (high < 0) {
                high = d;
            } else {
                if (size == LONGEST) {
                    fprintf(stderr, "line %lu: a frame of more than %d bytes\n", number, LONGEST);
                    return 2;
                }
                frame[size++] = (uint8_t)(high << 4 | d);
                high = -1;
            }
        }
        if (high >= 0) {
            fprintf(stderr, "line %lu: an odd number of hex digits; expected two a byte\n", number);
            return 2;
        }
        struct reading r;
        reading_decode(frame, size, &r);
        cell(r.display);
        putchar(',');
        if (r.status == READING_OK)
            value(r.display);
        putchar(',');
        cell(r.unit);
        putchar(',');
        cell(r.flags);
        printf(",%s\n", words[r.status]);
    }
    return 0;
}
'''
