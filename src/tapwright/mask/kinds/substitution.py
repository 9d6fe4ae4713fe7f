"""Each byte is looked up in one table of 256, the same at every place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step

KIND = "substitution"


def forward(step: Step, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the radio byte of each wire byte at each place, and whether it is settled (see the package)."""
    known = np.array([byte is not None for byte in step.table], np.bool_)
    table = np.array([byte or 0 for byte in step.table], np.uint8)
    return np.broadcast_to(table, (n_bytes, 256)), np.broadcast_to(known, (n_bytes, 256))
