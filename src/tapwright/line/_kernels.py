"""The receiver's walk as compiled code, for captures of millions of edges; imported only for those.

The same rules as `receive.py` in arrays: the two are tested against each other.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

N_LEVELS = 13
PHASE_BITS = 6
FAR = 63


@njit(cache=True)
def walk(
    edges: NDArray[np.int64], begin: int, t: float, before_stop: int, index: NDArray[np.int64],
    levels: NDArray[np.uint16], half: NDArray[np.uint8], at: NDArray[np.float64],
) -> int:
    """Follow the characters from edge `begin` on; fill the arrays, return how many there are."""
    n, count, i = len(edges), 0, begin
    off = np.empty(PHASE_BITS + 1)
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
        index[count], levels[count], at[count] = i, word, grid
        if count:
            half[count - 1] = min(int(np.floor((grid - at[count - 1]) / t * 2 + 0.7)), FAR)
        half[count] = FAR
        count += 1
        i = passed_stop + 1 if (passed_stop + 1 - i) & 1 == 0 else passed_stop + 2
    return count
