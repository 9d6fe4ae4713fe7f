"""Wire and radio frames -> keys that may join them, from all pairs of different frames at once.

A way in where neither clocks nor patterns of change align the recordings: the key of a true pair is the same for every
true pair, so over all pairs of different frames it is the one had most often.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from tapwright.mask.align import Rows
from tapwright.mask.keyed import bit_orders

MOST_DISTINCT, LEAST_VOTES, MOST_KEYS = 300, 6, 8
Joins = Callable[[Rows, Rows], NDArray[np.bool_]]


def voted(wire: Rows, radio: Rows) -> Iterator[Joins]:
    """Yield tests whether one key, xored or added, joins frames; those of the commonest length are looked at."""
    lengths = np.intersect1d(wire.lengths, radio.lengths)
    if not len(lengths):
        return
    n = int(max(lengths, key=lambda length: (radio.lengths == length).sum()))
    at_w, at_r = np.flatnonzero(wire.lengths == n), np.flatnonzero(radio.lengths == n)
    distinct_w = np.unique(wire.data[at_w, :n], axis=0)[:MOST_DISTINCT]
    distinct_r = np.unique(radio.data[at_r, :n], axis=0)[:MOST_DISTINCT]
    found: list[tuple[int, int, int, np.uint64]] = []
    orders = [order.astype(np.uint8) for _, order, _ in bit_orders()]
    for which, order in enumerate(orders):
        for added in (0, 1):
            one, two = _linear(order[distinct_w], bool(added)), _linear(distinct_r, bool(added))
            keys, count = np.unique(_difference(two[None, :], one[:, None], bool(added)), return_counts=True)
            found += [(int(count[k]), which, added, keys[k]) for k in np.argsort(-count)[:2] if count[k] >= LEAST_VOTES]
    found.sort(key=lambda item: -item[0])
    for _, which, added, key in found[:MOST_KEYS]:
        yield _keyed_test(n, orders[which], bool(added), key)


def _keyed_test(n: int, order: NDArray[np.uint8], added: bool, key: np.uint64
                ) -> Joins:
    def equal(wire: Rows, radio: Rows) -> NDArray[np.bool_]:
        one = _linear(order[wire.data[:, :n]], added)
        two = _difference(_linear(radio.data[:, :n], added), key, added)
        right_length = (wire.lengths == n)[:, None] & (radio.lengths == n)[None, :]
        return np.asarray((one[:, None] == two[None, :]) & right_length)
    return equal


def _linear(rows: NDArray[np.uint8], added: bool) -> NDArray[np.uint64]:
    """Return a 64-bit number a frame, linear in its bytes: modulo 256 in eight lanes where added, else over GF(2)."""
    rng = np.random.default_rng(3)
    width = rows.shape[1]
    if added:
        weights = rng.integers(0, 256, (width, 8), np.uint8)
        weights[:, 0] |= 1
        lanes = (rows[:, :, None] * weights[None, :, :]).sum(axis=1, dtype=np.uint8)
        return np.ascontiguousarray(lanes).view(np.uint64)[:, 0]
    bits = np.unpackbits(rows, axis=1).astype(np.float32)
    weights = rng.integers(0, 2, (width * 8, 64)).astype(np.float32)
    parity = ((bits @ weights).astype(np.int64) & 1).astype(np.uint8)
    return np.packbits(parity, axis=1).view(np.uint64)[:, 0]


def _difference(one: NDArray[np.uint64], two: NDArray[np.uint64] | np.uint64, added: bool) -> NDArray[np.uint64]:
    if not added:
        return one ^ two
    a, b = np.broadcast_arrays(one, two)
    lanes = np.ascontiguousarray(a).view(np.uint8) - np.ascontiguousarray(b).view(np.uint8)
    return lanes.view(np.uint64)


