/* Proven frames, byte by byte, through framer and decoder: for counting instructions. FRAMES: size, bytes, size, ... 0. */
#include "reading.h"

static const uint8_t frames[] = {FRAMES, 0};

int main(void)
{
    static struct reading_framer framer;
    static struct reading out;
    reading_start(&framer);
    for (unsigned i = 0; i < REPEAT; i++)
        for (const uint8_t *at = frames; *at; at += *at + 1) {
            size_t found = 0;
            for (unsigned k = 1; k <= *at; k++) {
                size_t n = reading_push(&framer, at[k]);
                if (n)
                    reading_decode(framer.bytes, n, &out);
                found |= n;
            }
            if (!found) {
                found = reading_gap(&framer);
                if (found)
                    reading_decode(framer.bytes, found, &out);
            }
        }
    return 0;
}
