"""How well the rate of a serial line is measured, beside the Cramer-Rao bound of one-sample quantisation.

For one character whose edges lie at bits n, the start's phase is uniform over a sample. The phases at which some edge
moves to the next sample cut that sample into gaps g; moving T moves the two ends of a gap by the difference of their
bits, so that the information about T is the sum of (difference of bits)^2 / g.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from tapwright.core.capture import Capture, Channel
from tapwright.line.find import find_lines


@dataclass(frozen=True)
class Case:
    """One line: true unit interval in ticks, error and sigma of the measured one, bits of each character's edges."""

    t: float
    error_ticks: float
    sigma_ticks: float
    edges: tuple[tuple[int, ...], ...]


def one_case(seed: int, n_bytes: int, samples_per_bit: float) -> Case:
    """Return a random 8N1 line as it was measured; the sender starts every character at a phase of its own."""
    r = np.random.default_rng(seed)
    t = samples_per_bit * (1 + r.uniform(-0.01, 0.01))
    now, level, ticks, edges = 30 * t, 1, [], []
    for value in r.integers(0, 256, n_bytes).tolist():
        now += r.uniform(0, 1)
        bits = [0, *(value >> k & 1 for k in range(8)), 1]
        mine = []
        for k, bit in enumerate(bits):
            if bit != level:
                ticks.append(int(np.ceil(now + k * t)))
                mine.append(k)
                level = bit
        edges.append(tuple(mine))
        now += 10 * t
    channel = Channel(name="rx", first_level=1, edge_ticks=np.array(ticks, np.int64))
    capture = Capture(path=Path("rx.bin"), tick_s=Fraction(1, 1_000_000), start_tick=0, end_tick=int(now + 20 * t),
                      sample_ticks=1, channels=(channel,))
    found = find_lines(capture).channels[0]
    if found.settings is None or found.settings.measured_baud is None:
        raise AssertionError(f"no line found with seed {seed}")
    measured = 1e6 / found.settings.measured_baud
    return Case(t, measured - t, measured * found.sigma_baud / found.settings.measured_baud, tuple(edges))


def bound_ticks(case: Case) -> float:
    """Return the Cramer-Rao bound of one case, one standard deviation in ticks."""
    information = 0.0
    for edges in case.edges:
        bits = np.array(edges, np.float64)
        place = np.mod(-bits * case.t, 1)
        order = np.argsort(place)
        place, bits = place[order], bits[order]
        gaps = np.diff(np.append(place, place[0] + 1))
        moves = np.diff(np.append(bits, bits[0]))
        some = gaps > 1e-12
        information += float((moves[some] ** 2 / gaps[some]).sum())
    return information**-0.5
