"""Edges that are no serial line are not called one."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.line.find import find_lines


def kind(edges: NDArray[np.int64]) -> str:
    """Return what the only channel is found to be."""
    channel = Channel(name="a", first_level=1, edge_ticks=edges.astype(np.int64) + 100)
    capture = Capture(path=Path("a.bin"), tick_s=Fraction(1, 100_000), start_tick=0, end_tick=int(edges[-1]) + 400,
                      sample_ticks=1, channels=(channel,))
    return find_lines(capture).channels[0].kind


@pytest.mark.slow
@pytest.mark.parametrize("noise", ["poisson", "pulses", "coin", "two-phase code", "few"])
def test_noise_is_not_serial(noise: str) -> None:
    """Random times, pulse widths, random levels on a bit grid, Manchester code, a handful of edges: 40 of each."""
    claimed = 0
    for seed in range(40):
        r = np.random.default_rng(seed)
        if noise == "poisson":
            edges = np.cumsum(r.geometric(1 / r.uniform(5, 60), r.integers(20, 1000)))
        elif noise == "pulses":
            width = r.integers(5, 45, 300)
            edges = np.cumsum(np.column_stack([width, 50 - width]).ravel())
        elif noise == "coin":
            edges = np.flatnonzero(np.diff(np.repeat(r.integers(0, 2, 600), 8))) + 1
        elif noise == "few":
            edges = np.cumsum(r.integers(8, 80, r.integers(6, 20)))
        else:
            bits = r.integers(0, 2, 400)
            edges = np.flatnonzero(np.diff(np.repeat(np.column_stack([bits, 1 - bits]).ravel(), 8))) + 1
        claimed += kind(edges) == "async"
    assert claimed == 0
