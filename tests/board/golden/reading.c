/* Decoder of: pond meter
 * Written by tapwright from the description with SHA-256 7b70124fe52502be502af80bbe40f3abb20836f4ceceb7bf6c89c2254349385b.
 * Do not edit: change the description and write it anew. */
#include "reading.h"

#include <string.h>

#ifdef __GNUC__ /* smaller when it is not written into its one caller */
#define APART __attribute__((noinline))
#else
#define APART
#endif

#define WIRE(frame, i) ((frame)[i])

static int holds(const uint8_t *frame, unsigned size)
{
    if (size < 13)
        return 0;
    uint32_t crc = 0xFFFFu;
    for (int i = 0; i <= 12; i++) {
        crc ^= WIRE(frame, (unsigned)i);
        for (int k = 0; k < 8; k++)
            crc = crc & 1u ? crc >> 1 ^ 0xA001u : crc >> 1;
    }
    return crc == 0x0000u;
}

/* The number of the one lamp that is lit, from 1; 0 for none, 16384 where that is not certain. */
static unsigned the_one(uint32_t lit)
{
    unsigned n = 0;
    if (lit & (lit - 1))
        return 16384;
    for (; lit; lit >>= 1)
        n++;
    return n;
}

static unsigned unit_of(const uint8_t *b)
{
    unsigned number = 3 * the_one((b[8] & 31u)) + the_one((b[7] & 3u));
    if (number - 3u > 14u)
        number = 18u;
    return number;
}

static const uint8_t shapes[35] = {
    0x3F, 0x06, 0x30, 0x5B, 0x4F, 0x66, 0x6D, 0x7C, 0x7D, 0x07, 0x27, 0x7F,
    0x67, 0x6F, 0x00, 0x40, 0x38, 0x77, 0x39, 0x79, 0x71, 0x76, 0x73, 0x3E,
    0x08, 0x58, 0x5E, 0x74, 0x10, 0x54, 0x5C, 0x50, 0x78, 0x1C, 0x6E,
};
static const char characters[17] = {
    '0', '1', '1', '2', '3', '4', '5', '6', '6', '7', '7', '8', '9', '9', ' ', '-', 'L',
};

APART static unsigned character(uint32_t lit)
{
    for (unsigned i = 0; i < sizeof shapes; i++)
        if (shapes[i] == lit)
            return i < sizeof characters ? (uint8_t)characters[i] : 'x';
    return '\077';
}

/* Writes the display; a lone question mark, which stands there, is left where it is not certain. */
static unsigned display(const uint8_t *b, char *out)
{
    uint32_t spelt = 0;
    unsigned odd = 0, i, point; /* odd: UNPROVEN for a place that is not known, 4 for no number */
    char *o = out, *d;
    point = the_one(((uint32_t)(b[5] >> 7) | (uint32_t)(b[4] >> 7) << 1 | (uint32_t)(b[3] >> 7) << 2));
    if (point > 3)
        return READING_UNPROVEN;
    if ((b[2] & 1u))
        *o++ = '-';
    for (i = 4; i; i--) {
        unsigned c = character((b[7 - i] & 127u));
        if (i == point)
            *o++ = '.';
        if (c == ' ') {
            if (spelt || i <= point)
                odd |= 4;
            continue;
        }
        *o = (char)c;
        o++;
        if (o == out + 1 && c == '-' && i != 1)
            continue; /* a sign */
        spelt = spelt << 8 | c;
        if (c == '\077')
            odd |= READING_UNPROVEN;
        else if (c - '0' > 9)
            odd |= 4;
    }
    if (spelt && odd < 4)
        return odd;
    if (spelt) {
        for (d = out; *d == '-'; d++)
            ;
        if (!*d)
            return READING_OK;
        /* 0L, its point anywhere; a second dash would be spelt. */
        if (spelt == 0x304C) {
            d[*d == '.'] = 'O';
            return READING_OVERLOAD;
        }
    }
    if (o == out) {
        *o = 0;
        return READING_BLANK;
    }
    out[0] = '\077';
    out[1] = 0;
    return READING_UNPROVEN;
}

void reading_decode(const uint8_t *frame, size_t size, struct reading *out)
{
    const uint8_t *b = frame;
    unsigned moved = 0;
    unsigned status, unit;
    uint8_t flags;
    memset(out, 0, sizeof *out);
    out->status = READING_BROKEN;
    if (!size)
        return;
    out->status = READING_BAD_CHECK;
    if (!holds(frame, (unsigned)size))
        return;
    out->status = READING_UNPROVEN;
    out->display[0] = '\077';
    out->unit = 18;
    out->flags = READING_MORE;
    if (size != 13u)
        return;
    status = display(b, out->display);
    moved = (b[10] & 0xE0u) != 0x00u;
    flags = (uint8_t)((b[9] & 15u));
    out->flags = (uint8_t)(flags | READING_MORE);
    if (moved)
        return; /* bits that no label saw change */
    unit = unit_of(b);
    out->flags = flags;
    out->unit = (uint8_t)unit;
    if (unit != 18)
        out->status = (uint8_t)status;
}

void reading_start(struct reading_framer *framer)
{
    framer->size = 0;
}

/* The bytes are a window over the last ones; size counts those since the last frame. */
size_t reading_push(struct reading_framer *framer, uint8_t byte)
{
    memmove(framer->bytes, framer->bytes + 1, 12);
    framer->bytes[12] = byte;
    if (framer->size < 12)
        framer->size++;
    else if (WIRE(framer->bytes, 0) == 0x5A && WIRE(framer->bytes, 1) == 0xA5 && holds(framer->bytes, 13))
        return 13u + (framer->size = 0);
    return 0;
}

size_t reading_gap(struct reading_framer *framer)
{
    framer->size = 0;
    return 0;
}
