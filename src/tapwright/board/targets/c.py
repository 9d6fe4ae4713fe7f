"""C99: `reading.h`, `reading.c` and `main_stdio.c` for one instrument.

No heap, no globals, integers and constant tables only. Only what this instrument's map needs is written out, so that a
segment-mirror decoder stays near the size of one written by hand; texts of units and flags are left to who shows them.
Names begin with `reading_`.
"""

from __future__ import annotations

from tapwright.board import c_framer, c_rows, c_units
from tapwright.board.about import About
from tapwright.board.c_sizes import Sizes, sizes
from tapwright.board.c_text import filled
from tapwright.board.digest import digest
from tapwright.core.instrument import Instrument

FOLDER = "c"


def files(instrument: Instrument, about: About | None = None) -> dict[str, str]:
    """Return file name -> text; the same description gives the same bytes every time."""
    del about  # all that the C target needs is in the description
    units = c_units.Units(instrument.reading_map)
    return {
        "reading.h": _header(instrument, sizes(instrument), units),
        "reading.c": "\n".join([*_head(instrument, "Decoder"), '#include "reading.h"', "", "#include <string.h>", "",
                                *c_rows.source(instrument, units)]) + "\n",
        "main_stdio.c": MAIN,
    }


def _head(instrument: Instrument, what: str) -> list[str]:
    name = " ".join(instrument.name.replace("*/", "").split())
    return [f"/* {what} of: {name}",
            f" * Written by tapwright from the description with SHA-256 {digest(instrument)}.",
            " * Do not edit: change the description and write it anew. */"]


def _header(instrument: Instrument, sizes: Sizes, units: c_units.Units) -> str:
    return filled(
        _HEADER, HEAD="\n".join(_head(instrument, "Decoder")), DISPLAY=str(sizes.display), FRAME=str(sizes.frame),
        TEXTS="\n".join(c_units.macros(instrument.reading_map, units)), UNIT=c_rows.unit_type(units),
        FLAGS=c_units.flag_type(instrument.reading_map), FRAMER=c_framer.struct(instrument.layout))


_HEADER = """\
@HEAD@
#ifndef READING_H
#define READING_H

#include <stddef.h>
#include <stdint.h>

#define READING_DISPLAY @DISPLAY@ /* bytes of the display's text, its end included */
#define READING_FRAME @FRAME@ /* bytes of the longest frame */

/* Texts for who shows them: of units by number, their prefix included (UTF-8), and of flags by bit.
 * READING_MORE among the flags: more may be on. */
@TEXTS@

enum reading_status {
    READING_OK, READING_OVERLOAD, READING_BLANK, READING_UNPROVEN, READING_BAD_CHECK, READING_BROKEN
};

struct reading {
    char display[READING_DISPLAY]; /* as the eye reads it, ? for what is not settled */
    @UNIT@ unit; /* a number in READING_UNITS */
    @FLAGS@ flags;
    uint8_t status; /* enum reading_status; only READING_OK is a measurement */
};

/* Reads one frame as received. */
void reading_decode(const uint8_t *frame, size_t size, struct reading *out);

/* Bytes as they arrive: push gives the size of the frame that is complete now (in `bytes`), or 0.
 * Call gap when the line has been silent for longer than a character or two. */
struct reading_framer {
@FRAMER@
};
void reading_start(struct reading_framer *framer);
size_t reading_push(struct reading_framer *framer, uint8_t byte);
size_t reading_gap(struct reading_framer *framer);

#endif
"""
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

static void flags(const struct reading *r)
{
    static const char *const names[] = READING_FLAG_NAMES;
    const char *space = "";
    for (unsigned i = 0; i < READING_N_FLAGS; i++)
        if (r->flags >> i & 1) {
            printf("%s%s", space, names[i]);
            space = " ";
        }
    if (r->flags & READING_MORE)
        printf("%s?", space);
}

int main(void)
{
    static const char *const units[] = READING_UNITS;
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
        cell(r.status < READING_BAD_CHECK ? units[r.unit] : "");
        putchar(',');
        flags(&r);
        printf(",%s\n", words[r.status]);
    }
    return 0;
}
'''
