"""Our own Student's t, F, normal and power against scipy.stats and a simulation."""

from __future__ import annotations

import numpy as np
import pytest

from tapwright.agreement import distributions

DFS = (0.5, 1, 1.5, 2, 2.7, 3, 5, 10, 16, 29.3, 79, 80, 81, 100, 1000, 12345.6, 1e5, 1e6, 1e9)


@pytest.mark.slow
def test_student_t_is_that_of_scipy() -> None:
    """Quantiles and shares to ten digits, whole and broken degrees of freedom, far into the tails."""
    from scipy import stats

    for df in DFS:
        for p in (0.5, 0.6, 0.75, 0.9, 0.95, 0.975, 0.99, 0.995, 0.9995):
            assert float(distributions.t_quantile(df, p)) == pytest.approx(stats.t.ppf(p, df), rel=1e-10, abs=1e-12)
        for t in (-50, -6, -2, -1, -0.3, -1e-5, 0, 1e-5, 0.2, 0.7, 1, 2, 3, 10, 1e3):
            assert float(distributions.t_share(df, t)) == pytest.approx(stats.t.cdf(t, df), rel=2e-9)


@pytest.mark.slow
def test_the_normal_is_that_of_scipy() -> None:
    """Both tails, one number or an array."""
    from scipy import stats

    z = np.array([-30.0, -8.0, -1.96, 0.0, 1e-9, 1.4, 9.0])
    assert distributions.normal_share(z) == pytest.approx(stats.norm.cdf(z), rel=1e-12)


@pytest.mark.slow
def test_f_is_that_of_scipy() -> None:
    """Quantiles to nine digits, even and uneven degrees of freedom."""
    from scipy import stats

    for over in (1, 2, 7.3, 40, 1000):
        for under in (1, 3, 12.5, 60, 5000):
            for p in (0.025, 0.5, 0.975):
                want = stats.f.ppf(p, over, under)
                assert distributions.f_quantile(over, under, p) == pytest.approx(want, rel=1e-9)


@pytest.mark.slow
def test_factors_of_limits_are_those_of_the_noncentral_t_of_scipy() -> None:
    """From two values on, whole and broken counts, both ends of a 95 % interval."""
    from scipy import stats

    for n in (2, 2.5, 3, 5, 10, 17.3, 60, 1000):
        for p in (0.025, 0.975):
            want = stats.nct.ppf(p, n - 1, 1.96 * np.sqrt(n)) / np.sqrt(n)
            assert float(distributions.limit_factor(n, 1.96, p)) == pytest.approx(want, rel=1e-6)


def test_printed_t_table() -> None:
    """The usual printed table of two-sided 95 % factors: 12.706, 4.303, 3.182, 2.776, 2.571, 2.228 (10), 2.086 (20)."""
    for df, printed in ((1, 12.706), (2, 4.303), (3, 3.182), (4, 2.776), (5, 2.571), (10, 2.228), (20, 2.086)):
        assert round(float(distributions.t_quantile(df, 0.975)), 3) == printed
    assert distributions.t_quantile(np.array([1.0, 10.0]), 0.975).round(3).tolist() == [12.706, 2.228]


def test_what_is_no_number_stays_none() -> None:
    """NaN in, NaN out; infinite t are certain."""
    assert np.isnan(distributions.t_quantile(float("nan"), 0.975))
    assert np.isnan(distributions.t_share(5.0, float("nan")))
    assert distributions.t_share(5.0, np.array([-np.inf, np.inf])).tolist() == [0.0, 1.0]


@pytest.mark.slow
@pytest.mark.parametrize(("n", "bias", "spread", "margin"), [(3, 0.0, 0.5, 1.0), (12, 0.1, 0.5, 0.4), (5, 0.2, 1, 1.0)])
def test_power_is_the_share_of_simulated_trials(n: int, bias: float, spread: float, margin: float) -> None:
    """40,000 trials with numpy's normals and scipy's t quantile; three standard errors of the share."""
    from scipy import stats

    d = np.random.default_rng(n).normal(bias, spread, (40_000, n))
    half = stats.t.ppf(0.95, n - 1) * d.std(axis=1, ddof=1) / np.sqrt(n)
    share = float(np.mean((d.mean(axis=1) - half > -margin) & (d.mean(axis=1) + half < margin)))
    power = distributions.equivalence_power(n, bias, spread, margin)
    assert power == pytest.approx(share, abs=3 * np.sqrt(share * (1 - share) / 40_000))
