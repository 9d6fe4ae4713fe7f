"""Reading value changes as machine code, for dumps of many megabytes.

The same rules as the word-by-word reader of `_vcd_values.py`: the two are tested against each other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.machine_code import loop

DONE, FULL, BAD, BACKWARDS = 0, 1, 2, 3
NOW, FIRST_TICK, SKIPPING, WHERE, USED, WANTED = 0, 1, 2, 3, 4, 5
LAST_TICK = 2**60 - 1  # times are kept beside two bits of value
UNKNOWN, SAME_TICK = 1, 2  # what a line has had: an x or z, two changes at one time


@loop("u1* i8 i8 i1* i4* i8 i8* i8 i4* i4* i1* i8* u1* i8* i8** i8* i8*")
def scan(
    data: NDArray[np.uint8], n: int, final: int, value_of: NDArray[np.int8], direct: NDArray[np.int32], n_direct: int,
    keys: NDArray[np.int64], n_keys: int, first_bit: NDArray[np.int32], widths: NDArray[np.int32],
    known: NDArray[np.int8], last_at: NDArray[np.int64], had: NDArray[np.uint8], state: NDArray[np.int64],
    changes: NDArray[np.int64], counts: NDArray[np.int64], rooms: NDArray[np.int64],
) -> int:
    """Read value changes until the data end or a line's array is full; return what stopped it.

    `first_bit` is -1 for codes whose values are no levels. A change is four times its tick plus its value, and goes to
    the array of its line, at whose address `changes` points. `state` carries time and the like between calls:
    `state[USED]` bytes are done, `state[WHERE]` is where a bad word begins, `state[WANTED]` is the line that is full.
    """
    i = 0
    now, first_tick, skipping = state[NOW], state[FIRST_TICK], state[SKIPPING]
    status, begin = DONE, 0
    while True:
        while i < n and (data[i] == 32 or 9 <= data[i] <= 13):
            i += 1
        begin = i
        if i >= n:
            break
        lead = data[i]
        if lead == 35 and skipping == 0:
            tick, i = 0, i + 1
            while i < n and 48 <= data[i] <= 57 and tick <= LAST_TICK // 10:
                tick = tick * 10 + (data[i] - 48)
                i += 1
            digits = i - begin - 1
            while i < n and not (data[i] == 32 or 9 <= data[i] <= 13):
                i += 1
            if i >= n and final == 0:
                break
            if digits != i - begin - 1 or digits == 0 or digits > 19 or tick > LAST_TICK:
                status = BAD
                break
            if tick < now:
                status = BACKWARDS
                break
            now = tick
            if first_tick < 0:
                first_tick = tick
            continue
        end, key, plain = i + 1, 0, 1
        while end < n and not (data[end] == 32 or 9 <= data[end] <= 13):
            key = key * 95 + (data[end] - 32)
            if data[end] < 33 or data[end] > 126:
                plain = 0
            end += 1
        if end >= n and final == 0:
            break
        if skipping != 0 or lead == 36:
            if skipping != 0:
                if lead == 36 and end - i == 4 and data[i + 1] == 101 and data[i + 2] == 110 and data[i + 3] == 100:
                    skipping = 0  # $end
            elif end - i == 5 and data[i + 1] == 100 and data[i + 2] == 97 and data[i + 3] == 116 and (
                    data[i + 4] == 101):
                skipping = 1  # $date
            elif end - i == 8 and data[i + 1] == 99 and data[i + 2] == 111 and data[i + 3] == 109 and (
                    data[i + 4] == 109 and data[i + 5] == 101 and data[i + 6] == 110 and data[i + 7] == 116):
                skipping = 1  # $comment
            elif end - i == 8 and data[i + 1] == 118 and data[i + 2] == 101 and data[i + 3] == 114 and (
                    data[i + 4] == 115 and data[i + 5] == 105 and data[i + 6] == 111 and data[i + 7] == 110):
                skipping = 1  # $version
            i = end
            continue
        scalar = value_of[lead] >= 0 and lead != 45
        code, code_end = i + 1, end
        if not scalar:
            if not (lead == 98 or lead == 66 or lead == 114 or lead == 82 or lead == 115 or lead == 83):
                status = BAD
                break
            code = end
            while code < n and (data[code] == 32 or 9 <= data[code] <= 13):
                code += 1
            code_end, key, plain = code, 0, 1
            while code_end < n and not (data[code_end] == 32 or 9 <= data[code_end] <= 13):
                key = key * 95 + (data[code_end] - 32)
                if data[code_end] < 33 or data[code_end] > 126:
                    plain = 0
                code_end += 1
            if code_end >= n and final == 0:
                break
        place = -1
        if plain == 1 and code_end > code:
            if n_direct > 0:
                if 0 <= key < n_direct:
                    place = direct[key]
            else:
                low, high = 0, n_keys
                while low < high:
                    middle = (low + high) // 2
                    if keys[middle] < key:
                        low = middle + 1
                    else:
                        high = middle
                if low < n_keys and keys[low] == key:
                    place = low
        if place < 0:
            status = BAD
            break
        bit, width = first_bit[place], widths[place]
        if bit < 0 or not (scalar or lead == 98 or lead == 66):
            i = code_end
            continue
        if not scalar and end - i < 2:
            status = BAD
            break
        if scalar:
            width = 1  # of a vector the first bit, as a simulator means it
        pad = 0
        if not scalar and value_of[data[i + 1]] == 2:
            pad = 2
        for w in range(width):
            if scalar:
                value = value_of[lead]
            else:
                k = end - width + w
                value = pad
                if k > i:
                    value = value_of[data[k]]
            if value < 0:
                status = BAD
                break
            at = bit + w
            if known[at] != value:
                count = counts[at]
                if count == rooms[at]:
                    status, state[WANTED] = FULL, at
                    break
                if value == 2:
                    had[at] |= UNKNOWN
                if last_at[at] == now:
                    had[at] |= SAME_TICK
                known[at], last_at[at] = value, now
                changes[at][count] = now * 4 + value
                counts[at] = count + 1
        if status != DONE:
            break
        i = code_end
    state[NOW], state[FIRST_TICK], state[SKIPPING] = now, first_tick, skipping
    state[WHERE], state[USED] = begin, min(begin, n)
    return status
