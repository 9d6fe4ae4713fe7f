"""The receiver's walk and the rate's likelihood as machine code, for captures of many edges.

The same rules as in `receive.py` and `rate.py`: they are tested against each other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.machine_code import loop

N_LEVELS = 13
PHASE_BITS = 6
FAR = 63


@loop("i8* i8 i8 i8 f8 i8 i8* u2* u1* u1* f8*")
def walk(
    edges: NDArray[np.int64], n: int, begin: int, stretch_end: int, t: float, before_stop: int,
    index: NDArray[np.int64], levels: NDArray[np.uint16], half: NDArray[np.uint8], whole: NDArray[np.uint8],
    off: NDArray[np.float64],
) -> int:
    """Follow the characters from edge `begin` on; fill the arrays, return how many there are.

    `off` is room for `PHASE_BITS + 1` numbers.
    """
    count, i, before = 0, begin, 0.0
    while i < n:
        start = float(edges[i])
        m = 0
        j = i
        while j < n and j <= i + PHASE_BITS:
            away = float(edges[j]) - start
            if away >= (PHASE_BITS + 0.4) * t:
                break
            value = away - np.rint(away / t) * t
            k = m
            while k > 0 and off[k - 1] > value:
                off[k] = off[k - 1]
                k -= 1
            off[k] = value
            m += 1
            j += 1
        grid = start + (off[(m - 1) // 2] + off[m // 2]) / 2
        j, word, passed_stop = i, 0, i
        for k in range(N_LEVELS):
            middle = grid + t * (k + 0.5)
            while j + 1 < n and edges[j + 1] <= middle:
                j += 1
            word |= ((j - i) & 1) << k
            if k == before_stop:
                passed_stop = j
        index[count], levels[count] = i, word
        whole[count] = 1 if np.floor((stretch_end - grid) / t + 0.5) > before_stop else 0
        if count > 0:
            half[count - 1] = int(min(np.floor((grid - before) / t * 2 + 0.7), float(FAR)))
        half[count], before = FAR, grid
        count += 1
        i = passed_stop + 1 if (passed_stop + 1 - i) & 1 == 0 else passed_stop + 2
    return count


@loop("f8* i8* i8* i8 i8 f8* i8 f8 f8*")
def box_logs(
    from_start: NDArray[np.float64], bit: NDArray[np.int64], first: NDArray[np.int64], n_characters: int, n: int,
    trial: NDArray[np.float64], n_trials: int, grid: float, logs: NDArray[np.float64],
) -> int:
    """Fill the one-sample likelihood's logarithm of every trial unit interval, minus infinity where it cannot be."""
    for k in range(n_trials):
        t, total, product = trial[k] / grid, 0.0, 1.0
        for i in range(n_characters):
            low = high = from_start[first[i]] / grid - bit[first[i]] * t
            for j in range(first[i] + 1, first[i + 1] if i + 1 < n_characters else n):
                off = from_start[j] / grid - bit[j] * t
                low, high = min(low, off), max(high, off)
            if high - low >= 1:
                total = -math.inf
                break
            product *= 1 - (high - low)
            if product < 1e-200:
                total += math.log(product)
                product = 1.0
        logs[k] = total + math.log(product)
    return 0
