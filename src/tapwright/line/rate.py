"""The unit interval (one bit) of an asynchronous line: candidates from the intervals, then the exact value.

*Source* of the likelihood: each character starts at a phase that the sampling does not know, uniform over one sample;
the share of phases for which every edge falls where it was seen is 1 - (max e - min e), e = t - nT in samples. Its
logarithm, summed over characters, is concave in T. Characters that follow each other at a whole number of samples share
one phase and count as one. With more jitter than one sample the spread is normal instead and
least squares with one phase a character is best.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.line.edges import distinct, middle

USUAL_BAUD = (50, 75, 110, 134.5, 150, 200, 300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 31250, 38400, 57600,
              115200, 230400, 250000, 460800, 500000, 921600, 1_000_000, 2_000_000, 3_000_000)
USUAL_WITHIN = 0.035
FEWEST_SAMPLES = 2.2  # samples a bit below which nothing is tried
MOST_INTERVALS = 3000
COMPILED_FROM = 20_000  # edges; below, loading machine code costs more than it saves
MOST_CHARACTERS = 8_000  # for the exact value; its uncertainty is then far below any use


@dataclass(frozen=True)
class Rate:
    """A unit interval with its uncertainty, ticks; `spread` is the r.m.s. of the edges about the bit grid, ticks."""

    t: float
    sigma: float
    spread: float


def usual_baud(measured: float, sigma: float = 0.0) -> float:
    """Return the nearest usual rate where one lies within 3.5 % and two `sigma` (baud), else the measured one."""
    nearest = min(USUAL_BAUD, key=lambda baud: abs(math.log(measured / baud)))
    return float(nearest) if abs(measured - nearest) <= USUAL_WITHIN * nearest + 2 * sigma else measured


def candidates(edges: NDArray[np.int64], grid: float, most: int = 8) -> list[float]:
    """Return unit intervals worth trying, ticks, best first.

    The mean of cos(2 pi d / T) over the intervals d is near 1 where they are whole multiples of T. All divisors of
    the true T score alike, so every peak near the highest is kept and the decoding judges.
    """
    intervals = np.diff(edges).astype(np.float64)
    if len(intervals) > MOST_INTERVALS:
        half = len(intervals) // 2
        part = MOST_INTERVALS // 3
        intervals = np.concatenate([intervals[:part], intervals[half:half + part], intervals[-part:]])
    intervals = intervals[intervals > 0]
    if len(intervals) < 3:
        return []
    ordered = np.sort(intervals)
    # The unit interval is at most what nearly all intervals reach, and not far below the shortest common one.
    longest = 1.3 * ordered[int(0.6 * (len(ordered) - 1))]
    shortest = max(FEWEST_SAMPLES * grid, ordered[0] / 1.5, longest / 400)
    if longest <= shortest:
        return []
    trial = np.exp(np.arange(math.log(shortest), math.log(longest), 0.006))
    score = _agreement(intervals, trial)
    peak = (score >= np.append(score[1:], -1)) & (score >= np.append(-1, score[:-1]))
    places = np.flatnonzero(peak & (score > 0.15))
    if not len(places):
        return []
    places = places[score[places] > 0.45 * score[places].max()]
    # A longer T with nearly the same agreement explains the same edges with fewer bits.
    order = places[np.argsort(-(score[places] * np.log(trial[places] / shortest + 1.0)))]
    return [float(_sharpened(intervals, trial[i])) for i in order[:most]]


def _agreement(intervals: NDArray[np.float64], trial: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean cosine per trial T over the intervals up to ten times it."""
    values, counts = np.unique(intervals, return_counts=True)
    if len(values) > 600:
        borders = np.exp(np.linspace(math.log(values[0]), math.log(values[-1]) + 1e-9, 601))
        which = np.maximum(np.searchsorted(borders, values, side="right") - 1, 0)
        used = distinct(which)
        weight = np.bincount(which, counts)[used]
        values, counts = np.bincount(which, counts * values)[used] / weight, weight
    phase = values[None, :] / trial[:, None]
    inside = (phase < 10.5) * counts[None, :]
    total = (np.cos(2 * np.pi * phase) * inside).sum(1)
    out: NDArray[np.float64] = total / np.maximum(inside.sum(1), 0.3 * len(intervals))
    return out


def _sharpened(intervals: NDArray[np.float64], t: float) -> float:
    """Return T after least squares on ever longer intervals."""
    for most in (2.5, 5.5, 9.5):
        counts = np.rint(intervals / t)
        good = (counts > 0) & (counts < most) & (np.abs(intervals / t - counts) < 0.3)
        if good.sum() < 3:
            return t
        t = float((intervals[good] * counts[good]).sum() / (counts[good] ** 2).sum())
    return t


@dataclass(frozen=True)
class CharacterEdges:
    """Edges within characters, character after character.

    Parameters
    ----------
    first : int64, shape (m,), index of each character's first edge (its start) in the arrays below
    from_start : float64, shape (n,), ticks since the character's start edge
    bit : int64, shape (n,), whole bits since then
    start : float64, shape (m,), ticks, each character's start edge
    """

    first: NDArray[np.int64]
    from_start: NDArray[np.float64]
    bit: NDArray[np.int64]
    start: NDArray[np.float64]


def character_edges(
    edges: NDArray[np.int64], start_index: NDArray[np.int64], t: float, n_bits: float,
) -> CharacterEdges:
    """Collect each character's edges up to `n_bits` after its start.

    Parameters
    ----------
    edges : int64, all edges of the stretch
    start_index : int64, which of them start a character
    t : unit interval, ticks
    n_bits : the stop bit's begin plus a half
    """
    at = edges[start_index]
    stop = np.searchsorted(edges, at + n_bits * t, side="right")
    stop = np.minimum(stop, np.append(start_index[1:], len(edges)))
    lengths = stop - start_index
    first = np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths)[:-1]])
    places = np.arange(int(lengths.sum())) - np.repeat(first, lengths) + np.repeat(start_index, lengths)
    from_start = (edges[places] - np.repeat(at, lengths)).astype(np.float64)
    return CharacterEdges(first, from_start, np.rint(from_start / t).astype(np.int64), at.astype(np.float64))


def exact(seen: CharacterEdges, t: float, grid: float) -> Rate:
    """Return the unit interval with its uncertainty from the edges of characters near `t`.

    Returns
    -------
    Rate : `sigma` is one standard deviation
    """
    if len(seen.first) == 0:
        return Rate(t, math.inf, grid)
    seen = _usable(seen, t, grid)
    if len(seen.bit) - len(seen.first) < 3:
        return Rate(t, t / 10, grid)
    squares = _least_squares(seen, t)
    boxed = _boxed(seen, squares, grid)
    return boxed if boxed is not None else squares


def _usable(seen: CharacterEdges, t: float, grid: float) -> CharacterEdges:
    """Drop characters with an edge far off the bit grid (glitches beside an edge) or with the start edge alone."""
    off = np.abs(seen.from_start - seen.bit * t)
    lengths = np.diff(np.append(seen.first, len(seen.bit)))
    typical = middle(off[seen.bit > 0])
    worst = np.maximum.reduceat(off, seen.first)
    good = (lengths > 1) & (worst <= max(1.5 * grid, 6 * typical))
    good[np.flatnonzero(good)[MOST_CHARACTERS:]] = False
    keep = np.repeat(good, lengths)
    first = np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths[good])[:-1]])
    return CharacterEdges(first[:int(good.sum())], seen.from_start[keep], seen.bit[keep], seen.start[good])


def _least_squares(seen: CharacterEdges, t: float) -> Rate:
    lengths = np.diff(np.append(seen.first, len(seen.bit)))
    counts = np.repeat(lengths, lengths)
    n = seen.bit - np.repeat(np.add.reduceat(seen.bit, seen.first), lengths) / counts
    y = seen.from_start - np.repeat(np.add.reduceat(seen.from_start, seen.first), lengths) / counts
    weight = float((n * n).sum())
    if weight == 0:
        return Rate(t, t / 10, 0.0)
    slope = float((n * y).sum()) / weight
    free = max(len(y) - len(lengths) - 1, 1)
    variance = float(((y - slope * n) ** 2).sum()) / free
    return Rate(slope, math.sqrt(variance / weight), math.sqrt(variance))


def _boxed(seen: CharacterEdges, near: Rate, grid: float) -> Rate | None:
    """Return the mean and spread of T under the one-sample likelihood; None where the edges do not fit into it."""
    on_grid = np.abs(seen.from_start / grid - np.rint(seen.from_start / grid)).max() < 0.1 if grid > 0 else False
    if not on_grid or near.spread > 0.45 * grid:
        return None  # uniform phases leave 0.29 of a sample; more is jitter, and off the grid is interpolation
    # At least what rounding alone leaves open over the longest character.
    reach = max(near.sigma, 0.3 * grid / float(seen.bit.max()) / math.sqrt(len(seen.first)))
    phases = _phases(seen, near.t, grid)
    reach /= math.sqrt(phases)
    low, high = near.t - 6 * reach, near.t + 6 * reach
    for _ in range(3):
        trial = np.linspace(low, high, 41)
        logs = phases * _box_logs(seen, trial, grid)
        if not np.isfinite(logs).any():
            return None
        weight = np.exp(logs - logs.max())
        likely = np.flatnonzero(weight > 1e-4)
        if len(likely) >= 15:
            break
        step = trial[1] - trial[0]
        low, high = trial[likely[0]] - step, trial[likely[-1]] + step
    weight /= weight.sum()
    t = float((weight * trial).sum())
    sigma = math.sqrt(float((weight * (trial - t) ** 2).sum()))
    return Rate(t, max(sigma, 1e-12 * t), near.spread)


def _phases(seen: CharacterEdges, t: float, grid: float) -> float:
    """Return the share of the characters that have a phase of their own, as far as touching ones tell: 0 to 1."""
    gaps = np.diff(seen.start)
    if len(gaps) < 2:
        return 1.0
    touching = np.abs(gaps - np.partition(gaps, len(gaps) // 10)[len(gaps) // 10]) < 0.24 * t
    step = float(gaps[touching].mean() / grid)
    # Characters since the last pause; their phases go on by a part of a sample each.
    count = np.arange(len(seen.start))
    breaks = np.append(0, np.flatnonzero(~touching) + 1)
    burst = np.searchsorted(breaks, count, side="right") - 1
    since = count - breaks[burst]
    lengths = np.bincount(burst)
    # Where a sender takes its time between characters, the starts leave that step, and each has its own phase.
    off = seen.start / grid - since * step
    steady = np.maximum.reduceat(off, breaks) - np.minimum.reduceat(off, breaks) < 1.05
    phase = np.floor(np.mod(since * step, 1.0) * np.maximum(lengths, 10)[burst])
    cell = np.where(steady[burst], phase, since).astype(np.int64)
    cells = distinct(burst * (len(count) + 10) + cell)
    # Even spread at random leaves a third of the cells empty.
    return float(min(len(cells) / (0.63 * len(count)), 1.0))


def _box_logs(seen: CharacterEdges, trial: NDArray[np.float64], grid: float) -> NDArray[np.float64]:
    if len(seen.bit) >= COMPILED_FROM:
        from tapwright.line import _kernels

        logs = np.empty(len(trial))
        _kernels.box_logs(seen.from_start, seen.bit, seen.first, len(seen.first), len(seen.bit), trial, len(trial),
                          grid, logs)
        return logs
    return np.array([_box_log(seen, value, grid) for value in trial])


def _box_log(seen: CharacterEdges, t: float, grid: float) -> float:
    off = (seen.from_start - seen.bit * t) / grid
    width = np.maximum.reduceat(off, seen.first) - np.minimum.reduceat(off, seen.first)
    if width.max() >= 1:
        return -math.inf
    return float(np.log1p(-width).sum())
