"""Exclusive or of the bytes; also the block check of IEC 62056-21 and the two digits behind the star of NMEA 0183."""

from __future__ import annotations

from functools import reduce
from operator import xor

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check

N_BYTES = 1


def value(span: bytes, check: Check) -> int:
    """Return the exclusive or of one span."""
    return reduce(xor, span, 0)


def values(spans: NDArray[np.uint8], check: Check) -> NDArray[np.int64]:
    """Return the exclusive ors of many spans, uint8 of shape (n, m), as shape (n,)."""
    return np.asarray(np.bitwise_xor.reduce(spans, axis=1), np.int64)
