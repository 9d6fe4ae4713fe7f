"""The search of CRCs in every place over every span, compiled; used where the usual places hold none.

For long frames a span's beginning is not tried byte by byte: frames are combined so that the bytes before it cancel,
and the combination is a multiple of the polynomial wherever in the cancelled part the span begins.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.machine_code import loop
from tapwright.frames.checks._crc import TURNED_ARRAY

ROWS = 3  # differences that a divisor must divide before it is looked at closer
MOST_LOW_ZEROS = 3  # of a polynomial: with more, the check's low bits would never move
MOST_HITS = 4096


@loop("u1* i8 i8 u8* i8 i8* i8 i8 i8 u8* i8 i8* i8")
def hits(
    rows: NDArray[np.uint8], n_rows: int, n_bytes: int, checks: NDArray[np.uint64], n_places: int,
    spans: NDArray[np.int64], n_spans: int, width: int, least_odd: int, words: NDArray[np.uint64], n_words: int,
    found: NDArray[np.int64], most: int,
) -> int:
    """Write the numbers of the spans (first, last, place) whose values share a divisor; return how many.

    `words` is room for two polynomials. A divisor counts from degree `width` on, and from `least_odd` on once it is
    divided by x as often as it can be; x**width + 1 only says that bytes are repeated and does not.
    """
    one, zero = np.uint64(1), np.uint64(0)
    n_found = 0
    for k in range(n_spans):
        first, last, place = spans[3 * k], spans[3 * k + 1], spans[3 * k + 2]
        a, b, da = 0, n_words, -1  # where the two polynomials begin, and the first one's degree
        for i in range(n_rows):
            for j in range(n_words):
                words[b + j] = zero
            words[b] = checks[i * n_places + place]
            bit = width
            for j in range(last, first - 1, -1):
                words[b + (bit >> 6)] ^= np.uint64(rows[i * n_bytes + j]) << np.uint64(bit & 63)
                bit += 8
            db = bit
            while db >= 0 and (words[b + (db >> 6)] >> np.uint64(db & 63)) & one == zero:
                db -= 1
            # Euclid's algorithm, given up as soon as the divisor is seen to be too small.
            while True:
                if da < db:
                    a, b, da, db = b, a, db, da
                if db < 0:
                    break
                if db < width:
                    da = -1
                    break
                n = (db >> 6) + 1
                while da >= db:
                    shift = da - db
                    over, bits = shift >> 6, np.uint64(shift & 63)
                    spill = zero
                    for j in range(n):
                        word = words[b + j]
                        words[a + j + over] ^= word << bits | spill
                        spill = word >> one >> (np.uint64(63) - bits)
                    if spill:
                        words[a + n + over] ^= spill
                    at = da >> 6
                    while at >= 0 and words[a + at] == zero:
                        at -= 1
                    da = -1
                    if at >= 0:
                        word = words[a + at]
                        da = 64 * at
                        step = 32
                        while step:
                            if word >> np.uint64(step):
                                word >>= np.uint64(step)
                                da += step
                            step >>= 1
            if da < width:
                break
        if da < width:
            continue
        low, terms = 0, 0
        while (words[a + (low >> 6)] >> np.uint64(low & 63)) & one == zero:
            low += 1
        for j in range((da >> 6) + 1):
            word = words[a + j]
            while word:
                word &= word - one
                terms += 1
        if da - low >= least_odd and not (terms == 2 and da - low == width) and n_found < most:
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
    n_rows, n_bytes = rows.shape
    n_words = (8 * n_bytes + width) // 64 + 2
    found = np.zeros(MOST_HITS, np.int64)
    n = hits(np.ascontiguousarray(TURNED_ARRAY[rows] if refin else rows), n_rows, n_bytes, checks, checks.shape[1],
             np.ascontiguousarray(spans), len(spans), width, width - MOST_LOW_ZEROS, np.zeros(2 * n_words, np.uint64),
             n_words, found, MOST_HITS)
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
