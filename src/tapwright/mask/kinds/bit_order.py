"""The bits of each byte are sent in the other order: bit 0 becomes bit 7."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step

KIND = "bit order"

REVERSED = np.packbits(np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1)[:, ::-1], axis=1)[:, 0]


def forward(step: Step, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the radio byte of each wire byte at each place, and whether it is settled (see the package)."""
    table = np.broadcast_to(REVERSED, (n_bytes, 256))
    return table, np.ones((n_bytes, 256), np.bool_)
