/* The meter of meter.toml by hand, with all that the emitted decoder does: the yardstick for its size. */
#include "reading.h"

#include <string.h>

enum { UNKNOWN = 18 }; /* the unit behind those of READING_UNITS: 3 * base + prefix */
#ifdef __GNUC__
#define APART __attribute__((noinline))
#else
#define APART
#endif

static const uint8_t shapes[] = {
    0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F, /* 0 to 9 */
    0x00, 0x40, 0x38, 0x30, 0x7C, 0x27, 0x67, /* blank, dash, L, a 1 on the left, 6, 7 and 9 without their tails */
    /* letters that no display of this meter is made of */
    0x08, 0x10, 0x1C, 0x39, 0x3E, 0x50, 0x54, 0x58, 0x5C, 0x5E, 0x6E, 0x71, 0x73, 0x74, 0x76, 0x77, 0x78, 0x79,
};
static const char characters[] = "0123456789 -L1679";

static int holds(const uint8_t *frame)
{
    unsigned crc = 0xFFFF;
    for (unsigned i = 0; i < 13; i++) {
        crc ^= frame[i];
        for (unsigned k = 0; k < 8; k++)
            crc = crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1;
    }
    return crc == 0;
}

APART static unsigned character(unsigned shape)
{
    for (unsigned i = 0; i < sizeof shapes; i++)
        if (shapes[i] == shape)
            return i < sizeof characters - 1 ? (unsigned)characters[i] : 'x';
    return '?';
}

/* Returns the number of the one bit that is set, 0 for none, 255 for several. */
static unsigned the_one(unsigned bits)
{
    unsigned n = 0;
    if (bits & (bits - 1))
        return 255;
    for (; bits; bits >>= 1)
        n++;
    return n;
}




/* Writes what the eye reads; leaves a lone question mark where that is not certain. */
static unsigned display(const uint8_t *frame, char *out)
{
    unsigned odd = 0, spelt = 0, point, i;
    char *o = out, *d;
    point = the_one(frame[5] >> 7 | frame[4] >> 7 << 1 | frame[3] >> 7 << 2);
    if (point > 3)
        return READING_UNPROVEN;
    if (frame[2] & 1)
        *o++ = '-';
    for (i = 4; i; i--) {
        unsigned c = character(frame[7 - i] & 0x7F);
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
        if (c == '?')
            odd |= READING_UNPROVEN;
        else if (c - '0' > 9)
            odd |= 4; /* no number */
    }
    if (spelt && odd < 4)
        return odd;
    if (spelt) {
        for (d = out; *d == '-'; d++)
            ;
        if (!*d)
            return READING_OK;
        if (spelt == ('0' << 8 | 'L')) {
            d[*d == '.'] = 'O';
            return READING_OVERLOAD;
        }
    }
    if (o == out) {
        *o = 0;
        return READING_BLANK;
    }
    out[0] = '?';
    out[1] = 0;
    return READING_UNPROVEN;
}

void reading_decode(const uint8_t *frame, size_t size, struct reading *out)
{
    unsigned status, unit;
    uint8_t flags;
    memset(out, 0, sizeof *out);
    out->status = READING_BROKEN;
    if (!size)
        return;
    out->status = READING_BAD_CHECK;
    if (size < 13 || !holds(frame))
        return;
    out->status = READING_UNPROVEN;
    out->display[0] = '?';
    out->unit = UNKNOWN;
    out->flags = READING_MORE;
    if (size != 13)
        return;
    status = display(frame, out->display);
    flags = frame[9] & 15;
    out->flags = flags | READING_MORE;
    if (frame[10] >> 5)
        return; /* bits that no label saw change */
    out->flags = flags;
    unit = the_one(frame[7] & 3) + 3 * the_one(frame[8] & 31);
    if (unit - 3 > 14)
        return;
    out->unit = (uint8_t)unit;
    out->status = (uint8_t)status;
}

void reading_start(struct reading_framer *framer)
{
    framer->size = 0;
}

size_t reading_push(struct reading_framer *framer, uint8_t byte)
{
    memmove(framer->bytes, framer->bytes + 1, 12);
    framer->bytes[12] = byte;
    if (framer->size < 12)
        framer->size++;
    else if (framer->bytes[0] == 0x5A && framer->bytes[1] == 0xA5 && holds(framer->bytes))
        return 13 + (framer->size = 0);
    return 0;
}

size_t reading_gap(struct reading_framer *framer)
{
    framer->size = 0;
    return 0;
}
