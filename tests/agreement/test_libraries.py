"""The arithmetic against general-purpose libraries: scipy, statsmodels, numpy's SVD."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.agreement import statistics
from tapwright.agreement.disturbance import disturbance, rank_sum_p
from tapwright.agreement.readings import Readings

numbers = st.floats(-1e3, 1e3).map(lambda v: round(v, 4))


def series(values: np.ndarray, unit: str = "V") -> Readings:
    """Return a time series, one reading a second."""
    n = len(values)
    return Readings(name="series.csv", labels=tuple(map(str, range(n))), times_s=np.arange(n, dtype=float),
                    values=np.asarray(values, dtype=float), units=(unit,) * n, u=np.full(n, np.nan),
                    lines=np.arange(2, n + 2), gap_before=np.zeros(n, dtype=bool))


@pytest.mark.slow
def test_two_one_sided_tests_are_those_of_statsmodels() -> None:
    """statsmodels.stats.weightstats.ttost_paired, the larger p; and DescrStatsW for the interval of the bias."""
    weightstats = pytest.importorskip("statsmodels.stats.weightstats", reason="statsmodels is not installed")
    rng = np.random.default_rng(7)
    for n in (2, 3, 9, 50):
        x, d = rng.normal(5, 2, n), rng.normal(0.05, 0.3, n)
        mean, spread = statistics.mean_and_spread(d)
        for margin in (0.05, 0.2, 1.0):
            p = statistics.two_one_sided(mean, spread / math.sqrt(n), n - 1, margin)
            assert float(p) == pytest.approx(weightstats.ttost_paired(x + d, x, -margin, margin)[0], rel=1e-9)
        low, high = statistics.mean_interval(mean, spread, n)
        assert (float(low), float(high)) == pytest.approx(weightstats.DescrStatsW(d).tconfint_mean(0.05))


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_deming_is_orthogonal_distance_regression() -> None:
    """scipy.odr with equal errors on both sides gives the same line."""
    odr = pytest.importorskip("scipy.odr", reason="this SciPy has no scipy.odr")
    rng = np.random.default_rng(3)
    for slope in (0.3, 1.0, 1.02, 4.0):
        x = rng.uniform(0, 10, 30)
        y = 0.2 + slope * x + rng.normal(0, 0.3, 30)
        fitted = odr.ODR(odr.RealData(x, y, sx=1.0, sy=1.0), odr.unilinear, beta0=[slope, 0.0]).run()
        line = statistics.deming(x, y)
        assert float(line.slope) == pytest.approx(fitted.beta[0], rel=1e-5)
        assert float(line.intercept) == pytest.approx(fitted.beta[1], rel=1e-3, abs=1e-4)


@pytest.mark.parametrize("n", [3, 5, 64, 65, 200])
def test_the_jackknife_is_that_of_a_plain_loop(n: int) -> None:
    """Leaving one out n times, each time with numpy's SVD, gives the same interval; both sides of the size switch."""
    from scipy.special import stdtrit

    rng = np.random.default_rng(n)
    x = rng.uniform(-3, 30, n)
    y = 1.1 * x + rng.normal(0, 0.5, n)

    def axis(a: np.ndarray, b: np.ndarray) -> float:
        _, _, v = np.linalg.svd(np.column_stack([a - a.mean(), b - b.mean()]), full_matrices=False)
        return float(v[0, 1] / v[0, 0])

    whole = axis(x, y)
    pseudo = [n * whole - (n - 1) * axis(np.delete(x, i), np.delete(y, i)) for i in range(n)]
    half = np.std(pseudo, ddof=1) / math.sqrt(n) * stdtrit(n - 2, 0.975)
    line = statistics.deming(x, y)
    assert float(line.slope) == pytest.approx(whole, rel=1e-9)
    assert (float(line.low), float(line.high)) == pytest.approx((whole - half, whole + half), rel=1e-7)


def test_one_far_point_does_not_spoil_the_jackknife() -> None:
    """Two points near zero and one far away: the line through the two is still found to nine digits."""
    x, y = np.array([0.001, 0.002, 1000.0]), np.array([0.001, 0.0025, 1000.0])
    part = statistics._deming_slope(*statistics._left_out_sums(x - x.mean(), y - y.mean()))
    assert float(part[2]) == pytest.approx(1.5, rel=1e-6)


def test_an_undefined_line_is_not_a_number() -> None:
    """A reference that never changes has no slope; equal readings have none either."""
    assert math.isnan(statistics.deming(np.array([5.0, 5.0, 5.0]), np.array([1.0, 2.0, 3.0])).slope)
    assert math.isnan(statistics.deming(np.array([5.0, 5.0, 5.0]), np.array([5.0, 5.0, 5.0])).slope)


@pytest.mark.slow
@settings(max_examples=30)
@given(st.lists(st.tuples(numbers, numbers), min_size=3, max_size=30))
def test_swapping_the_sides_inverts_the_slope(rows: list[tuple[float, float]]) -> None:
    """Deming's line knows no favoured side: the slope of x on y is one over that of y on x."""
    x, y = np.array(rows).T
    one, two = float(statistics.deming(x, y).slope), float(statistics.deming(y, x).slope)
    if math.isfinite(one) and math.isfinite(two) and 1e-3 < abs(one) < 1e3:
        assert one * two == pytest.approx(1, rel=1e-6)


@pytest.mark.slow
def test_welch_shift_and_noise_are_those_of_scipy() -> None:
    """scipy.stats: ttest_ind (unequal variances) with its interval, and the F interval of the noise ratio."""
    from scipy import stats

    rng = np.random.default_rng(5)
    on, off = rng.normal(5.02, 0.03, 40), rng.normal(5.0, 0.02, 55)
    found = disturbance(series(on), series(off))
    # The check reckons with the effective counts that the finding states; those are tested by simulation.
    sides = ((on, found.on.effective), (off, found.off.effective))
    spreads = [v.std(ddof=1) * math.sqrt((len(v) - 1) / (len(v) - len(v) / count)) for v, count in sides]
    welch = stats.ttest_ind_from_stats(on.mean(), spreads[0], found.on.effective, off.mean(), spreads[1],
                                       found.off.effective, equal_var=False)
    error = found.shift / welch.statistic
    parts = [spread**2 / count for spread, (_, count) in zip(spreads, sides, strict=True)]
    assert error == pytest.approx(math.sqrt(sum(parts)))
    df = sum(parts) ** 2 / (parts[0] ** 2 / (found.on.effective - 1) + parts[1] ** 2 / (found.off.effective - 1))
    assert found.shift_ci == pytest.approx(stats.t.interval(0.95, df, loc=found.shift, scale=error))
    assert found.noise_ratio == pytest.approx(on.std(ddof=1) / off.std(ddof=1))
    counts = [statistics.effective_counts(v)[1] - 1 for v in (on, off)]
    low = found.noise_ratio / math.sqrt(stats.f.ppf(0.975, *counts))  # type: ignore[operator]
    high = found.noise_ratio / math.sqrt(stats.f.ppf(0.025, *counts))  # type: ignore[operator]
    assert found.noise_ratio_ci == pytest.approx((low, high))


@pytest.mark.slow
def test_rank_sums_are_those_of_scipy() -> None:
    """scipy.stats.mannwhitneyu, asymptotic, one-sided, with ties."""
    from scipy import stats

    rng = np.random.default_rng(2)
    for n, m, places in ((8, 40, 3), (20, 300, 1), (6, 6, 0)):
        a, b = np.round(rng.exponential(1.3, n), places), np.round(rng.exponential(1.0, m), places)
        want = stats.mannwhitneyu(a, b, alternative="greater", method="asymptotic").pvalue
        assert rank_sum_p(a, b) == pytest.approx(want, rel=1e-9)


@settings(max_examples=30)
@given(st.integers(4, 200), st.integers(0, 10_000))
def test_autocorrelation_is_that_of_the_definition(n: int, seed: int) -> None:
    """The transform gives the same as the sums of products (numpy.correlate)."""
    values = np.random.default_rng(seed).normal(size=n)
    centred = values - values.mean()
    want = np.correlate(centred, centred, "full")[n - 1:]
    assert statistics.autocorrelation(values) == pytest.approx(want / want[0], abs=1e-9)
