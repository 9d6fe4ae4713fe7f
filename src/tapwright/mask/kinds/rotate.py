"""The bits of each byte turn left by some places; those that leave at bit 7 come back at bit 0."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step

KIND = "rotate"


def forward(step: Step, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the radio byte of each wire byte at each place, and whether it is settled (see the package)."""
    byte = np.arange(256)
    table = np.broadcast_to(((byte << step.bits | byte >> (8 - step.bits)) & 255).astype(np.uint8), (n_bytes, 256))
    return table, np.ones((n_bytes, 256), np.bool_)
