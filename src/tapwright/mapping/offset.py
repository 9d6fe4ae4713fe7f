"""How far the labels' clock is ahead of the captures': label changes fall on frame changes.

Sliding the labels, the frames should not change inside a label's stretch. That leaves a few plateaus; which of them is
right is decided by the labels explained there, not by the changes alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.labels import Label
from tapwright.mapping.sight import SLOP_S, Recording, counters, recording_of

MOST_S = 5.0
_STEP_S = 0.05
_MOST_LABELS = 400
_FAR_SHARE = 0.5  # offsets this far from the lowest to the usual number of changes are not asked
_BUSY_SHARE = 0.4  # a bit that changes in more of the frames than this is no part of a display


def period_of(recorded: Mapping[str, Recording]) -> float:
    """Return the usual time between frames in seconds."""
    gaps = [np.diff(part.t_s) for part in recorded.values() if len(part.t_s) > 1]
    every = np.concatenate(gaps) if gaps else np.zeros(0)
    return float(np.median(every)) if len(every) else 0.3


def candidates(labels: Sequence[Label], recorded: Mapping[str, Recording], period_s: float, most: int) -> list[float]:
    """Return likely offsets in seconds (label time = capture time + offset), best first, `most` at most."""
    stretches = _stretches(labels, recorded)
    changes = _changes(recorded)
    grid = np.arange(-MOST_S, MOST_S + _STEP_S / 2, _STEP_S)
    cost = np.zeros(len(grid))
    seen = np.zeros(len(grid))
    margin = SLOP_S + min(period_s, 0.5) / 2
    for name, spans in stretches.items():
        at, weight = changes[name]
        total = np.concatenate([[0.0], np.cumsum(weight)])
        lo = spans[:, 0][:, None] - grid + margin
        hi = np.maximum(spans[:, 1][:, None] - grid - margin, lo)
        inside = total[np.searchsorted(at, hi)] - total[np.searchsorted(at, lo)]
        cost += np.minimum(inside, 3.0).sum(axis=0)
        t_s = recorded[name].t_s
        # A stretch beyond the capture saw nothing, which must not count as standing still.
        outside = (lo < t_s[0] - period_s) | (hi > t_s[-1] + period_s)
        cost += 3.0 * outside.sum(axis=0)
        seen += (~outside).sum(axis=0)
    return [_refined(offset, stretches, changes, period_s) for offset in _plateaus(grid, cost, most)]


def _stretches(labels: Sequence[Label], recorded: Mapping[str, Recording]) -> dict[str, NDArray[np.float64]]:
    by_name: dict[str, list[tuple[float, float]]] = {}
    step = max(len(labels) // _MOST_LABELS, 1)
    for label in labels[::step]:
        name = recording_of(label, recorded)
        if len(recorded[name].t_s):
            by_name.setdefault(name, []).append((label.start_s, label.end_s))
    return {name: np.array(spans) for name, spans in by_name.items()}


def _changes(recorded: Mapping[str, Recording]) -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Return for each capture when display bits change (first frame of the new state) and how much that weighs."""
    counting = counters(recorded)
    flips: dict[str, NDArray[np.uint8]] = {}
    total, frames = np.zeros(len(counting), np.int64), 0
    for name, part in recorded.items():
        flips[name] = np.unpackbits(part.body[1:] ^ part.body[:-1], axis=1, bitorder="little")
        total += flips[name].sum(axis=0, dtype=np.int64)
        frames += len(flips[name])
    quiet = (total > 0) & (total <= _BUSY_SHARE * max(frames, 1)) & ~counting
    if not quiet.any():
        quiet = (total > 0) & ~counting
    weight = np.where(quiet, 1.0 / np.sqrt(np.maximum(total, 1)), 0.0).astype(np.float32)
    weight /= max(float(weight.max()), 1e-9)
    out = {}
    for name, part in recorded.items():
        moved = flips[name].astype(np.float32) @ weight
        which = np.flatnonzero(moved > 0)
        out[name] = (part.t_s[1:][which], np.minimum(moved[which], 3.0).astype(np.float64))
    return out


def _plateaus(grid: NDArray[np.float64], cost: NDArray[np.float64], most: int) -> list[float]:
    """Return the middles of the lowest stretches of the cost, apart from one another, lowest first."""
    left = cost.copy()
    spread = max(float(np.median(cost) - cost.min()), 1e-9)
    tolerance = 0.02 * spread
    found: list[float] = []
    while len(found) < most and np.isfinite(left).any():
        low = int(left.argmin())
        if found and left[low] > cost.min() + _FAR_SHARE * spread:
            break
        first = last = low
        while first > 0 and left[first - 1] <= left[low] + tolerance:
            first -= 1
        while last + 1 < len(grid) and left[last + 1] <= left[low] + tolerance:
            last += 1
        found.append(float((grid[first] + grid[last]) / 2))
        apart = round(0.3 / _STEP_S)
        left[max(first - apart, 0):last + apart + 1] = np.inf
    return found


def _refined(offset: float, stretches: Mapping[str, NDArray[np.float64]],
             changes: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]], period_s: float) -> float:
    """Return the offset at which label edges fall on display changes, where most of them have one near."""
    near = SLOP_S + period_s
    for _ in range(3):
        apart: list[NDArray[np.float64]] = []
        n_edges = 0
        for name, spans in stretches.items():
            at = changes[name][0] - period_s / 2
            if not len(at):
                continue
            edges = spans.reshape(-1) - offset
            n_edges += len(edges)
            i = np.searchsorted(at, edges)
            before, after = at[np.maximum(i - 1, 0)], at[np.minimum(i, len(at) - 1)]
            nearest = np.where(np.abs(edges - before) < np.abs(edges - after), before, after)
            residue = edges - nearest
            apart.append(residue[np.abs(residue) <= near])
        every = np.concatenate(apart) if apart else np.zeros(0)
        if len(every) < max(0.5 * n_edges, 2):
            return round(offset, 3)
        offset += float(np.mean(every))
    return round(min(max(offset, -MOST_S), MOST_S), 3)
