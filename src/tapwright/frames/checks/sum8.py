"""Sum of the bytes, modulo 256."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check
from tapwright.frames.checks._spans import total

N_BYTES = 1


def value(span: bytes, check: Check) -> int:
    """Return the sum of one span."""
    return sum(span) & 0xFF


def values(spans: NDArray[np.uint8], check: Check) -> NDArray[np.int64]:
    """Return the sums of many spans, uint8 of shape (n, m), as shape (n,)."""
    return total(spans) & 0xFF
