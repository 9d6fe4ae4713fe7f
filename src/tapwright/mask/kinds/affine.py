"""Each bit of the radio byte is the parity of some bits of the wire byte, inverted or not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step

KIND = "affine"


def forward(step: Step, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the radio byte of each wire byte at each place, and whether it is settled (see the package)."""
    byte = np.arange(256)
    table = np.full(256, step.constant, np.uint8)
    for b, image in enumerate(step.matrix):
        table ^= np.where(byte >> b & 1, image, 0).astype(np.uint8)
    return np.broadcast_to(table, (n_bytes, 256)), np.ones((n_bytes, 256), np.bool_)
