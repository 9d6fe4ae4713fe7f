"""The likeliest characters of a stretch that glitches disturb, as a loop that is machine code where there are many.

Times are bits (unit intervals) from the window's begin; the line is idle there. Edges alternate: to active, to idle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.machine_code import loop


@loop("f8* i8 f8 i8 f8 i8 f8 f8 f8* f8* i8* f8* i8* i8 f8* i8*")
def reread(
    edges: NDArray[np.float64], n: int, end: float, before_stop: int, stop: float, parity: int, spread: float,
    widest: float, at: NDArray[np.float64], own: NDArray[np.float64], word: NDArray[np.int64],
    best: NDArray[np.float64], back: NDArray[np.int64], room: int, starts: NDArray[np.float64],
    words: NDArray[np.int64],
) -> int:
    """Find the characters that leave least unexplained; return how many, or -1 where `room` is too small.

    Every stretch of the wrong level costs: beside an edge of the characters little if no wider than the spread,
    elsewhere a glitch's price, and more and more where it is wider than one.

    Parameters
    ----------
    edges, n : float64, shape (n,), bits
    end : what is known ends here, idle
    before_stop, stop : bits of a character
    parity : 0 none, 1 even, 2 odd, 3 mark, 4 space
    spread : of an edge, bits
    widest : a glitch, as it is seen, bits
    at, own, word, best, back, room : room for that many candidates
    starts, words : the characters: float64 bits, int64 with bit k 1 where bit k is idle
    """
    # Candidates: near every edge to active, where the edges behind it say that the bits begin.
    m = 0
    for i in range(0, n, 2):
        lowest = m
        for j in range(i, n):
            away = edges[j] - edges[i]
            if away > before_stop + 0.5:
                break
            off = away - np.rint(away)
            if off < -0.45 or off > 0.45:
                continue
            value = edges[i] + off
            k = m
            while k > lowest and at[k - 1] > value:
                k -= 1
            if (k > lowest and value - at[k - 1] < 0.04) or (k < m and at[k] - value < 0.04):
                continue
            if m >= room:
                return -1
            for step in range(m, k, -1):
                at[step] = at[step - 1]
            at[k] = value
            m += 1
    for a in range(1, m):  # candidates of two near edges overlap
        value = at[a]
        k = a
        while k > 0 and at[k - 1] > value:
            at[k] = at[k - 1]
            k -= 1
        at[k] = value

    j0 = 0
    for c in range(m):
        while j0 < n and edges[j0] <= at[c]:
            j0 += 1
        # Bits by their longer part; the start bit is active whatever is seen.
        j, raw, ones, bits = j0, 1 - (j0 & 1), 0, 0
        weakest, doubt = -1, 0.15
        for k in range(before_stop):
            here, until, idle = at[c] + k, at[c] + k + 1, 0.0
            while j < n and edges[j] < until:
                if raw:
                    idle += edges[j] - here
                here = edges[j]
                raw ^= 1
                j += 1
            if raw:
                idle += until - here
            if k > 0 and idle > 0.5:
                bits |= 1 << k
                if k < before_stop - 1:
                    ones ^= 1
            if k > 0 and abs(idle - 0.5) < doubt:
                weakest, doubt = k, abs(idle - 0.5)
        price = 0.0
        if parity:
            last = (bits >> (before_stop - 1)) & 1
            right = last == (ones if parity == 1 else 1 - ones if parity == 2 else 1 if parity == 3 else 0)
            if not right:
                price = 3.0
                if weakest > 0 and (parity < 3 or weakest == before_stop - 1):
                    bits ^= 1 << weakest
                    price = 0.5
        j, raw, wrong, since, beside = j0, 1 - (j0 & 1), 0, 0.0, 0
        for k in range(before_stop):
            here, until, level, at_edge = at[c] + k, at[c] + k + 1, (bits >> k) & 1, 1
            while True:
                if (raw != level) != (wrong == 1):
                    if wrong:
                        width = here - since
                        over = max(width - widest, 0.0) / 0.1
                        cost = 4.0 + over * over
                        if beside or at_edge:
                            cost = min(cost, width * width / (2 * spread * spread))
                        price += cost
                    wrong, since, beside = 1 - wrong, here, at_edge
                if j < n and edges[j] < until:
                    here = edges[j]
                    raw ^= 1
                    at_edge = 0
                    j += 1
                else:
                    break
        if wrong:
            width = at[c] + before_stop - since
            over = max(width - widest, 0.0) / 0.1
            price += min(width * width / (2 * spread * spread), 4.0 + over * over)
        own[c], word[c], best[c], back[c] = price, bits, 1e18, -2

    # The cheapest way: idle from the begin, then from each character's stop to the next one's start or to the end.
    final, last_one = 1e18, -2
    for c in range(-1, m):
        so_far = 0.0 if c < 0 else best[c] + own[c]
        if so_far >= 1e17:
            continue
        idle_from = -1.0 if c < 0 else at[c] + before_stop
        soonest = -1.0 if c < 0 else idle_from + stop - 0.35
        j = 0
        if c >= 0:
            low, high = 0, n
            while low < high:  # first edge behind
                mid = (low + high) // 2
                if edges[mid] <= idle_from:
                    low = mid + 1
                else:
                    high = mid
            j = low
        active, since, price, beside = j & 1, idle_from, 0.0, 1
        for d in range(c + 1, m + 1):
            until = at[d] if d < m else end
            if until < soonest:
                continue
            while j < n and edges[j] < until:
                if active:
                    width = edges[j] - since
                    over = max(width - widest, 0.0) / 0.1
                    cost = 4.0 + over * over
                    if beside:
                        cost = min(cost, width * width / (2 * spread * spread))
                    price += cost
                active ^= 1
                since, beside = edges[j], 0
                j += 1
            total = so_far + price
            if active:
                width = until - since
                over = max(width - widest, 0.0) / 0.1
                total += min(width * width / (2 * spread * spread), 4.0 + over * over)
            if d < m:
                if total < best[d]:
                    best[d], back[d] = total, c
            elif total < final:
                final, last_one = total, c
            if price > 80.0:
                break
    count = 0
    c = last_one
    while c >= 0:
        count += 1
        c = back[c]
    c, k = last_one, count
    while c >= 0:
        k -= 1
        starts[k], words[k] = at[c], word[c]
        c = back[c]
    return count
