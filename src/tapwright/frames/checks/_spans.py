"""Spans as matrices: what the check kinds share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

NO_DIGIT = 255
DIGITS = np.full(256, NO_DIGIT, np.uint8)
for _value, _pair in enumerate("0 1 2 3 4 5 6 7 8 9 Aa Bb Cc Dd Ee Ff".split()):
    for _sign in _pair:
        DIGITS[ord(_sign)] = _value


def spelled(digits: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the bytes that pairs of hex digits spell, shape (n, m // 2), and which rows hold digits alone, shape (n,).

    `digits` is uint8, shape (n, m), m even, ASCII codes. Rows that hold anything else spell nonsense.
    """
    values = DIGITS[digits]
    good = (values != NO_DIGIT).all(axis=1)
    return ((values[:, 0::2] << 4) | (values[:, 1::2] & 15)).astype(np.uint8), good


def total(spans: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return the sum of each row, shape (n,)."""
    return np.asarray(spans.sum(axis=1, dtype=np.int64))
