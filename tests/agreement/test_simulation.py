"""Coverage by simulation: what is said to hold in 95 of 100 cases does, and no verdict accepts more than it states.

2,000 runs a claim; the standard error of a share of 0.95 is then 0.5 %, so 93 to 97 % is four of them either way.
"""

from __future__ import annotations

import numpy as np
import pytest

from tapwright.agreement import plan, statistics
from tapwright.agreement.pair import Pairs
from tapwright.agreement.spec import Range, Spec
from tapwright.agreement.verdict import judge, uncertainty

RUNS = 2000
pytestmark = pytest.mark.slow


def share(hits: np.ndarray) -> float:
    """Return the share of runs in which a claim held."""
    assert len(hits) == RUNS
    return float(np.mean(hits))


def assert_covers(hits: np.ndarray) -> None:
    """95 % intervals must hold in 93 to 97 % of the runs."""
    assert 0.93 <= share(hits) <= 0.97, share(hits)


@pytest.mark.parametrize("n", [3, 5, 17, 60])
def test_intervals_of_bias_and_limits(n: int) -> None:
    """Normal differences, bias 0.3, spread 2."""
    d = np.random.default_rng(n).normal(0.3, 2.0, (RUNS, n))
    mean, spread = statistics.mean_and_spread(d)
    low, high = statistics.mean_interval(mean, spread, n)
    assert_covers((low <= 0.3) & (high >= 0.3))
    half = statistics.limit_half_width(spread, n)
    for end, truth in zip(statistics.limits_of_agreement(mean, spread), (0.3 - 1.96 * 2, 0.3 + 1.96 * 2), strict=True):
        # The contract's formula rests on a normal approximation: a few pairs cost it some of its width.
        if n >= 17:
            assert_covers((end - half <= truth) & (end + half >= truth))
    low, high = statistics.upper_limit_interval(mean, spread, n)
    assert_covers((low <= 0.3 + 1.96 * 2) & (high >= 0.3 + 1.96 * 2))
    assert_covers((2 * mean - high <= 0.3 - 1.96 * 2) & (2 * mean - low >= 0.3 - 1.96 * 2))


@pytest.mark.parametrize(("n", "slope"), [(20, 1.0), (40, 1.05)])
def test_interval_of_the_slope(n: int, slope: float) -> None:
    """Equal errors on both sides of a line; jackknife interval of Deming's slope."""
    rng = np.random.default_rng(n)
    truth = rng.uniform(0, 10, (RUNS, n))
    line = statistics.deming(truth + rng.normal(0, 0.4, truth.shape), slope * truth + rng.normal(0, 0.4, truth.shape))
    assert_covers((line.low <= slope) & (line.high >= slope))


@pytest.mark.parametrize(("n", "kept"), [(60, 0.5), (100, 0.8), (300, 0.9)])
def test_interval_of_the_bias_of_correlated_readings(n: int, kept: float) -> None:
    """Each reading keeps a share of its neighbour: all pairs cover far too seldom, effective ones as they should."""
    rng = np.random.default_rng(n)
    d = np.zeros((RUNS, n + 100))
    steps = rng.normal(size=d.shape)
    for i in range(1, n + 100):
        d[:, i] = kept * d[:, i - 1] + steps[:, i]
    d = d[:, 100:]
    mean, spread = statistics.mean_and_spread(d)
    counts = np.array([statistics.effective_counts(row)[0] for row in d])
    told = counts >= 2  # under two independent readings no interval is given
    scatter = statistics.full_spread(spread[told], n, counts[told])
    low, high = statistics.mean_interval(mean[told], scatter, counts[told])
    assert told.mean() > 0.9
    assert 0.93 <= np.mean((low <= 0) & (high >= 0)) <= 0.97
    low, high = statistics.mean_interval(mean, spread, n)
    assert share((low <= 0) & (high >= 0)) < 0.8
    assert float(np.median(counts)) == pytest.approx(n * (1 - kept) / (1 + kept), rel=0.25)  # theory of such a series


@pytest.mark.parametrize("n", [20, 200])
def test_independent_readings_are_seldom_called_correlated(n: int) -> None:
    """White noise: under one in ten is said to be worth less than half."""
    rows = np.random.default_rng(n).normal(size=(RUNS, n))
    counts = np.array([statistics.effective_counts(row)[0] for row in rows])
    assert share(counts < n / 2) < 0.1
    assert float(np.median(counts)) > 0.8 * n


def test_equivalence_is_claimed_wrongly_in_at_most_one_of_twenty() -> None:
    """The bias stands at the margin: two one-sided tests at 5 % accept 5 % (and 1 % of statistical room)."""
    d = np.random.default_rng(1).normal(0.5, 0.4, (RUNS, 12))
    mean, spread = statistics.mean_and_spread(d)
    p = statistics.two_one_sided(mean, spread / np.sqrt(12), 11, 0.5)
    assert share(p < 0.05) <= 0.06


def test_power_is_what_the_plan_says() -> None:
    """The planned number of pairs shows equivalence in nine of ten trials; one fewer than half of it does not."""
    bias, spread, margin = 0.1, 0.5, 0.4
    n = plan.equivalence_pairs(bias, spread, margin)
    assert n is not None
    rng = np.random.default_rng(4)
    for count, low, high in ((n, 0.88, 0.95), (n // 2, 0.0, 0.85)):
        mean, s = statistics.mean_and_spread(rng.normal(bias, spread, (RUNS, count)))
        p = statistics.two_one_sided(mean, s / np.sqrt(count), count - 1, margin)
        assert low <= share(p < 0.05) <= high


@pytest.mark.parametrize("factor", [2.0, 3.0])
def test_guarded_verdict_keeps_its_risk(factor: float) -> None:
    """True error at the limit: passed in at most 2.3 % (k = 2; JCGM 106: 1 - Phi(k)), and never failed more often."""
    spec = Spec(coverage_factor=factor, decision="guarded", reference=(),
                ranges=(Range(low=0, high=10, unit="V", percent=0.5, counts=2, resolution=0.001),))
    rng = np.random.default_rng(9)
    u, reference = 0.003, np.full(RUNS, 5.0)
    truth = reference + (0.005 * 5.0 + 0.002) / (1 - 0.005)  # where |difference| = limit, the limit growing with it
    meter = np.round(truth, 3) + 0.0
    seen = reference + rng.normal(0, u, RUNS)
    none = np.full(RUNS, np.nan)
    pairs = Pairs(unit="V", points=tuple(map(str, range(RUNS))), reference=seen, meter=meter, difference=meter - seen,
                  u_reference=np.full(RUNS, u), u_meter=none, shown=("V",) * RUNS, times_s=None)
    judged = judge(pairs, spec, uncertainty(pairs, spec))
    verdicts = np.array(judged.verdicts)
    stated = judged.risk
    assert stated == pytest.approx(0.0228 if factor == 2 else 0.00135, rel=0.005)
    assert share(verdicts == "pass") <= stated + 0.007
    assert share(verdicts == "fail") <= stated + 0.007
    assert share(verdicts == "undecided") > 0.9
