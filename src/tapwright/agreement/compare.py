"""Readings of a meter beside a reference -> bias, limits of agreement, verdict, equivalence, and what is left open."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.agreement import budget, plan, statistics
from tapwright.agreement.distributions import t_quantile
from tapwright.agreement.pair import Pairs, pair
from tapwright.agreement.readings import Readings
from tapwright.agreement.spec import Spec
from tapwright.agreement.verdict import (
    FAIL,
    GOOD_RATIO,
    PASS,
    UNDECIDED,
    Judgement,
    Uncertainty,
    judge,
    uncertainty,
    with_unit,
)
from tapwright.core import units
from tapwright.core.errors import UsageError

Floats = NDArray[np.float64]
Interval = tuple[float, float]
FEW_PAIRS = 10
LEAST_TOLD = 3  # from two pairs, a spread and its interval say next to nothing
SHOWN_P = 0.05
_WIDE_SPAN = 10.0  # largest over smallest reference value from which per cent says more than the unit
# A per cent of these readings means nothing: their zero is a convention.
_NO_PERCENT = frozenset(["°C", "°F", "pH", "dB", "dBm", "dBµ", "dBA", "dBC", "%", "%RH"])


@dataclass(frozen=True, kw_only=True)
class Summary:
    """Bias and limits of one set of differences; intervals at 95 %, None where one pair or none allows none."""

    pairs: int
    bias: float
    bias_ci: Interval | None
    spread: float | None
    limits: Interval | None
    limits_ci: tuple[Interval, Interval] | None
    limits_ci_exact: tuple[Interval, Interval] | None = None


@dataclass(frozen=True, kw_only=True)
class Group:
    """The pairs of one range of the meter, or of one unit that it showed."""

    name: str
    summary: Summary


@dataclass(frozen=True, kw_only=True)
class Slope:
    """Deming's line: `ci` is None where the jackknife has no finite answer.

    `ci_effective` is the interval widened for correlated readings, the same as `ci` where all pairs count.
    """

    value: float
    ci: Interval | None
    ci_effective: Interval | None
    intercept: float

    @property
    def proportional(self) -> bool:
        """Whether a bias that grows with the reading is shown: the honest interval leaves 1 out."""
        return self.ci_effective is not None and not self.ci_effective[0] <= 1 <= self.ci_effective[1]


@dataclass(frozen=True, kw_only=True)
class Equivalence:
    """Two one-sided tests against a margin; `p` and `ci90` are None where the spread is 0 or unknown."""

    margin: float
    p: float | None
    ci90: Interval | None

    @property
    def equivalent(self) -> bool:
        """Whether the bias is shown to lie inside the margin."""
        return self.p is not None and self.p < SHOWN_P


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Scatter of readings at one and the same point, pooled over `points` repeated points.

    Standard deviations `reference`, `meter` and `difference`, each with `df` degrees of freedom.
    """

    points: int
    df: int
    reference: float
    meter: float
    difference: float

    @property
    def coefficient(self) -> float:
        """Two readings of the meter at one point differ by less than this in 95 of 100 cases."""
        return statistics.LIMIT_Z * math.sqrt(2) * self.meter


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """Everything that `compare` finds; numbers in `pairs.unit`.

    `pairs_effective` counts independent pairs, None where the spread is 0; `effective` and `equivalence_effective`
    are the summary and the test that reckon with it, None where all pairs count.
    """

    pairs: Pairs
    spec: Spec | None
    summary: Summary
    slope: Slope | None
    pairs_effective: float | None
    effective: Summary | None
    uncertainty: Uncertainty
    judgement: Judgement | None
    equivalence: Equivalence | None
    equivalence_effective: Equivalence | None
    groups: tuple[Group, ...]
    percent: Summary | None
    repeatability: Repeatability | None
    outliers: tuple[int, ...]
    budgets: tuple[budget.Budget, ...]
    plan: plan.Plan
    advice: tuple[str, ...]

    @property
    def verdict(self) -> str | None:
        """"pass", "undecided" or "fail"; without a specification None, or undecided where the spread cannot be told."""
        if self.judgement is not None:
            return self.judgement.verdict
        return UNDECIDED if self.summary.spread == 0 or len(self.pairs) < LEAST_TOLD else None

    @property
    def shown(self) -> bool:
        """Whether all that was asked for is shown: every pair passes, and equivalence where a margin was given."""
        within = self.judgement is None or self.judgement.verdict == PASS
        return within and (self.equivalence is None or self.equivalence.equivalent)


def compare(reference: Readings, meter: Readings, *, spec: Spec | None = None,
            margin: float | None = None) -> Agreement:
    """Compare a meter with a reference.

    Parameters
    ----------
    reference, meter : tables of points, or two time series
    spec : the allowed errors, None to state the agreement without a verdict
    margin : the bias, in the reference's unit, under which the two count as equal; over 0

    Raises
    ------
    AgreementError : the readings do not fit each other or the specification
    UsageError : the margin is no number over 0
    """
    if margin is not None and not (math.isfinite(margin) and margin > 0):
        raise UsageError(f"a margin of {margin}", expected="a number over 0, in the reference's unit")
    pairs = pair(reference, meter)
    if spec is not None:
        pairs = replace(pairs, unit=with_unit(pairs, spec))
    known = uncertainty(pairs, spec)
    judgement = None if spec is None else judge(pairs, spec, known)
    summary = summarise(pairs.difference)
    repeats = _repeatability(pairs)
    count = _independent(pairs)
    effective = None
    if count is not None and count < len(pairs):
        effective = summarise(pairs.difference, count)
    equivalence = None if margin is None else equivalence_of(summary, margin)
    slope = _slope(pairs, count)
    named = statistics.outliers(pairs.difference) if pairs.times_s is None else []
    return Agreement(
        pairs=pairs, spec=spec, summary=summary, slope=slope, pairs_effective=count, effective=effective,
        uncertainty=known, judgement=judgement, equivalence=equivalence,
        equivalence_effective=None if margin is None or effective is None
        else equivalence_of(effective, margin, count),
        groups=_groups(pairs, judgement), percent=_percent(pairs), repeatability=repeats, outliers=tuple(named),
        budgets=_budgets(pairs, known, judgement, summary, count),
        plan=_plan(pairs, known, judgement, summary, repeats, equivalence),
        advice=_advice(pairs, known, judgement, summary, count, equivalence),
    )


def summarise(difference: Floats, count: float | None = None) -> Summary:
    """Return bias, spread and limits of differences; `count` independent ones instead of all, where given."""
    rows = len(difference)
    n = float(rows if count is None else count)
    if rows < 2:
        return Summary(pairs=rows, bias=float(difference[0]), bias_ci=None, spread=None, limits=None, limits_ci=None)
    mean, spread = statistics.mean_and_spread(difference)
    limits = statistics.limits_of_agreement(mean, spread)
    if n < 2:
        return Summary(pairs=rows, bias=float(mean), bias_ci=None, spread=float(spread), limits=_two(limits),
                       limits_ci=None)
    scatter = spread if count is None else statistics.full_spread(spread, rows, n)
    half = float(statistics.limit_half_width(scatter, n))
    low, high = _two(limits)
    upper = _two(statistics.upper_limit_interval(mean, scatter, n))
    return Summary(pairs=rows, bias=float(mean), bias_ci=_two(statistics.mean_interval(mean, scatter, n)),
                   spread=float(spread), limits=(low, high),
                   limits_ci=((low - half, low + half), (high - half, high + half)),
                   limits_ci_exact=((2 * float(mean) - upper[1], 2 * float(mean) - upper[0]), upper))


def equivalence_of(summary: Summary, margin: float, count: float | None = None) -> Equivalence:
    """Test whether the bias lies inside ± margin; `count` independent pairs instead of all, where given."""
    n = float(summary.pairs if count is None else count)
    if summary.spread is None or summary.spread == 0 or n < 2:
        return Equivalence(margin=margin, p=None, ci90=None)
    mean, spread = np.asarray(summary.bias), np.asarray(summary.spread)
    if count is not None:
        spread = statistics.full_spread(spread, summary.pairs, n)
    p = float(statistics.two_one_sided(mean, spread / math.sqrt(n), n - 1, margin))
    return Equivalence(margin=margin, p=p, ci90=_two(statistics.mean_interval(mean, spread, n, 0.90)))


def _two(pair_of: tuple[Floats, Floats]) -> Interval:
    return float(pair_of[0]), float(pair_of[1])


def _slope(pairs: Pairs, count: float | None) -> Slope | None:
    n = len(pairs)
    if n < 3:
        return None
    line = statistics.deming(pairs.reference, pairs.meter)
    if not math.isfinite(line.slope):
        return None
    slope, half = float(line.slope), float(line.high - line.slope)
    if not math.isfinite(half):
        return Slope(value=slope, ci=None, ci_effective=None, intercept=float(line.intercept))
    wide: float | None = half
    if count is not None and count < n:
        # The jackknife's standard error, as for so many pairs; the effective count of the differences is at most that
        # of what the line leaves over, so this errs on the wide side.
        wide = None if count <= 3 else half * math.sqrt(n / count) * float(
            t_quantile(count - 2, 0.975) / t_quantile(n - 2, 0.975))
    return Slope(value=slope, ci=(slope - half, slope + half), intercept=float(line.intercept),
                 ci_effective=None if wide is None else (slope - wide, slope + wide))


def _by_point(pairs: Pairs) -> list[NDArray[np.int64]]:
    """Return the rows of each point that is there more than once."""
    places: dict[str, list[int]] = defaultdict(list)
    for i, point in enumerate(pairs.points):
        places[point].append(i)
    return [np.array(rows, dtype=np.int64) for rows in places.values() if len(rows) > 1]


def _repeatability(pairs: Pairs) -> Repeatability | None:
    if pairs.times_s is not None:
        return None
    repeated = _by_point(pairs)
    df = sum(len(rows) - 1 for rows in repeated)
    if not df:
        return None

    def pooled(values: Floats) -> float:
        return math.sqrt(sum(float(((values[rows] - values[rows].mean()) ** 2).sum()) for rows in repeated) / df)

    return Repeatability(points=len(repeated), df=df, reference=pooled(pairs.reference), meter=pooled(pairs.meter),
                         difference=pooled(pairs.difference))


def _independent(pairs: Pairs) -> float | None:
    """Return how many independent pairs there are: fewer where neighbours in time, or repeats of a point, are alike."""
    d = pairs.difference
    n = len(d)
    if d.max() == d.min():
        return None
    if pairs.times_s is not None:
        count = statistics.effective_counts(d)[0]
        return count if math.isfinite(count) else float(n)
    repeated = _by_point(pairs)
    if not repeated:
        return float(n)
    sizes = np.array([len(rows) for rows in repeated] + [1] * (n - sum(map(len, repeated))), dtype=np.float64)
    k = len(sizes)
    within = sum(float(((d[rows] - d[rows].mean()) ** 2).sum()) for rows in repeated)
    if k < 2:
        return float(n)
    total = float(((d - d.mean()) ** 2).sum())
    usual = (n - float((sizes**2).sum()) / n) / (k - 1)
    mean_within, mean_between = within / (n - k), (total - within) / (k - 1)
    alike = (mean_between - mean_within) / (mean_between + (usual - 1) * mean_within)
    weighted = float((sizes**2).sum()) / n
    return n / (1 + (weighted - 1) * min(max(alike, 0.0), 1.0))


def _groups(pairs: Pairs, judgement: Judgement | None) -> tuple[Group, ...]:
    if judgement is not None:
        names = [judgement.spec.ranges[i].name for i in judgement.ranges.tolist()]
    else:
        names = list(pairs.shown)
    found = list(dict.fromkeys(names))
    if len(found) < 2:
        return ()
    rows = np.array([found.index(name) for name in names])
    return tuple(Group(name=name, summary=summarise(pairs.difference[rows == i])) for i, name in enumerate(found))


def _percent(pairs: Pairs) -> Summary | None:
    """Return the differences in per cent of the reference, where the levels differ so much that it says more."""
    size = np.abs(pairs.reference)
    if units.parse(pairs.unit).base in _NO_PERCENT or not size.min() > 0 or size.max() < _WIDE_SPAN * size.min():
        return None
    return summarise(100 * pairs.difference / size)


def _budgets(pairs: Pairs, known: Uncertainty, judgement: Judgement | None, summary: Summary,
             count: float | None) -> tuple[budget.Budget, ...]:
    made = []
    if judgement is not None:
        # One budget a range, of its point with the least room: the others differ by the reading alone.
        room = judgement.limit - np.abs(pairs.difference) - known.expanded
        for i in sorted(set(judgement.ranges.tolist())):
            rows = np.flatnonzero(judgement.ranges == i)
            made.append(budget.of_pair(pairs, known, judgement, int(rows[np.argmin(room[rows])])))
    whole = budget.of_bias(summary.spread or 0.0, count or 0.0, known)
    return (*made, *([whole] if whole else []))


def _plan(pairs: Pairs, known: Uncertainty, judgement: Judgement | None, summary: Summary,
          repeats: Repeatability | None, equivalence: Equivalence | None) -> plan.Plan:
    spread = summary.spread or 0.0
    wanted = None if equivalence is None else plan.equivalence_pairs(summary.bias, spread, equivalence.margin)
    scatter = repeats.difference if repeats else 0.0
    return plan.Plan(equivalence_pairs=wanted,
                     points=() if judgement is None else plan.of_points(pairs, known, judgement, scatter))


def _advice(pairs: Pairs, known: Uncertainty, judgement: Judgement | None, summary: Summary, count: float | None,
            equivalence: Equivalence | None) -> tuple[str, ...]:
    n = len(pairs)
    said = []
    if n < FEW_PAIRS:
        said.append(f"only {n} pairs: the intervals are wide and an outlier cannot be told from the rest; take "
                    f"{FEW_PAIRS} or more, spread over the range" + ("; no slope from two" if n < 3 else ""))
    if summary.spread == 0:
        said.append("all differences are equal, so their spread cannot be told (the display's step hides it): "
                    "the intervals have no width, and an equivalence test is undecided")
    elif float(np.ptp(pairs.reference)) == 0:
        said.append("the reference never changed: nothing is said of other readings, nor of a slope")
    if count is not None and count < n / 2:
        said.append(f"the readings are correlated: {n} pairs are worth about {count:.2g} independent ones, so the "
                    "intervals that count every pair are far too narrow; see 'effective', and take readings further "
                    "apart or at more points")
    if judgement is not None:
        said += _spec_advice(pairs, known, judgement)
    if pairs.stretched:
        said.append(f"{pairs.stretched} pairs lie in long gaps of the reference and rest on a straight line across")
    if pairs.left_out:
        said.append(f"{pairs.left_out} rows were not compared: outside the reference's times or without a reading")
    if _grows(pairs, summary):
        said.append("the scatter grows with the reading: limits in per cent, or range by range, say more than one pair "
                    "of limits for all")
    if equivalence is not None and equivalence.p is None:
        said.append("equivalence is undecided: it takes readings that scatter by more than nothing")
    return tuple(said)


def _spec_advice(pairs: Pairs, known: Uncertainty, judgement: Judgement) -> list[str]:
    said = []
    poor = np.flatnonzero(judgement.ratio < GOOD_RATIO)
    if len(poor):
        worst = int(poor[np.argmin(judgement.ratio[poor])])
        named = ", ".join(pairs.points[i] for i in poor[:5].tolist()) + (", ..." if len(poor) > 5 else "")
        said.append(f"limit over expanded uncertainty is under {GOOD_RATIO:g} at {len(poor)} of {len(pairs)} points "
                    f"({named}; least {judgement.ratio[worst]:.2g}): a better reference would decide more")
    if not judgement.spec.reference and not np.any(known.u_reference > 0):
        said.append("nothing is stated of the reference's uncertainty, so it is taken as perfect: give its u, or its "
                    "accuracy as [[reference]]")
    return said


def _grows(pairs: Pairs, summary: Summary) -> bool:
    """Whether the size of the scatter rises with the level (Bland and Altman 1999, section 3.2)."""
    n = len(pairs)
    level = np.abs(pairs.reference + pairs.meter) / 2
    if n < FEW_PAIRS or not summary.spread or np.ptp(level) == 0 or pairs.times_s is not None:
        return False
    size = np.abs(pairs.difference - summary.bias)
    if np.ptp(size) == 0:
        return False
    r = float(np.corrcoef(level, size)[0, 1])
    t = r * math.sqrt((n - 2) / max(1 - r * r, 1e-12))
    return t > float(t_quantile(n - 2, 0.975))


__all__ = ["FAIL", "PASS", "UNDECIDED", "Agreement", "Equivalence", "Group", "Repeatability", "Slope", "Summary",
           "compare", "equivalence_of", "summarise"]
