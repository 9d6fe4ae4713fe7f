"""One channel's edges made ready: cut at unknown stretches, glitches bridged, the time grid of the capture found.

Times are ticks of the capture as int64; T is the unit interval (one bit) in ticks as float.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel

_Number = TypeVar("_Number", bound=np.number)
GLITCH_OF_BIT = 1 / 3  # a pulse shorter than a third of a bit is a glitch
GLITCH_COST = 4.0  # nats: a glitch is met about once in fifty edges
MANY_EDGES = 1 << 16  # looked at in pieces that stay in the cache
LONGEST_RUN = 24  # pulses; longer runs are no glitches, and are bridged as they come


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A stretch of one channel in which the level is known throughout.

    Parameters
    ----------
    start, end : ticks; [start, end)
    first_level : 0 or 1
    edges : int64, shape (n,), rising ticks, each flips the level
    """

    start: int
    end: int
    first_level: int
    edges: NDArray[np.int64]


def stretches(capture: Capture, channel: Channel) -> list[Stretch]:
    """Return the known stretches of a channel, in time order."""
    edges = channel.edge_ticks
    unknown = channel.unknown_ticks
    if not len(unknown):
        return [Stretch(start=capture.start_tick, end=capture.end_tick, first_level=channel.first_level, edges=edges)]
    starts = np.append(capture.start_tick, unknown[:, 1])
    ends = np.append(unknown[:, 0], capture.end_tick)
    # An edge where an unknown stretch ends is no edge of the line: nobody saw it.
    firsts = np.searchsorted(edges, starts, side="right")
    lasts = np.searchsorted(edges, ends, side="left")
    return [
        Stretch(start=int(a), end=int(b), first_level=(channel.first_level + int(i)) & 1, edges=edges[i:j])
        for a, b, i, j in zip(starts, ends, firsts, np.maximum(firsts, lasts), strict=True) if b > a
    ]


def without_glitches(edges: NDArray[np.int64], t: float, grid: float) -> tuple[NDArray[np.int64], int]:
    """Return edges without glitches, and how many pulses were bridged.

    Parameters
    ----------
    edges : int64, shape (n,), rising ticks
    t : unit interval, ticks
    grid : ticks between samples
    """
    # A pulse of a third of a bit may be seen one sample longer; a bit, even with jitter, is never seen as half of one.
    shortest = min(t * GLITCH_OF_BIT + (grid if grid > 0.02 * t else 0.0), 0.55 * t)
    if len(edges) < 2:
        return edges, 0
    if len(edges) > MANY_EDGES and not _any_short(edges, shortest):
        return edges, 0
    short = np.diff(edges) < shortest
    if not short.any():
        return edges, 0
    begins = np.flatnonzero(short & ~np.append(False, short[:-1]))
    ends = np.flatnonzero(short & ~np.append(short[1:], False)) + 1
    keep = np.ones(len(edges), np.bool_)
    alone = ends - begins == 1
    keep[begins[alone]] = keep[ends[alone]] = False
    n = int(alone.sum())
    for begin, end in zip(begins[~alone].tolist(), ends[~alone].tolist(), strict=True):
        n += _bridge(edges, keep, begin, end, t, 0.06 + 0.5 * grid / t)
    return edges[keep], n


def _any_short(edges: NDArray[np.int64], shortest: float) -> bool:
    """Return whether any pulse is short, a piece at a time."""
    return any(bool((np.diff(edges[i:i + MANY_EDGES + 1]) < shortest).any())
               for i in range(0, len(edges) - 1, MANY_EDGES))


def _bridge(
    edges: NDArray[np.int64], keep: NDArray[np.bool_], begin: int, end: int, t: float, spread: float,
) -> int:
    """Choose the line's edges in a run of short pulses (edges `begin` to `end`); return how many pulses go.

    Every pulse bridged costs, and so does every interval off the bit grid; the cheapest way through the run wins.
    """
    if end - begin > LONGEST_RUN:
        keep[begin:end + (end - begin) % 2] = False
        return (end - begin + 1) // 2
    first, last = max(begin - 1, 0), min(end + 1, len(edges) - 1)
    at = [float(edge) / t for edge in edges[first:last + 1] - edges[first]]
    # Outside the capture there is nothing to fit: an edge far away stands for it.
    at = ([-1e6] if begin == 0 else []) + at + ([1e6] if end == len(edges) - 1 else [])
    best: list[tuple[float, int]] = [(0.0, -1)]
    for j in range(1, len(at)):
        ways = [(best[i][0] + GLITCH_COST * ((j - i - 1) // 2) + _misfit(at[j] - at[i], spread), i)
                for i in range(j - 1, -1, -2)]
        best.append(min(ways))
    keep[begin:end + 1] = False
    i, n_kept = best[-1][1], 0
    while i > 0:
        keep[begin + i - 1] = True
        n_kept += 1
        i = best[i][1]
    return (end - begin + 1 - n_kept) // 2


def _misfit(bits: float, spread: float) -> float:
    if bits > 12:
        return 0.0
    if bits < 0.5:
        return 4 * GLITCH_COST
    return min((bits - max(round(bits), 1)) ** 2 / (2 * spread * spread), 1.5 * GLITCH_COST)


def middle(values: NDArray[np.number]) -> float:
    """Return the median, 0 of nothing. (`numpy.median` imports masked arrays, a seventh of the whole start.)"""
    n = len(values)
    if not n:
        return 0.0
    parted = np.partition(values, (n // 2, (n - 1) // 2))
    return (float(parted[n // 2]) + float(parted[(n - 1) // 2])) / 2


def distinct(values: NDArray[_Number]) -> NDArray[_Number]:
    """Return the values that occur, sorted. (`numpy.unique` imports masked arrays too.)"""
    ordered = np.sort(values)
    return ordered[np.append(True, ordered[1:] != ordered[:-1])] if len(ordered) else ordered


def time_grid(capture: Capture, edges: NDArray[np.int64]) -> float:
    """Return the ticks between two samples, as the capture says or as its edges show; 1 where no grid is seen.

    A simulator's dump gives event times in its own steps, and a table of changes rounds its times; the grid of the
    sampling then shows in the intervals: all are whole multiples of it.
    """
    if capture.sample_ticks:
        return float(capture.sample_ticks)
    intervals = distinct(np.diff(edges[:20_000]))
    if len(intervals) < 2:
        return 1.0
    exact = int(np.gcd.reduce(intervals))
    rounded = _rounded_grid(intervals[:400])
    return rounded if rounded > 3 * exact else float(exact)


def _rounded_grid(intervals: NDArray[np.int64]) -> float:
    """Return a grid of which all intervals are multiples up to rounding, 0 where there is none."""
    gaps = np.diff(intervals)
    wide = gaps[gaps > 0.3 * gaps.max()] if len(gaps) else gaps
    steps = [float(wide.min())] if len(wide) else []
    steps += [float(intervals[0]) / k for k in range(2, 13)]
    best = 0.0
    for step in steps:
        for _ in range(3):  # refine on ever longer intervals
            counts = np.rint(intervals / step)
            if not counts.min():
                break
            step = float((intervals * counts).sum() / (counts * counts).sum())
        off = np.abs(intervals / step - np.rint(intervals / step))
        if off.max() < 0.06 and len(distinct(np.rint(intervals / step))) >= 4 and step > best:
            best = step
    return best
