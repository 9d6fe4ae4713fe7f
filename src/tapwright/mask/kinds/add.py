"""A key that repeats from the frame's first byte is added to each byte, modulo 256."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step

KIND = "add"


def forward(step: Step, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the radio byte of each wire byte at each place, and whether it is settled (see the package)."""
    key = [step.key[i % len(step.key)] for i in range(n_bytes)]
    known = np.array([byte is not None for byte in key], np.bool_)
    values = np.array([byte or 0 for byte in key], np.uint8)
    table = np.arange(256, dtype=np.uint8)[None, :] + values[:, None]  # uint8 wraps at 256
    return table, np.broadcast_to(known[:, None], table.shape)
