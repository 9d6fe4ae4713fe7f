"""The longitudinal redundancy check of Modbus ASCII: the negated sum of the bytes that the hex digits spell.

A span that is no whole number of hex digit pairs has no value (-1), so that no frame can agree with it.

Source: Modbus over Serial Line V1.02, section 2.5.2.2; checked by tests/frames against pymodbus.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check
from tapwright.frames.checks._spans import spelled, total

N_BYTES = 1
NO_VALUE = -1


def value(span: bytes, check: Check) -> int:
    """Return the check of one span of hex digits."""
    return int(values(np.frombuffer(span, np.uint8)[None, :], check)[0])


def values(spans: NDArray[np.uint8], check: Check) -> NDArray[np.int64]:
    """Return the checks of many spans of hex digits, uint8 of shape (n, m), as shape (n,)."""
    if spans.shape[1] % 2:
        return np.full(len(spans), NO_VALUE, np.int64)
    bytes_, good = spelled(spans)
    return np.where(good, -total(bytes_) & 0xFF, NO_VALUE)
