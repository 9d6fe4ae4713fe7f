"""Two recordings of the same readings, with unrelated clocks and lost frames -> which frames belong together.

A fixed mask keeps equality: where a byte changes between two wire frames, it changes between their radio frames, and
where it repeats, it repeats. So the pattern of changed places between two frames is the same on both sides, whatever
the mask is; its rare values tell where the recordings lie on each other. Two proposals are made from it: one trusts the
clocks to run alike (`by_clock`), one trusts nothing but the order of frames (`by_order`). They only propose: whether a
mask joins the pairs is found out in `solve`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Frames

Pairs = NDArray[np.int64]  # shape (m, 2): index of the wire frame, index of the radio frame; both rise

MOST_SHIFTS = 400_000
WINDOW = 60  # wire frames whose patterns are laid over the radio recording at once
MISS_BITS = 7.0  # against a pairing, for each pattern that differs: a damaged frame is rarer than 2^-7
GAP_BITS = 1.5  # against a pairing, for each frame passed over
LAGS = 4


@dataclass(frozen=True)
class Rows:
    """Frames as one array.

    Parameters
    ----------
    t_s : float64, shape (n,), rising
    data : uint8, shape (n, width), zero behind each frame's end
    lengths : int64, shape (n,)
    """

    t_s: NDArray[np.float64]
    data: NDArray[np.uint8]
    lengths: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.t_s)

    def take(self, which: NDArray[np.int64] | slice) -> Rows:
        """Return the rows with the given indices."""
        return Rows(self.t_s[which], self.data[which], self.lengths[which])


@dataclass(frozen=True)
class Pairing:
    """A proposal.

    Parameters
    ----------
    pairs : frames taken to belong together
    passed_over : frames on either side that the proposal had to leave out although their partner should be there
    by_clock : True where the two clocks agree over all pairs
    """

    pairs: Pairs
    passed_over: int
    by_clock: bool


def rows_of(frames: Frames, width: int) -> Rows:
    """Return the whole frames (not broken, every byte settled) of at most `width` bytes, in time order."""
    good = ~frames.broken & (frames.lengths > 0) & (frames.lengths <= width)
    if frames.unsettled is not None:
        owner = np.repeat(np.arange(len(frames)), frames.lengths)
        good[owner[frames.unsettled]] = False
    kept = frames.take(np.flatnonzero(good))
    kept = kept.take(np.argsort(kept.t_s, kind="stable"))
    data = np.zeros((len(kept), width), np.uint8)
    place = np.arange(len(kept.data)) - np.repeat(kept.offsets[:-1], kept.lengths)
    data[np.repeat(np.arange(len(kept)), kept.lengths), place] = kept.data
    return Rows(kept.t_s, data, kept.lengths)


def proposals(wire: Rows, radio: Rows) -> Iterator[Pairing]:
    """Yield pairings to try, likeliest first."""
    yield from by_clock(wire, radio)
    path = by_order(wire, radio)
    if path is not None:
        fitted = track(wire, radio, path.pairs)
        if fitted is not None:
            yield fitted
        if not _agree(fitted, path):
            yield path


def by_clock(wire: Rows, radio: Rows) -> Iterator[Pairing]:
    """Yield pairings in which the time between two wire frames is the time between their radio frames."""
    period_s = _period(wire, radio)
    if period_s <= 0:
        return
    tolerance_s = 0.4 * period_s
    found: list[tuple[float, float, NDArray[np.int64]]] = []
    windows = _windows(wire)
    # Over a long recording two windows must do.
    for window in windows[:max(2, len(windows) * 4000 // max(len(radio), 4000))]:
        found += [(score, shift, window) for score, shift in _scan(wire, radio, window, tolerance_s)]
    found.sort(key=lambda item: -item[0])
    tried: list[float] = []
    for _, shift, window in found[:24]:
        if any(abs(shift - other) < tolerance_s for other in tried):
            continue
        tried.append(shift)
        start = _nearest(wire.t_s[window] + shift, radio.t_s, tolerance_s)
        pairs = np.column_stack([window, start])[start >= 0]
        pairing = track(wire, radio, pairs)
        if pairing is not None:
            yield pairing
        if len(tried) == 6:
            return


def by_order(wire: Rows, radio: Rows) -> Pairing | None:
    """Return the pairing in which most change patterns agree, whatever the clocks say; None where there is none."""
    first_w, first_r = _run_starts(wire), _run_starts(radio)
    states_w, states_r = wire.take(first_w), radio.take(first_r)
    if len(states_w) < 3 or len(states_r) < 3:
        return None
    marks_w = [_patterns(states_w, lag) for lag in range(1, LAGS + 1)]
    marks_r = [_patterns(states_r, lag) for lag in range(1, LAGS + 1)]
    path = _best_path(marks_w, marks_r)
    if len(path) < 3:
        return None
    return _along(path, first_w, first_r)


def by_equality(wire: Rows, radio: Rows, equal: Callable[[Rows, Rows], NDArray[np.bool_]]) -> Iterator[Pairing]:
    """Yield pairings of frames that a supposed mask makes equal.

    Parameters
    ----------
    equal : for some wire and some radio rows, whether the mask joins them: bool, shape (n_wire, n_radio)
    """
    first_w, first_r = _run_starts(wire), _run_starts(radio)
    same = equal(wire.take(first_w), radio.take(first_r))
    if not same.any():
        return
    # What joins with much tells little; runs of frames that all join with one another tell nothing.
    gain = -np.log2(same.mean(axis=1).clip(1 / same.shape[1], 1)).astype(np.float32)
    path = _equal_path(same, gain)
    if len(path) < 6:
        return
    pairing = _along(path, first_w, first_r)
    fitted = track(wire, radio, pairing.pairs)
    if fitted is not None:
        yield fitted
    if not _agree(fitted, pairing):
        yield pairing


def _agree(fitted: Pairing | None, path: Pairing) -> bool:
    """Whether the clocks confirm a path: then they are heard, for they tell of frames that ought to be partners."""
    if fitted is None:
        return False
    shared = set(map(tuple, fitted.pairs.tolist())) & set(map(tuple, path.pairs.tolist()))
    return len(shared) >= 0.7 * len(path.pairs)


def _along(path: Pairs, first_w: NDArray[np.int64], first_r: NDArray[np.int64]) -> Pairing:
    """Return the pairing of a path over runs of equal frames."""
    steps = np.diff(path, axis=0) - 1
    # Frames left out on one side alone may have been lost on the other, though hardly two of five.
    lone = max(0, int(steps.sum(axis=0).max()) - 2 * len(path) // 3)
    return Pairing(np.column_stack([first_w[path[:, 0]], first_r[path[:, 1]]]),
                   int(np.minimum(steps[:, 0], steps[:, 1]).sum()) + lone, by_clock=False)


def _period(wire: Rows, radio: Rows) -> float:
    """Return the shorter of both sides' usual time between frames, 0 where times do not rise."""
    if len(wire) < 3 or len(radio) < 3:
        return 0.0
    return float(min(np.median(np.diff(wire.t_s)), np.median(np.diff(radio.t_s))))


def _windows(wire: Rows) -> list[NDArray[np.int64]]:
    """Return the stretches of wire frames that change most, at most eight."""
    n = len(wire)
    if n <= WINDOW:
        return [np.arange(n)]
    starts = np.unique(np.linspace(0, n - WINDOW, max(2, min(2 * n // WINDOW, 100))).astype(np.int64))
    marks = _patterns(wire, 1)
    kinds = [len(np.unique(marks[s:s + WINDOW])) for s in starts]
    best = np.argsort(np.negative(kinds), kind="stable")[:8]
    return [np.arange(starts[k], starts[k] + WINDOW) for k in best]


def _scan(wire: Rows, radio: Rows, window: NDArray[np.int64], tolerance_s: float) -> list[tuple[float, float]]:
    """Return the best shifts of one window: (score in bits, seconds to add to wire times)."""
    step = tolerance_s / 2
    lo, hi = radio.t_s[0] - wire.t_s[window[-1]], radio.t_s[-1] - wire.t_s[window[0]]
    if (hi - lo) / step > MOST_SHIFTS:
        return []
    shifts = np.arange(lo, hi + step, step)
    n = len(window)
    rng = np.random.default_rng(7)  # which frames are compared; any choice will do
    one = np.concatenate([np.arange(n - 1), rng.integers(0, n, 2 * n)])
    two = np.concatenate([np.arange(1, n), rng.integers(0, n, 2 * n)])
    one, two = one[one != two], two[one != two]
    marks = _between(wire, window[one], window[two])
    _, kind, count = np.unique(marks, return_inverse=True, return_counts=True)
    gain = np.minimum(-np.log2(count / len(marks)), 10.0)[kind]
    scores = np.empty(len(shifts))
    for at in range(0, len(shifts), 512):
        part = shifts[at:at + 512]
        near = _nearest(wire.t_s[window][None, :] + part[:, None], radio.t_s, tolerance_s)
        a, b = near[:, one], near[:, two]
        valid = (a >= 0) & (b >= 0) & (a != b)
        same = _between(radio, a, b) == marks
        scores[at:at + 512] = (valid * np.where(same, gain, -MISS_BITS)).sum(axis=1)
    best = np.argsort(-scores)[:12]
    return [(float(scores[k]), float(shifts[k])) for k in best if scores[k] > 0]


def track(wire: Rows, radio: Rows, pairs: Pairs) -> Pairing | None:
    """Grow a first pairing over both recordings along a straight line between the clocks; None where there is none."""
    period_s = _period(wire, radio)
    if len(pairs) < 6 or period_s <= 0:
        return None
    tolerance_s = 0.4 * period_s
    fit = _line(wire.t_s[pairs[:, 0]], radio.t_s[pairs[:, 1]])
    lo, hi = int(pairs[:, 0].min()), int(pairs[:, 0].max()) + 1
    while True:
        part = np.arange(lo, hi)
        expected = fit[0] + fit[1] * (wire.t_s[part] - fit[2])
        near = _nearest(expected, radio.t_s, tolerance_s)
        # The nearest in both directions, so that no radio frame is paired twice.
        back = np.full(len(radio), -1, np.int64)
        gap = np.where(near >= 0, np.abs(radio.t_s[np.maximum(near, 0)] - expected), np.inf)
        for k in np.argsort(-gap, kind="stable"):
            if near[k] >= 0:
                back[near[k]] = k
        mine = (near >= 0) & (back[np.maximum(near, 0)] == np.arange(len(part)))
        pairs = np.column_stack([part[mine], near[mine]])
        if len(pairs) < 6:
            return None
        fit = _line(wire.t_s[pairs[:, 0]], radio.t_s[pairs[:, 1]])
        if lo == 0 and hi == len(wire):
            break
        grow = max(20, hi - lo)
        lo, hi = max(0, lo - grow), min(len(wire), hi + grow)
    off = radio.t_s[pairs[:, 1]] - (fit[0] + fit[1] * (wire.t_s[pairs[:, 0]] - fit[2]))
    off -= np.median(off)
    spread = float(np.median(np.abs(off)))
    # Trimmed by residual: a frame far off the line is another frame's partner, and one wrong pair ruins a solution.
    pairs = pairs[np.abs(off) <= max(8 * spread, 0.02 * period_s)]
    same_length = wire.lengths[pairs[:, 0]] == radio.lengths[pairs[:, 1]]
    return Pairing(pairs[same_length], int((~same_length).sum()), by_clock=True)


def _line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return (height at middle, slope, middle) of a straight line; two clocks differ by 2 % at most."""
    middle = float(np.mean(x))
    shift = y - x
    spread = float(np.var(x))
    slope = 0.0
    if len(x) >= 15 and spread > 0:
        # Twice: the second time without the points far off the first line.
        keep = np.ones(len(x), np.bool_)
        for _ in range(2):
            xs, ys = x[keep] - middle, shift[keep]
            variance = float(np.var(xs))
            slope = float(np.mean((xs - xs.mean()) * (ys - ys.mean())) / variance) if variance > 0 else 0.0
            slope = min(max(slope, -0.02), 0.02)
            off = shift - slope * (x - middle)
            off = np.abs(off - np.median(off))
            keep = off <= max(3 * float(np.median(off)), 1e-9)
    return float(np.median(shift - slope * (x - middle))) + middle, 1 + slope, middle


def _nearest(times: NDArray[np.float64], among: NDArray[np.float64], tolerance_s: float) -> NDArray[np.int64]:
    """Return the index of the nearest of `among` for each time, -1 where none is within the tolerance."""
    right = np.clip(np.searchsorted(among, times), 1, max(len(among) - 1, 1))
    left = right - 1
    right = np.minimum(right, len(among) - 1)
    near = np.where(np.abs(among[right] - times) < np.abs(among[left] - times), right, left)
    return np.where(np.abs(among[near] - times) <= tolerance_s, near, -1)


def _between(rows: Rows, one: NDArray[np.int64], two: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return a number for the pattern of changed places between frames, equal for equal patterns and lengths."""
    weights = np.random.default_rng(11).integers(1, 2**63, rows.data.shape[1], np.uint64)
    changed = rows.data[one] != rows.data[two]
    # Summed place by place: a matrix product of integers is slower.
    total = (rows.lengths[one].astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
             + rows.lengths[two].astype(np.uint64) * np.uint64(0xC2B2AE3D27D4EB4F))
    for place in range(changed.shape[-1]):
        total = total + changed[..., place] * weights[place]
    return total


def _patterns(rows: Rows, lag: int) -> NDArray[np.uint64]:
    """Return the pattern between each frame and the one `lag` before; 0 for the first ones."""
    marks = np.zeros(len(rows), np.uint64)
    if len(rows) > lag:
        at = np.arange(lag, len(rows))
        marks[lag:] = _between(rows, at - lag, at)
    return marks


def _run_starts(rows: Rows) -> NDArray[np.int64]:
    """Return the index of the first frame of each run of equal frames."""
    same = (rows.data[1:] == rows.data[:-1]).all(axis=1) & (rows.lengths[1:] == rows.lengths[:-1])
    return np.flatnonzero(np.concatenate([[True], ~same]))


def _best_path(marks_w: list[NDArray[np.uint64]], marks_r: list[NDArray[np.uint64]]) -> Pairs:
    """Return the chain of states with the greatest score (local alignment by change patterns).

    Row by row over the wire's states: a step from (i - d, j - e) to (i, j) gains the rarity of the pattern where both
    sides show the same one, and loses `MISS_BITS` where they do not; passing over states costs.
    """
    n, m = len(marks_w[0]), len(marks_r[0])
    codes_w, codes_r, gains = [], [], []
    for lag in range(LAGS):
        for other in range(LAGS):
            both = np.concatenate([marks_w[lag], marks_r[other]])
            _, code, count = np.unique(both, return_inverse=True, return_counts=True)
            codes_w.append(code[:n].astype(np.int32))
            codes_r.append(code[n:].astype(np.int32))
            gains.append(np.minimum(-np.log2(count / count.sum()), 10.0).astype(np.float32))
    score = np.zeros((n, m), np.float32)
    came = np.zeros((n, m), np.int8)  # 0 where a chain begins, else the step by which it came
    for i in range(1, n):
        row, origin = score[i], came[i]
        for d in range(1, min(LAGS, i) + 1):
            for e in range(1, min(LAGS, m - 1) + 1):
                k = (d - 1) * LAGS + e - 1
                code = codes_w[k][i]
                step = np.where(codes_r[k][e:] == code, gains[k][code], -MISS_BITS) - GAP_BITS * (d + e - 2)
                total = score[i - d, :m - e] + step
                better = total > row[e:]
                row[e:][better] = total[better]
                origin[e:][better] = k + 1
    return _traced(score, came)


def _equal_path(same: NDArray[np.bool_], gain: NDArray[np.float32]) -> Pairs:
    """Return the chain of joined states with the greatest gain; passing over states costs."""
    n, m = same.shape
    score = np.where(same, gain[:, None], 0).astype(np.float32)
    came = np.zeros((n, m), np.int8)
    for i in range(1, n):
        row, origin = score[i], came[i]
        for d in range(1, min(LAGS, i) + 1):
            for e in range(1, min(LAGS, m - 1) + 1):
                total = score[i - d, :m - e] + (gain[i] - GAP_BITS * (d + e - 2))
                better = same[i, e:] & same[i - d, :m - e] & (total > row[e:])
                row[e:][better] = total[better]
                origin[e:][better] = (d - 1) * LAGS + e
    return _traced(score, came)


def _traced(score: NDArray[np.float32], came: NDArray[np.int8]) -> Pairs:
    """Return the chain that ends at the greatest score."""
    i, j = divmod(int(np.argmax(score)), score.shape[1])
    path = [(i, j)]
    while came[i, j]:
        d, e = divmod(int(came[i, j]) - 1, LAGS)
        i, j = i - d - 1, j - e - 1
        path.append((i, j))
    return np.array(path[::-1], np.int64)
