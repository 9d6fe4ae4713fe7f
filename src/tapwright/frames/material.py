"""Frames made ready for the search of checks: distinct ones, by length, without those that are plainly damaged."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Frames
from tapwright.frames.checks._spans import DIGITS, NO_DIGIT

MOST_FRAMES = 2000  # looked at; a check that holds in all of these is then tried on every frame
DAMAGE_SHARE = 0.9
MANY_FRAMES = 40
PRINTABLE = np.array([9, 10, 13, *range(32, 127)], np.uint8)
DAMAGED_SHARE = 0.05


@dataclass(frozen=True)
class Material:
    """Distinct frames of one kind.

    Parameters
    ----------
    groups : uint8 matrices, shape (n, n_bytes), one for each length, the largest first
    shares : of the frames received, repeated ones too, for each group
    """

    groups: tuple[NDArray[np.uint8], ...]
    shares: tuple[float, ...]

    @classmethod
    def of(cls, frames: Frames) -> Material:
        """Return the material of whole frames, in the order received."""
        if len(frames) > MOST_FRAMES:
            frames = frames.take(np.arange(MOST_FRAMES))
        if len(frames) >= MANY_FRAMES:
            # A few very short ones are pieces of damaged frames; they would hide every place that they do not have.
            least = int(np.quantile(frames.lengths, DAMAGED_SHARE))
            frames = frames.take(np.flatnonzero(frames.lengths >= least))
        groups: list[tuple[NDArray[np.uint8], float]] = []
        for n_bytes in np.unique(frames.lengths).tolist():
            matrix = _undamaged(frames.matrix(n_bytes)[1])
            _, first = np.unique(matrix, axis=0, return_index=True)
            groups.append((matrix[np.sort(first)], float(np.mean(frames.lengths == n_bytes))))
        groups.sort(key=lambda group: -len(group[0]))
        return cls(tuple(group for group, _ in groups), tuple(share for _, share in groups))

    @property
    def is_varying(self) -> bool:
        """Whether lengths vary, so that places may count from the end."""
        return len(self.groups) > 1

    @cached_property
    def shortest(self) -> int:
        """Bytes of the shortest frame."""
        return min(int(group.shape[1]) for group in self.groups)

    @cached_property
    def n(self) -> int:
        """Distinct frames."""
        return sum(len(group) for group in self.groups)

    @cached_property
    def places(self) -> tuple[int, ...]:
        """Byte places that every frame has: from the start and, where lengths vary, from the end."""
        from_end = range(-self.shortest, 0) if self.is_varying else ()
        return (*range(self.shortest), *from_end)

    def column(self, place: int) -> NDArray[np.uint8]:
        """Return one place over all frames, group after group."""
        return np.concatenate([group[:, place] for group in self.groups])

    @cached_property
    def distinct(self) -> dict[int, int]:
        """Number of values seen at each place."""
        return {place: len(np.unique(self.column(place))) for place in self.places}

    @cached_property
    def hex_places(self) -> frozenset[int]:
        """Places where nearly every frame has a hex digit."""
        return frozenset(place for place in self.places
                         if np.mean(DIGITS[self.column(place)] != NO_DIGIT) >= DAMAGE_SHARE)

    @cached_property
    def is_text(self) -> bool:
        """Whether the frames are printable characters and line ends throughout."""
        return all(bool(np.isin(group, PRINTABLE).all()) for group in self.groups)

    def sample(self, n: int, seed: int) -> list[bytes]:
        """Return `n` frames drawn by a seed, as they stand in the groups."""
        picks = np.random.default_rng(seed).permutation(self.n)[:n]
        bounds = np.cumsum([0, *(len(group) for group in self.groups)])
        out = []
        for pick in picks.tolist():
            i = int(np.searchsorted(bounds, pick, side="right")) - 1
            out.append(self.groups[i][pick - int(bounds[i])].tobytes())
        return out


def _undamaged(matrix: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Leave out frames in which a byte that is constant in nearly all others differs."""
    if len(matrix) < 10:
        return matrix
    keep = np.ones(len(matrix), np.bool_)
    for i in range(matrix.shape[1]):
        counts = np.bincount(matrix[:, i], minlength=256)
        if DAMAGE_SHARE * len(matrix) <= counts.max() < len(matrix) and counts[counts > 0].min() == 1:
            keep &= matrix[:, i] == np.argmax(counts)
    return matrix[keep] if keep.sum() >= DAMAGE_SHARE * len(matrix) else matrix
