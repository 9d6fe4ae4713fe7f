"""Reading value changes as compiled code, for dumps of many megabytes; imported only for those.

The same rules as the word-by-word reader of `vcd.py`: the two are tested against each other.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

DONE, FULL, BAD, BACKWARDS = 0, 1, 2, 3
NOW, FIRST_TICK, SKIPPING, COUNT, WHERE = 0, 1, 2, 3, 4
MOST_DIGITS = 18
MOST_CODE = 9  # characters: 94**9 fits into 64 bits


@njit(cache=True)
def _find(keys: NDArray[np.int64], key: int) -> int:
    low, high = 0, len(keys)
    while low < high:
        middle = (low + high) // 2
        if keys[middle] < key:
            low = middle + 1
        else:
            high = middle
    return low if low < len(keys) and keys[low] == key else -1


@njit(cache=True)
def scan(
    data: NDArray[np.uint8], final: bool, value_of: NDArray[np.int8], direct: NDArray[np.int32],
    keys: NDArray[np.int64], first_bit: NDArray[np.int32], widths: NDArray[np.int32], known: NDArray[np.int8],
    state: NDArray[np.int64], bits: NDArray[np.int32], ticks: NDArray[np.int64], values: NDArray[np.int8],
) -> tuple[int, int]:
    """Read value changes until the data end or the output is full; return status and bytes consumed.

    `first_bit` is -1 for codes whose values are no levels. `state` carries time and the like between calls;
    `state[WHERE]` is the offset of what is wrong.
    """
    n, i, count, room = len(data), 0, 0, len(bits)
    now, first_tick, skipping = state[NOW], state[FIRST_TICK], state[SKIPPING]
    status = DONE
    while True:
        while i < n and data[i] <= 32:
            i += 1
        begin = i
        if i >= n:
            break
        lead = data[i]
        state[WHERE] = begin
        if lead == 35 and not skipping:
            tick, i = 0, i + 1
            while i < n and 48 <= data[i] <= 57:
                tick = tick * 10 + (data[i] - 48)
                i += 1
            if i >= n and not final:
                break
            if (i < n and data[i] > 32) or i == begin + 1 or i - begin > MOST_DIGITS + 1:
                status = BAD
                break
            if tick < now:
                status = BACKWARDS
                break
            now = tick
            if first_tick < 0:
                first_tick = tick
            continue
        end = i + 1
        key = 0
        while end < n and data[end] > 32:
            key = key * 95 + (data[end] - 32)
            end += 1
        if end >= n and not final:
            break
        if skipping or lead == 36:
            is_end = end - i == 4 and data[i + 1] == 101 and data[i + 2] == 110 and data[i + 3] == 100
            if skipping:
                skipping = 0 if lead == 36 and is_end else 1
            elif end - i >= 5 and (data[i + 1] == 99 or data[i + 1] == 118 or data[i + 2] == 97):
                skipping = 1  # $comment, $version, $date
            i = end
            continue
        scalar = value_of[lead] >= 0 and lead != 45
        if scalar:
            code, code_end = i + 1, end
        elif lead == 98 or lead == 66 or lead == 114 or lead == 82 or lead == 115 or lead == 83:
            code = end
            while code < n and data[code] <= 32:
                code += 1
            code_end, key = code, 0
            while code_end < n and data[code_end] > 32:
                key = key * 95 + (data[code_end] - 32)
                code_end += 1
            if code_end >= n and not final:
                break
        else:
            status = BAD
            break
        if code_end - code > MOST_CODE or code_end == code:
            status = BAD
            break
        place = -1
        if len(direct):
            place = direct[key] if 0 <= key < len(direct) else -1
        else:
            place = _find(keys, key)
        if place < 0:
            status = BAD
            break
        bit, width = first_bit[place], widths[place]
        if bit < 0 or not (scalar or lead == 98 or lead == 66):
            i = code_end
            continue
        if count + width > room:
            status = FULL
            break
        if scalar:
            value = value_of[lead]
            if known[bit] != value:
                known[bit], bits[count], ticks[count], values[count] = value, bit, now, value
                count += 1
        else:
            length = end - i - 1
            if length < 1:
                status = BAD
                break
            pad = value_of[data[i + 1]] if value_of[data[i + 1]] == 2 else 0
            for w in range(width):
                k = end - width + w
                value = pad if k <= i else value_of[data[k]]
                if value < 0:
                    status = BAD
                    break
                if known[bit + w] != value:
                    known[bit + w], bits[count], ticks[count], values[count] = value, bit + w, now, value
                    count += 1
            if status == BAD:
                break
        i = code_end
    state[NOW], state[FIRST_TICK], state[SKIPPING], state[COUNT] = now, first_tick, skipping, count
    return status, begin if begin < n else n


@njit(cache=True)
def gather(
    bits: NDArray[np.int32], ticks: NDArray[np.int64], values: NDArray[np.int8], at: NDArray[np.int64],
    out_ticks: NDArray[np.int64], out_values: NDArray[np.int8],
) -> None:
    """Put changes in order of their bit, keeping time order; `at` is where each bit's changes begin, and is moved."""
    for i in range(len(bits)):
        k = at[bits[i]]
        out_ticks[k], out_values[k] = ticks[i], values[i]
        at[bits[i]] = k + 1
