"""The nouns of solving a mask: what pairs show, and one kind of mask that joins them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step

RIVAL_BITS = 24.0  # a rival of less than 2^-24 of the best one's probability is not heard
OPEN = -1
BYTES = np.arange(256)

Table = NDArray[np.int16]  # shape (n_bytes, 256), place x wire byte -> radio byte, OPEN where not settled


@dataclass(frozen=True)
class Triples:
    """Distinct (place, wire byte, radio byte) of the pairs, int64, each shape (m,); `n_bytes` is the longest frame."""

    place: NDArray[np.int64]
    wire: NDArray[np.int64]
    radio: NDArray[np.int64]
    n_bytes: int


@dataclass(frozen=True, kw_only=True)
class Fit:
    """One kind of mask that joins all pairs.

    Parameters
    ----------
    steps : wire to radio, with one choice of what is open
    table : what the kind settles
    fit_bits : log2 of the share of its parameter values that the pairs leave
    prior_bits : log2 of the kind's probability before any pair
    period : places after which the map repeats, 1 where it is the same at every place
    determined_bits, total_bits : of the steps' parameters
    """

    steps: tuple[Step, ...]
    table: Table
    fit_bits: float
    prior_bits: float
    period: int
    determined_bits: int
    total_bits: int

    @property
    def score(self) -> float:
        """log2 of the probability, up to a constant."""
        return self.fit_bits + self.prior_bits


def triples_of(wire: NDArray[np.uint8], radio: NDArray[np.uint8], lengths: NDArray[np.int64]) -> Triples:
    """Return the distinct triples of paired frames, shape (m, width) each, with their lengths, shape (m,)."""
    inside = np.arange(wire.shape[1])[None, :] < lengths[:, None]
    place = np.broadcast_to(np.arange(wire.shape[1]), wire.shape)[inside].astype(np.int64)
    code = np.unique(place << 16 | wire[inside].astype(np.int64) << 8 | radio[inside])
    return Triples(code >> 16, code >> 8 & 255, code & 255, int(lengths.max()) if len(lengths) else 0)
