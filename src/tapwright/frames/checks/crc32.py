"""Cyclic redundancy check of 32 bits, all its parameters in the `Check`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check
from tapwright.frames.checks import _crc

N_BYTES = 4


def value(span: bytes, check: Check) -> int:
    """Return the CRC of one span."""
    return _crc.value(span, check, 8 * N_BYTES)


def values(spans: NDArray[np.uint8], check: Check) -> NDArray[np.int64]:
    """Return the CRCs of many spans, uint8 of shape (n, m), as shape (n,)."""
    return _crc.values(spans, check, 8 * N_BYTES)
