"""Finding changes of packed samples as compiled code: for large files whose lines are busy."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True)
def changes(
    samples: NDArray[np.unsignedinteger], last: int, base: int, places: NDArray[np.int64],
    flips: NDArray[np.unsignedinteger],
) -> int:
    """Write where samples differ from the one before, and the bits that flip; return how many."""
    count = 0
    for i in range(len(samples)):
        now = samples[i]
        if now != last:
            places[count], flips[count] = base + i, now ^ last
            count += 1
            last = now
    return count
