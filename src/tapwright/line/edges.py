"""One channel's edges made ready: cut at unknown stretches, the time grid of the capture found.

Times are ticks of the capture as int64; T is the unit interval (one bit) in ticks as float.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel

MOST_SHORT = 0.15  # of the pulses may be glitches
_Number = TypeVar("_Number", bound=np.number)


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


def time_grid(capture: Capture, edges: NDArray[np.int64], t: float = 0.0) -> float:
    """Return the ticks between two samples, as the capture says or as its edges show; 1 where no grid is seen.

    A simulator's dump gives event times in its own steps, and a table of changes rounds its times; the grid of the
    sampling then shows in the intervals: all are whole multiples of it. A grid coarser than half a unit interval `t`,
    where that is known, is none.
    """
    if capture.sample_ticks:
        return float(capture.sample_ticks)
    every = np.diff(edges[:20_000])
    intervals = distinct(every)
    if len(intervals) < 2:
        return 1.0
    exact = float(np.gcd.reduce(intervals))
    rounded = _rounded_grid(intervals[:400])
    for grid in (rounded, exact) if rounded > 3 * exact else (exact,):
        # The pulses of a line are two samples long or longer, but for glitches: else these are its bits, not samples.
        if float((every < 1.9 * grid).mean()) < MOST_SHORT and not 0 < t < 2 * grid:
            return grid
    return 1.0


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
