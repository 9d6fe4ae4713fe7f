/* Packed samples to edges, and with a second argument 8N1 bytes of channel 0 as CSV: the reference of bench_captures.
   edges FILE            prints the edges of each channel
   edges FILE OUT SPB    also writes t_s,channel,hex,error of channel 0, SPB samples a bit, a sample a microsecond */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int64_t *edge[8];
static size_t count[8], room[8];

static void push(int k, int64_t at)
{
    if (count[k] == room[k]) {
        room[k] = room[k] ? room[k] * 2 : 1024;
        edge[k] = realloc(edge[k], room[k] * sizeof **edge);
    }
    edge[k][count[k]++] = at;
}

static void read_edges(const char *name)
{
    static unsigned char piece[1 << 18];
    FILE *file = fopen(name, "rb");
    int64_t done = 0;
    int last = -1;
    size_t n;
    while ((n = fread(piece, 1, sizeof piece, file)) > 0) {
        size_t i = 0;
        if (last < 0)
            last = piece[0];
        while (i < n) {
            uint64_t same = 0x0101010101010101ULL * (unsigned)last, word;
            while (i + 8 <= n && (memcpy(&word, piece + i, 8), word == same))
                i += 8;
            size_t end = i + 8 < n ? i + 8 : n;
            for (; i < end; i++)
                if (piece[i] != last) {
                    int flips = piece[i] ^ last;
                    last = piece[i];
                    for (int k = 0; k < 8; k++)
                        if (flips >> k & 1)
                            push(k, done + (int64_t)i);
                }
        }
        done += (int64_t)n;
    }
    fclose(file);
}

static void write_bytes(const char *name, double t)
{
    static char text[1 << 20];
    static const char hex[] = "0123456789ABCDEF";
    FILE *file = fopen(name, "wb");
    int64_t *e = edge[0];
    size_t n = count[0], i = 0, used = 0;
    fputs("t_s,channel,hex,error\n", file);
    while (i < n) {
        int64_t start = e[i];
        size_t j = i;
        int value = 0, stop = 0;
        for (int k = 0; k < 10; k++) {
            double middle = (double)start + (k + 0.5) * t;
            while (j + 1 < n && (double)e[j + 1] <= middle)
                j++;
            int idle = (int)((j - i) & 1);
            if (k > 0 && k < 9)
                value |= idle << (k - 1);
            if (k == 9)
                stop = idle;
        }
        uint64_t whole = (uint64_t)start / 1000000, part = (uint64_t)start % 1000000;
        char digits[24];
        int d = 0;
        do
            digits[d++] = (char)('0' + whole % 10);
        while (whole /= 10);
        while (d)
            text[used++] = digits[--d];
        text[used++] = '.';
        for (int k = 5; k >= 0; k--, part /= 10)
            text[used + (size_t)k] = (char)('0' + part % 10);
        memcpy(text + used + 6, "000,0,", 6);
        used += 12;
        text[used++] = hex[value >> 4];
        text[used++] = hex[value & 15];
        text[used++] = ',';
        if (!stop) {
            memcpy(text + used, "framing", 7);
            used += 7;
        }
        text[used++] = '\n';
        if (used > sizeof text - 100) {
            fwrite(text, 1, used, file);
            used = 0;
        }
        i = (j + 1 - i) & 1 ? j + 2 : j + 1;
    }
    fwrite(text, 1, used, file);
    fclose(file);
}

int main(int argc, char **argv)
{
    read_edges(argv[1]);
    for (int k = 0; k < 8; k++)
        printf("%zu%c", count[k], k < 7 ? ' ' : '\n');
    if (argc > 3)
        write_bytes(argv[2], atof(argv[3]));
    return 0;
}
