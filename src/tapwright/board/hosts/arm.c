/* What newlib needs under qemu's user mode: its system hooks over the Linux calls of Arm (EABI), and a start. */
#include <stddef.h>

static long call(long number, long a, long b, long c)
{
    register long r0 __asm__("r0") = a, r1 __asm__("r1") = b, r2 __asm__("r2") = c, r7 __asm__("r7") = number;
    __asm__ volatile("svc 0" : "+r"(r0) : "r"(r1), "r"(r2), "r"(r7) : "memory");
    return r0;
}

static char heap[1 << 16], *top = heap; /* for the buffers of stdin and stdout */

int _read(int file, void *to, size_t n) { return (int)call(3, file, (long)to, (long)n); }
int _write(int file, const void *from, size_t n) { return (int)call(4, file, (long)from, (long)n); }
void *_sbrk(ptrdiff_t n) { return (top += n) - n; }
int _close(int file) { (void)file; return -1; }
int _lseek(int file, int to, int from) { (void)file; (void)to; (void)from; return 0; }
int _isatty(int file) { (void)file; return 0; }
int _fstat(int file, void *about) { (void)file; (void)about; return -1; }
int _getpid(void) { return 1; }
int _kill(int process, int sign) { (void)process; (void)sign; return -1; }

void _exit(int code)
{
    for (;;)
        call(1, code, 0, 0);
}

int main(void);
int fflush(void *stream);

void begin(void)
{
    int code = main();
    fflush(0);
    _exit(code);
}
