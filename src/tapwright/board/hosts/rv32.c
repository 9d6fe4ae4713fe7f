/* What picolibc needs under qemu's user mode: console streams over the Linux calls of 32-bit RISC-V, and a start. */
#include <stdio.h>

static long call(long number, long a, long b, long c)
{
    register long a0 __asm__("a0") = a, a1 __asm__("a1") = b, a2 __asm__("a2") = c, a7 __asm__("a7") = number;
    __asm__ volatile("ecall" : "+r"(a0) : "r"(a1), "r"(a2), "r"(a7) : "memory");
    return a0;
}

static char held_in[4096], held_out[4096];
static long n_in, at_in, n_out;

static int flushed(FILE *stream)
{
    (void)stream;
    for (long at = 0; at < n_out;) {
        long n = call(64, 1, (long)(held_out + at), n_out - at);
        if (n <= 0)
            break;
        at += n;
    }
    n_out = 0;
    return 0;
}

static int put(char c, FILE *stream)
{
    held_out[n_out++] = c;
    return n_out == sizeof held_out ? flushed(stream) : 0;
}

static int get(FILE *stream)
{
    (void)stream;
    if (at_in == n_in) {
        at_in = 0;
        n_in = call(63, 0, (long)held_in, sizeof held_in);
        if (n_in <= 0) {
            n_in = 0;
            return _FDEV_EOF;
        }
    }
    return (unsigned char)held_in[at_in++];
}

static FILE console = FDEV_SETUP_STREAM(put, get, flushed, _FDEV_SETUP_RW);
FILE *const stdin = &console, *const stdout = &console, *const stderr = &console;

int main(void);

void begin(void)
{
    int code = main();
    flushed(stdout);
    for (;;)
        call(93, code, 0, 0);
}
