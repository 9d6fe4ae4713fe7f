"""Fletcher's check of two bytes: sums modulo 255, the second (of the running first sums) in the high byte.

Source: J. Fletcher, IEEE Trans. Communications 30 (1982); RFC 1146 defines the same sums.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check

N_BYTES = 2


def value(span: bytes, check: Check) -> int:
    """Return Fletcher's check of one span."""
    n = len(span)
    second = sum((n - i) * byte for i, byte in enumerate(span))
    return second % 255 << 8 | sum(span) % 255


def values(spans: NDArray[np.uint8], check: Check) -> NDArray[np.int64]:
    """Return Fletcher's checks of many spans, uint8 of shape (n, m), as shape (n,)."""
    wide = spans.astype(np.int64)
    second = wide @ np.arange(spans.shape[1], 0, -1, dtype=np.int64)
    return np.asarray(second % 255 << 8 | wide.sum(axis=1) % 255)
