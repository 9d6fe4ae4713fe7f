"""Digits as decimal nibbles: packed in either order or one a byte, first digit first or last."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import Codes, Table
from tapwright.mapping.families._codes import Keyed, keyed, keyed_field, zeros_that_fit
from tapwright.mapping.hypothesis import BITS_A_DIGIT, Hypothesis, Numbers
from tapwright.mapping.sight import Sight

_DIGITS = {code: str(code) for code in range(10)}


def find(sight: Sight, numbers: Numbers, most_wrong: int) -> list[Hypothesis]:
    """Return the ways in which decimal nibbles explain the labels."""
    width, n_bytes = numbers.width, sight.rows.shape[1]
    if not 1 <= width <= 16 or not n_bytes:
        return []
    nibbles = np.stack([sight.rows & 15, sight.rows >> 4], axis=2).reshape(len(sight), -1).astype(np.int64)
    wanted = np.array([[int(c) if c.isdigit() else -1 for c in digits.rjust(width)[::-1]] for digits in numbers.digits],
                      np.int64).reshape(len(sight), width)
    found = keyed(nibbles, wanted, 4)
    loose = ~np.asarray(sight.usable.reshape(-1, 4).all(axis=1))
    out = [hypothesis for columns in _orders(width, n_bytes) if not loose[list(columns)].any()
           if (hypothesis := _of(sight, numbers, found, nibbles, columns, most_wrong)) is not None]
    out.sort(key=lambda hypothesis: -hypothesis.support)
    return out[:8]


def _orders(width: int, n_bytes: int) -> list[tuple[int, ...]]:
    """Return the nibbles (2 byte + 1 for the high one) of the places from the right, for every order of packing."""
    lines = []
    low_first = list(range(2 * n_bytes))
    high_first = [2 * (i // 2) + 1 - i % 2 for i in low_first]
    lines += [low_first, high_first, low_first[::-1], high_first[::-1]]
    for half in (0, 1):
        line = [2 * at + half for at in range(n_bytes)]
        lines += [line, line[::-1]]
    return list(dict.fromkeys(tuple(line[i:i + width]) for line in lines for i in range(len(line) - width + 1)))


def _of(sight: Sight, numbers: Numbers, found: Keyed, nibbles: NDArray[np.int64], columns: tuple[int, ...],
        most_wrong: int) -> Hypothesis | None:
    width = numbers.width
    explained: NDArray[np.bool_] = np.logical_and.reduce([found.right[i, column] for i, column in enumerate(columns)])
    if int((~explained).sum()) > most_wrong:
        return None
    keys = [int(found.key[i, column]) for i, column in enumerate(columns)]
    codes = nibbles[:, list(columns)] ^ np.array(keys)
    table = dict(_DIGITS)
    for i in range(width):
        dark = explained & numbers.is_number & (numbers.characters(i) == " ")
        # A nibble over nine where the display left a place out: that code is a dark place, wherever it stands.
        table |= {code: " " for code in np.unique(codes[dark, i]).tolist() if code > 9}
    places = tuple(Table(keyed_field(columns[i] // 2, 4 * (columns[i] % 2), 4, keys[i]), table)
                   for i in range(width - 1, -1, -1))
    sent = ["".join(table.get(code, "?") for code in row[::-1]) for row in codes.tolist()]
    zeros = zeros_that_fit(sent, numbers, explained, width)
    if not zeros:
        return None
    support = BITS_A_DIGIT * numbers.distinct * numbers.moving - 4 * sum(key != 0 for key in keys) \
        - np.log2(12 * len(columns) * sight.rows.shape[1]) - 8 * int((~explained).sum())
    claimed = frozenset(4 * column + bit for column in columns for bit in range(4))
    return Hypothesis(kind="bcd", digits=Codes("bcd", places), explained=explained, support=float(support),
                      claimed=claimed, width=width, zeros=zeros)

