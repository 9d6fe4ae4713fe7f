"""Columns of volts as levels: two-level threshold, hysteresis, crossings interpolated between samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BINS = 256
# Steady: all readings within this of each other. A logic family with less swing is not known (levels.csv: 1.8 V CMOS
# is the smallest), and meters and scopes show noise of tens of millivolts.
STEADY_SWING_V = 0.4
# Two levels: on either side half of the readings lie within this share of the swing of their level. A sine has 0.15
# there and a triangle 0.25 (arithmetic); normal noise of a tenth of the swing on two levels has 0.07.
TWO_LEVEL_SPREAD = 0.1
HYSTERESIS = 0.25  # of the swing, methods.md


@dataclass(frozen=True, kw_only=True)
class Sliced:
    """A column of volts as levels.

    Parameters
    ----------
    first_level : 0 or 1
    edges : float64, shape (n,), ticks of the crossings
    analogue : True where the readings are not two levels; then there are no edges
    low_v, high_v : the levels found (equal for a steady line)
    """

    first_level: int
    edges: NDArray[np.float64]
    analogue: bool
    low_v: float
    high_v: float


def slice_volts(
    ticks: NDArray[np.int64], volts: NDArray[np.float64], low_v: float | None, high_v: float | None,
    reference_v: float,
) -> Sliced:
    """Slice one column.

    Parameters
    ----------
    ticks : int64, shape (n,), rising
    volts : float64, shape (n,), finite
    low_v, high_v : thresholds given by the user, or None
    reference_v : volts above which a steady line counts as high
    """
    least, most = float(volts.min()), float(volts.max())
    if low_v is not None and high_v is not None:
        return _cut(ticks, volts, low_v, high_v, least, most)
    if most - least < STEADY_SWING_V:
        return Sliced(first_level=int(middle(volts) > reference_v), edges=np.empty(0), analogue=False,
                      low_v=least, high_v=most)
    low, high = two_levels(volts)
    above = volts > (low + high) / 2
    spread = max(middle(np.abs(volts[above] - high)), middle(np.abs(volts[~above] - low)))
    if spread > TWO_LEVEL_SPREAD * (high - low) or high - low < STEADY_SWING_V / 2:
        return Sliced(first_level=0, edges=np.empty(0), analogue=True, low_v=least, high_v=most)
    centre, half = (low + high) / 2, HYSTERESIS * (high - low) / 2
    return _cut(ticks, volts, centre - half, centre + half, low, high)


def two_levels(volts: NDArray[np.float64]) -> tuple[float, float]:
    """Return the two levels by Otsu's rule: the cut of the histogram that leaves the least spread on its sides.

    *Source*: N. Otsu, IEEE Trans. SMC 9 (1979) 62-66.
    """
    counts, borders = np.histogram(volts, BINS)
    middles = (borders[1:] + borders[:-1]) / 2
    below = np.cumsum(counts)[:-1].astype(np.float64)
    sums = np.cumsum(counts * middles)
    above = counts.sum() - below
    with np.errstate(divide="ignore", invalid="ignore"):
        low = sums[:-1] / below
        high = (sums[-1] - sums[:-1]) / above
        between = below * above * (high - low) ** 2
    best = between >= np.nanmax(between) * (1 - 1e-12)
    cut = int(np.flatnonzero(best).mean())  # empty bins between the levels tie: take their middle
    threshold = borders[cut + 1]
    # The levels are medians, for ringing and slow edges pull means.
    return middle(volts[volts <= threshold]), middle(volts[volts > threshold])


def middle(values: NDArray[np.float64]) -> float:
    """Return the median (of an even count the upper one), 0 of nothing."""
    return float(np.partition(values, len(values) // 2)[len(values) // 2]) if len(values) else 0.0


def _cut(
    ticks: NDArray[np.int64], volts: NDArray[np.float64], lower: float, upper: float, low_v: float, high_v: float,
) -> Sliced:
    side = np.zeros(len(volts), np.int8)
    side[volts > upper] = 1
    side[volts < lower] = -1
    if lower == upper:
        side[volts == upper] = 1
    sure = np.flatnonzero(side)
    if not len(sure):
        return Sliced(first_level=0, edges=np.empty(0), analogue=True, low_v=low_v, high_v=high_v)
    levels = side[sure] > 0
    turns = np.flatnonzero(levels[1:] != levels[:-1]) + 1
    reached = sure[turns]
    centre = (lower + upper) / 2
    high_side = volts > centre
    # The crossing is between the last sample on the old side of the middle and the next one.
    index = np.arange(len(volts))
    last_high = np.maximum.accumulate(np.where(high_side, index, -1))
    last_low = np.maximum.accumulate(np.where(high_side, -1, index))
    before = np.where(levels[turns], last_low[reached], last_high[reached])
    before = np.clip(before, 0, len(volts) - 2)
    rise = volts[before + 1] - volts[before]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(rise != 0, (centre - volts[before]) / rise, 1.0)
    edges = ticks[before] + np.clip(share, 0, 1) * (ticks[before + 1] - ticks[before])
    return Sliced(first_level=int(levels[0]), edges=edges, analogue=False, low_v=low_v, high_v=high_v)
