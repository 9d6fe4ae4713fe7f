/* A value change dump of scalars with one-character codes to edges a code: the reference of bench_captures. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int main(int argc, char **argv)
{
    static int64_t *edge[128];
    static size_t count[128], room[128];
    static char level[128];
    FILE *file = fopen(argv[argc - 1], "rb");
    fseek(file, 0, SEEK_END);
    size_t n = (size_t)ftell(file);
    rewind(file);
    char *data = malloc(n + 1);
    n = fread(data, 1, n, file);
    data[n] = 0;
    char *p = strstr(data, "$enddefinitions");
    int64_t now = 0;
    for (p = strchr(p, '\n') + 1; *p; p++) {
        if (*p == '#') {
            now = 0;
            for (p++; *p >= '0'; p++)
                now = now * 10 + (*p - '0');
        } else if (*p == '0' || *p == '1') {
            int code = p[1] & 127;
            if (level[code] != *p) {
                level[code] = *p;
                if (count[code] == room[code]) {
                    room[code] = room[code] ? room[code] * 2 : 1024;
                    edge[code] = realloc(edge[code], room[code] * sizeof **edge);
                }
                edge[code][count[code]++] = now;
            }
            p += 2;
        }
        while (*p && *p != '\n')
            p++;
        if (!*p)
            break;
    }
    for (int k = 33; k < 128; k++)
        if (count[k])
            printf("%c %zu\n", k, count[k]);
    return 0;
}
