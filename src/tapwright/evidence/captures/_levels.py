"""Value changes of one line as first level, edges and unknown stretches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def levels_of(
    ticks: NDArray[np.int64], values: NDArray[np.int8], start: int, end: int,
) -> tuple[int, NDArray[np.int64], NDArray[np.int64]]:
    """Return first level, edges and unknown stretches of one line from its changes (value 2 is unknown).

    Changes at one tick are one change to the last of them, as a simulator means it.
    """
    if not len(ticks):
        return 0, np.empty(0, np.int64), np.array([[start, end + 1]], np.int64)
    if ticks[0] == start and values.max() < 2 and bool((ticks[1:] > ticks[:-1]).all()) and bool(
            (values[1:] != values[:-1]).all()):
        return int(values[0]), ticks[1:].copy(), np.empty((0, 2), np.int64)
    last = np.append(ticks[1:] != ticks[:-1], True)
    ticks, values = ticks[last], values[last]
    if ticks[0] > start:  # nothing is said before the first change
        ticks, values = np.insert(ticks, 0, start), np.insert(values, 0, np.int8(2))
    is_known = values != 2
    begins = np.flatnonzero(~is_known)
    stretches = np.empty((0, 2), np.int64)
    if len(begins):
        ends = np.append(ticks, end + 1)[begins + 1]
        stretches = _joined(np.stack([ticks[begins], ends], 1))
    known_ticks, known = ticks[is_known], values[is_known]
    if not len(known):
        return 0, np.empty(0, np.int64), stretches
    flips = np.flatnonzero(known[1:] != known[:-1]) + 1
    return int(known[0]), known_ticks[flips], stretches


def _joined(stretches: NDArray[np.int64]) -> NDArray[np.int64]:
    """Join stretches that touch (x then z)."""
    opens = np.append(True, stretches[1:, 0] > stretches[:-1, 1])
    closes = np.append(opens[1:], True)
    return np.stack([stretches[opens, 0], stretches[closes, 1]], 1)
