"""The two halves of each byte change places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step

KIND = "nibble swap"

SWAPPED = (np.arange(256) >> 4 | (np.arange(256) & 15) << 4).astype(np.uint8)


def forward(step: Step, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the radio byte of each wire byte at each place, and whether it is settled (see the package)."""
    table = np.broadcast_to(SWAPPED, (n_bytes, 256))
    return table, np.ones((n_bytes, 256), np.bool_)
