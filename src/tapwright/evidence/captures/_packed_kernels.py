"""Finding changes of packed samples as machine code, for large files."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.machine_code import Loop

BLOCK = 64  # words


def _changes(
    samples: NDArray[np.unsignedinteger], n: int, words: NDArray[np.int64], last: int, base: int, width: int,
    edges: NDArray[np.int64], counts: NDArray[np.int64],
) -> int:
    """Write where each line changes to the array of its line, at whose address `edges` points; return the last sample.

    `words` are the same samples, eight bytes at a time. Every array has room for `n` more.
    """
    per, mask = 64 // width, (1 << width) - 1
    everywhere = 0  # times a sample: the sample in every place of a word
    for k in range(per):
        everywhere |= 1 << k * width
    n_words, i, until = n // per, -1, 0
    while i + 1 < n_words:
        i += 1
        if i >= until:
            # Whole blocks without a change are passed at the speed of memory.
            until, same = i + BLOCK, last * everywhere
            if until <= n_words:
                differs = 0
                for j in range(BLOCK):
                    differs |= words[i + j] ^ same
                if differs == 0:
                    i = until - 1
                    continue
        word = words[i]
        if word == last * everywhere:
            continue
        differs = word ^ (word << width | last)  # from the sample before; the first sample is the lowest
        while differs != 0:
            lowest = differs & -differs
            k = per - 1
            if lowest > 0:
                k = 0
                for place in range(1, per):
                    k += lowest >> place * width > 0
            flips = differs >> k * width & mask
            differs &= ~(mask << k * width)
            bit = 0
            while flips != 0:
                if flips & 1 != 0:
                    count = counts[bit]
                    edges[bit][count] = base + i * per + k
                    counts[bit] = count + 1
                flips >>= 1
                bit += 1
        last = word >> (per - 1) * width & mask
    for i in range(n // per * per, n):
        flips = samples[i] ^ last
        for bit in range(width):
            if flips >> bit & 1 != 0:
                edges[bit][counts[bit]] = base + i
                counts[bit] += 1
        last = samples[i]
    return last


CHANGES_8 = Loop(_changes, "u1* i8 i8* i8 i8 i8 i8** i8*")
CHANGES_16 = Loop(_changes, "u2* i8 i8* i8 i8 i8 i8** i8*")
