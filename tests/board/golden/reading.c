/* Decoder of: pond meter
 * Written by tapwright from the description with SHA-256 7b70124fe52502be502af80bbe40f3abb20836f4ceceb7bf6c89c2254349385b.
 * Do not edit: change the description and write it anew. */
#include "reading.h"

#include <string.h>

struct frame {
    const uint8_t *data;
    unsigned size;
    uint8_t moved;
};

#define WIRE(f, i) ((f)->data[i])

static const uint8_t lamp_bits[43] = {
    0x18, 0x19, 0x1A, 0x1B, 0x1C, 0x1D, 0x1E, 0x20, 0x21, 0x22, 0x23, 0x24,
    0x25, 0x26, 0x28, 0x29, 0x2A, 0x2B, 0x2C, 0x2D, 0x2E, 0x30, 0x31, 0x32,
    0x33, 0x34, 0x35, 0x36, 0x10, 0x2F, 0x27, 0x1F, 0x38, 0x39, 0x40, 0x41,
    0x42, 0x43, 0x44, 0x48, 0x49, 0x4A, 0x4B,
};
static const uint8_t glyphs[70] = {
    0x00, ' ', 0x06, '1', 0x07, '7', 0x08, '_', 0x10, 'i', 0x1C, 'u', 0x27, '7', 0x30, '1',
    0x38, 'L', 0x39, 'C', 0x3E, 'U', 0x3F, '0', 0x40, '-', 0x4F, '3', 0x50, 'r', 0x54, 'n',
    0x58, 'c', 0x5B, '2', 0x5C, 'o', 0x5E, 'd', 0x66, '4', 0x67, '9', 0x6D, '5', 0x6E, 'y',
    0x6F, '9', 0x71, 'F', 0x73, 'P', 0x74, 'h', 0x76, 'H', 0x77, 'A', 0x78, 't', 0x79, 'E',
    0x7C, '6', 0x7D, '6', 0x7F, '8',
};

static unsigned lamp(const struct frame *f, unsigned i)
{
    unsigned at = lamp_bits[i];
    return WIRE(f, at >> 3) >> (at & 7) & 1u;
}

/* Writes the display; returns whether it is an overload sign. */
static int display(const struct frame *f, char *out)
{
    char p[4 + 1], *o = out, *d;
    unsigned i, k, shape, sign = lamp(f, 28), odd = 0;
    int decimals = 0;
    static const uint8_t after[] = {1, 2, 3};
    for (i = 0; i < 3; i++)
        if (lamp(f, 29 + i))
            decimals = decimals ? -1 : after[i];
    for (i = 0; i < 4; i++) {
        for (k = 7, shape = 0; k--;)
            shape = shape << 1 | lamp(f, 7 * i + k);
        for (k = 0; k < sizeof glyphs && glyphs[k] != shape;)
            k += 2;
        p[i] = k < sizeof glyphs ? (char)glyphs[k + 1] : '\077';
    }
    p[4] = 0;
    for (d = p; *d == ' ';)
        d++;
    if (!*d && !sign && !decimals)
        return 0;
    if (!sign && *d == '-' && d[1])
        while (*++d == ' ')
            ;
    for (o = d; *o; o++)
        odd |= *o == '\077' ? 2 : *o < '0' || *o > '9';
    o = out;
    if (decimals < 0 || odd > 2 || (odd & 1 ? 0 : p + 4 - d < decimals + !decimals)) {
        *o = '\077';
        return 0;
    }
    if (sign)
        *o++ = '-';
    for (d = p; *d; d++) {
        if (decimals && p + 4 - d == decimals)
            *o++ = '.';
        if (*d != ' ')
            *o++ = *d;
    }
    if (odd & 1) {
        uint32_t said = 0;
        for (d = out; *d == '-';)
            d++;
        for (o = d; *o; o++)
            said = said << 8 | (uint32_t)(unsigned char)*o;
        if (!said)
            return 0;
        /* 0L behind one dash at most, its point anywhere. */
        if (d - out < 2 && (said == 0x304C || said == 0x302E4C || said == 0x304C2E || said == 0x2E304C)) {
            d[*d == '.'] = 'O';
            return 1;
        }
        memcpy(out, "\077", 2);
    }
    return 0;
}

static int check0(const struct frame *f)
{
    int n = (int)f->size;
    int first = 0, last = 10, at = 11;
    uint32_t sent = 0;
    if (n < 13)
        return 0;
    sent = sent << 8 | WIRE(f, (unsigned)(at + 1));
    sent = sent << 8 | WIRE(f, (unsigned)(at + 0));
    uint32_t crc = 0xFFFFu;
    for (int i = first; i <= last; i++) {
        crc ^= WIRE(f, (unsigned)i);
        for (int k = 0; k < 8; k++)
            crc = crc & 1u ? crc >> 1 ^ 0xA001u : crc >> 1;
    }
    return (crc ^ 0x0000u) == sent;
}

static int holds(const struct frame *f)
{
    return check0(f);
}

/* Appends the names whose lamps are lit; returns how many. */
static unsigned lit(const struct frame *f, unsigned first, const char *names, char *out, unsigned most)
{
    unsigned n = 0;
    for (; *names; names += strlen(names) + 1)
        if (lamp(f, first++)) {
            if (n++ == most)
                break;
            strcat(out, names);
        }
    return n;
}

void reading_decode(const uint8_t *frame, size_t size, struct reading *out)
{
    struct frame f = {0};
    unsigned bases, prefixes, n;
    int loud;
    memset(out, 0, sizeof *out);
    f.data = frame;
    f.size = (unsigned)size;
    if (!size) {
        out->status = READING_BROKEN;
        return;
    }
    if (!holds(&f)) {
        out->status = READING_BAD_CHECK;
        return;
    }
    if (size != 13) {
        out->display[0] = out->unit[0] = out->flags[0] = '\077';
        out->status = READING_UNPROVEN;
        return;
    }
    static const uint8_t watch[][3] = {{10, 0xE0, 0x00}};
    for (n = 0; n < 1; n++)
        f.moved |= (WIRE(&f, watch[n][0]) ^ watch[n][2]) & watch[n][1];
    loud = display(&f, out->display);
    prefixes = lit(&f, 32, "m\000" "\302\265\000", out->unit, 1);
    bases = lit(&f, 34, "S/cm\000" "mg/L\000" "%\000" "\302\260C\000" "pH\000", out->unit, 1);
    if (f.moved || bases > 1 || prefixes > 1 || !bases)
        memcpy(out->unit, "\077", 2);
    n = lit(&f, 39, "AUTO \000" "HOLD \000" "MIN \000" "MAX \000", out->flags, 255);
    if (f.moved)
        out->flags[strlen(out->flags)] = '\077';
    else if (n)
        out->flags[strlen(out->flags) - 1] = 0;
    if (f.moved || out->unit[0] == '\077' || strchr(out->display, '\077'))
        out->status = READING_UNPROVEN;
    else if (!out->display[0])
        out->status = READING_BLANK;
    else
        out->status = (uint8_t)loud;
}

static int fits(const uint8_t *bytes, unsigned n)
{
    struct frame f = {0};
    f.data = bytes;
    f.size = n;
    if (n > 0u && WIRE(&f, 0) != 0x5Au)
        return 0;
    if (n > 1u && WIRE(&f, 1) != 0xA5u)
        return 0;
    return n < READING_FRAME || (holds(&f));
}

void reading_start(struct reading_framer *framer)
{
    framer->size = 0;
}

size_t reading_push(struct reading_framer *framer, uint8_t byte)
{
    unsigned n = framer->size;
    framer->bytes[n++] = byte;
    while (n && !fits(framer->bytes, n))
        memmove(framer->bytes, framer->bytes + 1, --n);
    framer->size = (uint16_t)(n < READING_FRAME ? n : 0);
    return n < READING_FRAME ? 0 : n;
}

size_t reading_gap(struct reading_framer *framer)
{
    reading_start(framer);
    return 0;
}
