"""Writing bytes as a table, and reading tables of plain numbers, as machine code."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.machine_code import loop


@loop("f8* u8* u1* i8 u1* i8 i8 u1* u1*")
def byte_rows(
    t_s: NDArray[np.float64], values: NDArray[np.uint64], errors: NDArray[np.uint8], n: int,
    head: NDArray[np.uint8], n_head: int, digits: int, names: NDArray[np.uint8], out: NDArray[np.uint8],
) -> int:
    """Write `t_s,channel,hex,error` rows; return how many characters.

    `head` is `,channel,`; `names` holds each error's name, 8 characters a name, zeros behind.
    """
    used = 0
    for i in range(n):
        seconds = t_s[i]
        if seconds < 0:
            out[used] = 45
            used += 1
            seconds = -seconds
        total = np.rint(seconds * 1e9)
        whole_f = math.floor(total / 1e9)
        whole, part = int(whole_f), int(total - whole_f * 1e9)
        width, rest = 1, whole // 10
        while rest > 0:
            width += 1
            rest //= 10
        for k in range(width):
            out[used + width - 1 - k] = 48 + whole % 10
            whole //= 10
        used += width
        out[used] = 46
        for k in range(9):
            out[used + 9 - k] = 48 + part % 10
            part //= 10
        used += 10
        for k in range(n_head):
            out[used + k] = head[k]
        used += n_head
        value = values[i]
        for k in range(digits):
            nibble = (value >> np.uint64(4 * (digits - 1 - k))) & np.uint64(15)
            out[used + k] = 48 + nibble if nibble < 10 else 55 + nibble
        used += digits
        out[used] = 44
        used += 1
        k = 0
        while k < 8 and names[8 * errors[i] + k] != 0:
            out[used] = names[8 * errors[i] + k]
            used += 1
            k += 1
        out[used] = 10
        used += 1
    return used


@loop("u1* i8 i8 i8 f8* i8 f8*")
def numbers(
    data: NDArray[np.uint8], n: int, mark: int, n_columns: int, out: NDArray[np.float64], room: int,
    tens: NDArray[np.float64],
) -> int:
    """Read rows of plain decimal numbers; column i goes to `out[i * room:]`; return the rows, -1 where it is not plain.

    Plain is: a sign, at most 15 digits with at most one point, a power of ten up to 22; `tens` are those powers. Such a
    number is rounded as it should be, being one product or quotient of two exact ones.
    """
    i, row = 0, 0
    while i < n:
        if data[i] == 10:  # a blank line
            i += 1
            continue
        if row >= room:
            return -1
        for column in range(n_columns):
            negative = i < n and data[i] == 45
            if negative:
                i += 1
            mantissa, places, count, point = 0, 0, 0, 0
            while i < n:
                c = data[i]
                if 48 <= c <= 57:
                    mantissa = mantissa * 10 + (c - 48)
                    count += 1
                    places += point
                elif c == 46 and point == 0:
                    point = 1
                else:
                    break
                i += 1
            if count == 0 or count > 15:
                return -1
            power = -places
            if i + 1 < n and (data[i] == 101 or data[i] == 69):
                i += 1
                falling = data[i] == 45
                if falling or data[i] == 43:
                    i += 1
                count, exponent = 0, 0
                while i < n and 48 <= data[i] <= 57 and count < 3:
                    exponent = exponent * 10 + (data[i] - 48)
                    count += 1
                    i += 1
                if count == 0:
                    return -1
                power += -exponent if falling else exponent
            if power > 22 or power < -22:
                return -1
            value = float(mantissa)
            if power < 0:
                value = value / tens[-power]
            elif power > 0:
                value = value * tens[power]
            out[column * room + row] = -value if negative else value
            if column < n_columns - 1:
                if i >= n or data[i] != mark:
                    return -1
                i += 1
        if i < n and data[i] != 10:
            return -1
        i += 1
        row += 1
    return row
