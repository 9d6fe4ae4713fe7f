"""One channel's edges made ready: cut at unknown stretches, glitches bridged, the time grid of the capture found.

Times are ticks of the capture as int64; T is the unit interval (one bit) in ticks as float.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel

GLITCH_OF_BIT = 1 / 3  # methods.md: a pulse shorter than a third of a bit is a glitch


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


def without_glitches(edges: NDArray[np.int64], shortest: float) -> tuple[NDArray[np.int64], int]:
    """Return edges without pulses shorter than `shortest` ticks, and how many pulses were bridged."""
    if len(edges) < 2:
        return edges, 0
    short = np.diff(edges) < shortest
    if not short.any():
        return edges, 0
    # Pulses are taken in pairs of edges from the left of each run of short intervals; in a run of even length the
    # last edge stands, so a bouncing edge stays one edge.
    begins = np.flatnonzero(short & ~np.append(False, short[:-1]))
    run_of = np.cumsum(short & ~np.append(False, short[:-1])) - 1
    place = np.arange(len(short)) - begins[np.maximum(run_of, 0)]
    first = np.flatnonzero(short & (place % 2 == 0))
    keep = np.ones(len(edges), np.bool_)
    keep[first] = keep[first + 1] = False
    return edges[keep], len(first)


def time_grid(capture: Capture, edges: NDArray[np.int64]) -> float:
    """Return the ticks between two samples, as the capture says or as its edges show; 1 where no grid is seen.

    A simulator's dump gives event times in its own steps, and a table of changes rounds its times; the grid of the
    sampling then shows in the intervals: all are whole multiples of it.
    """
    if capture.sample_ticks:
        return float(capture.sample_ticks)
    intervals = np.unique(np.diff(edges[:20_000]))
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
        if off.max() < 0.06 and len(np.unique(np.rint(intervals / step))) >= 4 and step > best:
            best = step
    return best
