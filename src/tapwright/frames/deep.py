"""The search of CRCs in every place over every span, compiled; used where the usual places hold none.

For long frames a span's beginning is not tried byte by byte: frames are combined so that the bytes before it cancel,
and the combination is a multiple of the polynomial wherever in the cancelled part the span begins.
"""

from __future__ import annotations

from collections.abc import Iterator

import numba
import numpy as np
from numpy.typing import NDArray

from tapwright.frames.checks._crc import TURNED_ARRAY

ROWS = 3  # differences that a divisor must divide before it is looked at closer


@numba.njit(cache=True)
def _degree(words: NDArray[np.uint64], top: int) -> int:
    """Return the degree of the polynomial in `words[:top]`, -1 for 0."""
    for i in range(top - 1, -1, -1):
        word = words[i]
        if word:
            n = 0
            while word > np.uint64(0xFFFF):
                word >>= np.uint64(16)
                n += 16
            while word > np.uint64(1):
                word >>= np.uint64(1)
                n += 1
            return int(64 * i + n)
    return -1


@numba.njit(cache=True)
def _load(words: NDArray[np.uint64], row: NDArray[np.uint8], first: int, last: int, width: int, check: int) -> int:
    """Write span times x**width plus check; return its degree."""
    for i in range(len(words)):
        words[i] = np.uint64(0)
    words[0] = np.uint64(check)
    bit = width
    for i in range(last, first - 1, -1):
        words[bit >> 6] ^= np.uint64(row[i]) << np.uint64(bit & 63)
        bit += 8
    return int(_degree(words, (bit + 63) >> 6))


@numba.njit(cache=True)
def _divisor_degree(a: NDArray[np.uint64], da: int, b: NDArray[np.uint64], db: int, least: int) -> int:
    """Leave the greatest common divisor in `a`; return its degree, -2 once it is seen to be under `least`."""
    swapped = False
    while True:
        if da < db:
            a, b = b, a
            da, db = db, da
            swapped = not swapped
        if db < 0:
            break
        if db < least:
            return -2
        n = (db >> 6) + 1
        while da >= db:
            shift = da - db
            words, bits = shift >> 6, np.uint64(shift & 63)
            if bits:
                carry = np.uint64(64) - bits
                for i in range(n):
                    a[i + words] ^= b[i] << bits
                    spill = b[i] >> carry
                    if spill:
                        a[i + words + 1] ^= spill
            else:
                for i in range(n):
                    a[i + words] ^= b[i]
            da = _degree(a, (da >> 6) + 1)
    if swapped:
        for i in range(len(a)):
            b[i] = a[i]
    return da


@numba.njit(cache=True)
def _hits(rows: NDArray[np.uint8], checks: NDArray[np.uint64], spans: NDArray[np.int64], width: int,
          found: NDArray[np.int64]) -> int:
    """Write the numbers of the spans (first, last, place) whose values share a divisor; return how many."""
    n_words = (8 * rows.shape[1] + width) // 64 + 2
    a, b = np.zeros(n_words, np.uint64), np.zeros(n_words, np.uint64)
    n_found = 0
    for k in range(len(spans)):
        first, last, place = spans[k, 0], spans[k, 1], spans[k, 2]
        degree = _load(a, rows[0], first, last, width, checks[0, place])
        for i in range(1, rows.shape[0]):
            other = _load(b, rows[i], first, last, width, checks[i, place])
            degree = _divisor_degree(a, degree, b, other, width)
            if degree < width:
                break
        if degree >= width and n_found < len(found):
            found[n_found] = k
            n_found += 1
    return n_found


def shared(rows: NDArray[np.uint8], checks: NDArray[np.uint64], spans: NDArray[np.int64], width: int,
           refin: bool) -> NDArray[np.int64]:
    """Return the spans in which the rows share a divisor of degree `width` or more.

    Parameters
    ----------
    rows : uint8, shape (3, n_bytes), differences of frames
    checks : uint64, shape (3, n_places), the check's register in each row, for each place
    spans : int64, shape (n, 3): first, last, number of the place
    """
    found = np.zeros(4096, np.int64)
    n = _hits(TURNED_ARRAY[rows] if refin else rows, checks, spans, width, found)
    return spans[found[:n]]


def cancelled(differences: list[int], n_bytes: int) -> list[tuple[int, int]]:
    """Return combinations of differences in echelon form: (first byte that is not 0, combination), last bytes first."""
    rows: dict[int, int] = {}
    for difference in differences:
        while difference:
            lead = difference.bit_length()
            if lead not in rows:
                rows[lead] = difference
                break
            difference ^= rows[lead]
    return sorted(((n_bytes - (lead + 7) // 8, row) for lead, row in rows.items()), reverse=True)


def windows(differences: list[int], n_bytes: int) -> Iterator[tuple[int, NDArray[np.uint8], int]]:
    """Yield, for each last byte a span may have, three combinations and the first byte where none need be 0."""
    rows = cancelled(differences, n_bytes)
    for last in range(n_bytes - 1, 1, -1):
        usable = [(lead, row) for lead, row in rows if lead < last][:ROWS]
        if len(usable) == ROWS:
            matrix = np.array([list(row.to_bytes(n_bytes, "big")) for _, row in usable], np.uint8)
            yield last, matrix, max(lead for lead, _ in usable)
