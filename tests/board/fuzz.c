/* Random inputs for an emitted decoder, to be built with sanitizers: fuzz COUNT SEED. A sound frame's start is likely. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "reading.h"

static uint32_t state;

static uint32_t draw(void) /* xorshift, G. Marsaglia 2003 */
{
    state ^= state << 13;
    state ^= state >> 17;
    return state ^= state << 5;
}

int main(int argc, char **argv)
{
    static const uint8_t start[] = START;
    static const uint8_t likely[] = {'0', '9', '.', '-', ',', ' ', '\r', '\n', 0x00, 0xFF};
    unsigned long counts[6] = {0}, frames = 0, count = argc > 1 ? strtoul(argv[1], 0, 10) : 1;
    struct reading_framer framer;
    state = argc > 2 ? (uint32_t)strtoul(argv[2], 0, 10) : 1;
    reading_start(&framer);
    for (unsigned long i = 0; i < count; i++) {
        /* On the heap and no larger than the frame, so that a byte read behind its end is seen. */
        size_t size = draw() % 8 ? READING_FRAME < 64 ? READING_FRAME : draw() % 40 : draw() % 80;
        uint8_t *frame = malloc(size + !size);
        struct reading out;
        unsigned text = draw() & 1;
        for (size_t k = 0; k < size; k++)
            frame[k] = text ? likely[draw() % sizeof likely] : (uint8_t)(draw() >> 7);
        if (draw() & 3)
            for (size_t k = 0; k < size && k + 1 < sizeof start; k++)
                frame[k] = start[k];
        reading_decode(frame, size, &out);
        counts[out.status]++;
        if (!memchr(out.display, 0, sizeof out.display))
            return 1;
        for (size_t k = 0; k < size; k++)
            frames += reading_push(&framer, frame[k]) != 0;
        if (!(draw() & 15))
            frames += reading_gap(&framer) != 0;
        free(frame);
    }
    printf("%lu inputs: %lu ok, %lu overload, %lu blank, %lu unproven, %lu bad check, %lu broken; %lu framed\n", count,
           counts[0], counts[1], counts[2], counts[3], counts[4], counts[5], frames);
    return 0;
}
