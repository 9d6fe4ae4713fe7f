"""Readings at one input with the board's radio on, and off -> shift, noise, and whether bursts show in them.

Two recordings (or repeats at one point) are two samples of one quantity; tables of several points are paired by name.
Readings in a row are correlated, so every interval reckons with effective counts.

Sources: B. L. Welch, Biometrika 34 (1947) 28-35 (shift); the F distribution of a ratio of variances; H. B. Mann, D. R.
Whitney, Ann. Math. Stat. 18 (1947) 50-60 (bursts).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.agreement import statistics
from tapwright.agreement.compare import Equivalence, Interval, compare
from tapwright.agreement.distributions import f_quantile, normal_share, t_quantile
from tapwright.agreement.readings import Readings
from tapwright.core import units
from tapwright.core.errors import AgreementError, UsageError

Floats = NDArray[np.float64]
LEAST_READINGS = 5
NOISIER = 1.25  # a quarter more noise, shown, counts as disturbed; common practice, no source
LEAST_HITS = 5
MOST_LAGS = 4
BURST_P = 0.01
BASELINE_ROWS = 15
UNDISTURBED, DISTURBED, UNDECIDED = "undisturbed", "disturbed", "undecided"


@dataclass(frozen=True, kw_only=True)
class Side:
    """One state of the radio: its rows, how many independent ones they are worth, mean and noise (None: not known)."""

    readings: int
    effective: float
    mean: float
    noise: float | None


@dataclass(frozen=True, kw_only=True)
class Bursts:
    """Whether readings just after a burst lie further from their neighbours than the others.

    `p` allows for the `MOST_LAGS` delays that were tried; None where too few readings, or all, follow a burst.
    """

    bursts: int
    readings_hit: int
    delay_s: float | None
    p: float | None

    @property
    def verdict(self) -> str:
        """"line up", "not shown", or "cannot be told"."""
        if self.p is None:
            return "cannot be told"
        return "line up" if self.p < BURST_P else "not shown"


@dataclass(frozen=True, kw_only=True)
class Disturbance:
    """What the radio does to the readings; `shift` is on less off, in `unit`."""

    unit: str
    on: Side
    off: Side
    paired: bool
    shift: float
    shift_ci: Interval | None
    noise_ratio: float | None
    noise_ratio_ci: Interval | None
    equivalence: Equivalence | None
    bursts: Bursts | None
    advice: tuple[str, ...]

    @property
    def noisier(self) -> bool:
        """Whether more noise with the radio on is shown, by a quarter or more."""
        return self.noise_ratio_ci is not None and self.noise_ratio_ci[0] > NOISIER

    @property
    def noise_hidden(self) -> bool:
        """Whether the display's step hid the noise with the radio off, and not with it on: any growth is possible."""
        return self.off.noise == 0 and (self.on.noise or 0.0) > 0

    @property
    def verdict(self) -> str | None:
        """The verdict against the margin; None where no margin was given and nothing speaks for a disturbance."""
        if self.noisier or (self.bursts is not None and self.bursts.verdict == "line up"):
            return DISTURBED
        if self.equivalence is None:
            return None
        if self.equivalence.equivalent:
            return UNDECIDED if self.noise_hidden else UNDISTURBED
        outside = self.shift_ci is not None and (
            self.shift_ci[0] > self.equivalence.margin or self.shift_ci[1] < -self.equivalence.margin)
        return DISTURBED if outside else UNDECIDED

    @property
    def shown(self) -> bool:
        """Whether what was asked for is shown: no disturbance found, and equivalence where a margin was given."""
        return self.verdict in (None, UNDISTURBED)


def disturbance(on: Readings, off: Readings, *, margin: float | None = None,
                burst_times_s: Floats | None = None) -> Disturbance:
    """Compare readings with the radio on and off.

    Parameters
    ----------
    on, off : two time series, two tables that repeat one point, or two tables of the same points
    margin : the shift, in the readings' unit, that would not matter; over 0
    burst_times_s : float64, shape (n_bursts,), on the clock of `on`

    Raises
    ------
    AgreementError : the two do not fit each other, or hold fewer than five readings
    UsageError : the margin is no number over 0
    """
    if margin is not None and not (math.isfinite(margin) and margin > 0):
        raise UsageError(f"a margin of {margin}", expected="a number over 0, in the readings' unit")
    if burst_times_s is not None and on.times_s is None:
        raise AgreementError("a table of points has no times to hold bursts against", path=on.name, line=1,
                             expected="t_s,value with --bursts")
    single = len(set(on.labels)) == 1 and set(on.labels) == set(off.labels)
    if (on.times_s is None) != (off.times_s is None):
        raise AgreementError("one file is a time series, the other a table of points", path=off.name, line=1,
                             expected="two files of the same form")
    if on.times_s is None and not single:
        return _paired(on, off, margin)
    return _two_samples(on, off, margin, burst_times_s)


def _two_samples(on: Readings, off: Readings, margin: float | None, bursts_s: Floats | None) -> Disturbance:
    for side in (on, off):
        if len(side) < LEAST_READINGS:
            raise AgreementError(f"{len(side)} readings", path=side.name, expected=f"at least {LEAST_READINGS}",
                                 do="record some minutes in each state")
    unit = next((text for text in (*off.units, *on.units) if text), "")
    a, b = _values(on, unit), _values(off, unit)
    one, two = _side(a), _side(b)
    shift = one.mean - two.mean
    parts = (_mean_variance(one), _mean_variance(two))
    error = math.sqrt(sum(parts))
    df = _welch_df(parts, (one.effective - 1, two.effective - 1))
    ratio, ratio_ci = _noise_ratio(a, b)
    advice = _advice(one, two, (a, b), shift)
    return Disturbance(
        unit=unit, on=one, off=two, paired=False, shift=shift, shift_ci=_interval(shift, error, df, 0.95),
        noise_ratio=ratio, noise_ratio_ci=ratio_ci,
        equivalence=None if margin is None else _equivalence(shift, error, df, margin),
        bursts=None if bursts_s is None or on.times_s is None else find_bursts(on.times_s, a, bursts_s), advice=advice)


def _paired(on: Readings, off: Readings, margin: float | None) -> Disturbance:
    found = compare(off, on, margin=margin)
    best = found.effective or found.summary
    repeat = found.repeatability
    ratio, ratio_ci = None, None
    if repeat is not None and repeat.meter > 0 and repeat.reference > 0:
        ratio = repeat.meter / repeat.reference
        ratio_ci = _f_interval(ratio, repeat.df, repeat.df)
    said = list(found.advice)
    if ratio is None:
        said.append("no noise ratio: it takes repeats of the points, or two recordings")
    count = found.pairs_effective or 1.0
    n = len(found.pairs)
    return Disturbance(
        unit=found.pairs.unit, paired=True, shift=found.summary.bias,
        on=Side(readings=n, effective=count, mean=float(found.pairs.meter.mean()),
                noise=repeat.meter if repeat else None),
        off=Side(readings=n, effective=count, mean=float(found.pairs.reference.mean()),
                 noise=repeat.reference if repeat else None),
        shift_ci=None if found.summary.spread == 0 else best.bias_ci, noise_ratio=ratio, noise_ratio_ci=ratio_ci,
        equivalence=found.equivalence_effective or found.equivalence, bursts=None, advice=tuple(said))


def _values(readings: Readings, unit: str) -> Floats:
    values = readings.values.copy()
    for shown in set(readings.units):
        power = units.scale_power(shown or unit, unit)
        rows = np.array([text == shown for text in readings.units])
        if power is None:
            i = int(np.argmax(rows))
            raise AgreementError(f"unit '{shown}'", path=readings.name, line=int(readings.lines[i]),
                                 expected=f"{unit}, with or without a prefix")
        values[rows] = values[rows] * 10.0**power if power >= 0 else values[rows] / 10.0**-power
    return values


def _side(values: Floats) -> Side:
    mean, spread = statistics.mean_and_spread(values)
    count = statistics.effective_counts(values)[0]
    return Side(readings=len(values), effective=count if math.isfinite(count) else float(len(values)),
                mean=float(mean), noise=float(spread))


def _mean_variance(side: Side) -> float:
    if not side.noise or side.effective <= 1:
        return (side.noise or 0.0) ** 2
    return float(statistics.full_spread(side.noise, side.readings, side.effective)) ** 2 / side.effective


def _welch_df(parts: tuple[float, float], dfs: tuple[float, float]) -> float:
    if any(part > 0 and not df > 0 for part, df in zip(parts, dfs, strict=True)):
        return math.nan  # worth a single reading: nothing is known of its scatter
    weight = sum(part**2 / df for part, df in zip(parts, dfs, strict=True) if part > 0)
    return sum(parts) ** 2 / weight if weight > 0 else math.nan


def _interval(shift: float, error: float, df: float, level: float) -> Interval | None:
    if not (error > 0 and df > 0):
        return None
    half = float(t_quantile(df, 0.5 + level / 2)) * error
    return shift - half, shift + half


def _equivalence(shift: float, error: float, df: float, margin: float) -> Equivalence:
    p = float(statistics.two_one_sided(np.asarray(shift), np.asarray(error), df, margin)) if df > 0 else math.nan
    return Equivalence(margin=margin, p=p if math.isfinite(p) else None, ci90=_interval(shift, error, df, 0.90))


def _noise_ratio(on: Floats, off: Floats) -> tuple[float | None, Interval | None]:
    (_, one), (_, two) = statistics.mean_and_spread(on), statistics.mean_and_spread(off)
    if not (one > 0 and two > 0):
        return None, None
    ratio = float(one / two)
    return ratio, _f_interval(ratio, statistics.effective_counts(on)[1] - 1, statistics.effective_counts(off)[1] - 1)


def _f_interval(ratio: float, df_on: float, df_off: float) -> Interval | None:
    """Return the 95 % interval of a ratio of standard deviations."""
    if not (df_on >= 1 and df_off >= 1):
        return None
    return ratio / math.sqrt(f_quantile(df_on, df_off, 0.975)), ratio * math.sqrt(f_quantile(df_off, df_on, 0.975))


def find_bursts(times_s: Floats, values: Floats, bursts_s: Floats) -> Bursts:
    """Tell whether readings that follow a burst stand out from their neighbours.

    A reading is hit at delay k when a burst fell into the reading interval that ended k intervals before it. Of all
    delays the one with the least p counts, times the number of delays (Bonferroni).
    """
    stray = np.abs(values - _running_median(values))
    interval = float(np.median(np.diff(times_s)))
    best: tuple[float, int, int] | None = None
    for lag in range(MOST_LAGS):
        end = times_s - lag * interval
        ordered = np.sort(bursts_s)
        hit = np.searchsorted(ordered, end, side="right") > np.searchsorted(ordered, end - interval, side="right")
        n_hit = int(hit.sum())
        if min(n_hit, len(bursts_s)) < LEAST_HITS or len(hit) - n_hit < LEAST_HITS:
            continue
        p = rank_sum_p(stray[hit], stray[~hit])
        if best is None or p < best[0]:
            best = (p, lag, n_hit)
    if best is None:
        return Bursts(bursts=len(bursts_s), readings_hit=0, delay_s=None, p=None)
    return Bursts(bursts=len(bursts_s), readings_hit=best[2], delay_s=best[1] * interval,
                  p=min(best[0] * MOST_LAGS, 1.0))


def rank_sum_p(a: Floats, b: Floats) -> float:
    """Return the one-sided p that values of `a` are larger than those of `b` (normal approximation, ties counted)."""
    both = np.concatenate([a, b])
    _, place, count = np.unique(both, return_inverse=True, return_counts=True)
    rank = (np.cumsum(count) - (count - 1) / 2)[place]
    n, m = len(a), len(b)
    total = n + m
    u = float(rank[:n].sum()) - n * (n + 1) / 2
    ties = float((count.astype(np.float64) ** 3 - count).sum()) / (total * (total - 1))
    spread = math.sqrt(n * m / 12 * (total + 1 - ties))
    return 1.0 if spread == 0 else float(normal_share(-(u - n * m / 2 - 0.5) / spread))


def _running_median(values: Floats) -> Floats:
    wide = min(BASELINE_ROWS, len(values) - (1 - len(values) % 2))
    half = wide // 2
    padded = np.concatenate([np.full(half, np.median(values[:wide])), values, np.full(half, np.median(values[-wide:]))])
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=-1))


def _advice(on: Side, off: Side, samples: tuple[Floats, Floats], shift: float) -> tuple[str, ...]:
    said = []
    for word, side in (("on", on), ("off", off)):
        if side.noise == 0:
            said.append(f"all readings with the radio {word} are equal: the display's step hides the noise, so nothing "
                        "is known of it; use a finer range or an input between two steps")
        elif side.effective < side.readings / 2:
            said.append(f"readings with the radio {word} are correlated: {side.readings} are worth about "
                        f"{side.effective:.2g}")
    drift = max(abs(_drift(values)) for values in samples)
    if drift > abs(shift) > 0 or (drift > 0 and shift == 0):
        said.append(f"the readings drift by {drift:.2g} within a recording, more than the shift: switch the radio on "
                    "and off in turns, several times")
    return tuple(said)


def _drift(values: Floats) -> float:
    """Return by how much a straight line through the readings rises from first to last, 0 where that is not shown."""
    n = len(values)
    x = np.arange(n) - (n - 1) / 2
    slope = float((x * values).sum() / (x**2).sum())
    rest = values - values.mean() - slope * x
    error = math.sqrt(float((rest**2).sum()) / max(n - 2, 1) / float((x**2).sum()))
    count = statistics.effective_counts(rest)[0]
    wider = math.sqrt(n / count) if math.isfinite(count) else 1.0
    return slope * (n - 1) if abs(slope) > 4 * error * wider else 0.0
