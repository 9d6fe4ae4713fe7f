"""The arithmetic of agreement: intervals, limits, Deming's line, equivalence, effective counts, outliers.

Every function works along the last axis, so that a simulation runs thousands of samples in one call.

Sources: J. M. Bland, D. G. Altman, Lancet 1986, i, 307-310 and Stat. Methods Med. Res. 8 (1999) 135-160 (limits of
agreement and their standard error); K. Linnet, Clin. Chem. 39 (1993) 424-432 (Deming's line, jackknife); D. J.
Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657-680 (two one-sided tests); C. J. Geyer, Stat. Sci. 7 (1992)
473-483 (initial monotone sequence); B. Rosner, Technometrics 25 (1983) 165-172 (extreme studentised deviates).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.agreement.distributions import limit_factor, t_quantile, t_share

Floats = NDArray[np.float64]
LEVEL = 0.95
LIMIT_Z = 1.96  # the contract's and Bland and Altman's (1999) factor, not 1.95996
_DIRECT_ROWS = 64  # up to here the jackknife sums are made afresh, which loses no digits to one far point


def mean_and_spread(values: Floats) -> tuple[Floats, Floats]:
    """Return mean and sample standard deviation (n - 1) along the last axis, exactly 0 for equal values."""
    mean = values.mean(axis=-1)
    centred = values - mean[..., None]
    scale = _scale(centred)  # squares of tiny numbers would vanish
    spread = scale * np.sqrt(((centred / scale[..., None]) ** 2).sum(axis=-1) / (values.shape[-1] - 1))
    return mean, np.where(values.max(axis=-1) == values.min(axis=-1), 0.0, spread)


def _scale(values: Floats) -> Floats:
    """Return the largest size along the last axis, 1 where all are 0."""
    largest = np.abs(values).max(axis=-1)
    return np.where(largest > 0, largest, 1.0)


def mean_interval(mean: Floats, spread: Floats, n: Floats | float, level: float = LEVEL) -> tuple[Floats, Floats]:
    """Return the t interval of a mean."""
    half = t_quantile(n - 1, 0.5 + level / 2) * spread / np.sqrt(n)
    return mean - half, mean + half


def limits_of_agreement(mean: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """Return the limits between which 95 % of differences are expected."""
    return mean - LIMIT_Z * spread, mean + LIMIT_Z * spread


def limit_half_width(spread: Floats, n: Floats | float) -> Floats:
    """Return half the 95 % interval of each limit of agreement."""
    error = spread * np.sqrt(1 / n + LIMIT_Z**2 / (2 * (n - 1)))
    return np.asarray(error * t_quantile(n - 1, 0.5 + LEVEL / 2), dtype=np.float64)


def upper_limit_interval(mean: Floats, spread: Floats, n: Floats | float) -> tuple[Floats, Floats]:
    """Return the exact 95 % interval of the upper limit; the lower one's is its mirror about the mean."""
    low, high = (limit_factor(n, LIMIT_Z, 0.5 + side * LEVEL / 2) for side in (-1, 1))
    return mean + low * spread, mean + high * spread


@dataclass(frozen=True, kw_only=True)
class Line:
    """Deming's line with equal errors: meter = intercept + slope x reference; NaN where undefined."""

    slope: Floats
    low: Floats
    high: Floats
    intercept: Floats


def deming(x: Floats, y: Floats) -> Line:
    """Fit a line with equal errors on both sides, and its slope's 95 % interval by the jackknife.

    Parameters
    ----------
    x, y : float64, shape (..., n), n at least 3, one unit
    """
    n = x.shape[-1]
    mean_x, mean_y = x.mean(axis=-1), y.mean(axis=-1)
    dx, dy = x - mean_x[..., None], y - mean_y[..., None]
    scale = np.maximum(_scale(dx), _scale(dy))[..., None]
    dx, dy = dx / scale, dy / scale
    slope = _deming_slope((dx**2).sum(axis=-1), (dy**2).sum(axis=-1), (dx * dy).sum(axis=-1))
    part = _deming_slope(*_left_out_sums(dx, dy))
    pseudo = n * slope[..., None] - (n - 1) * part
    with np.errstate(invalid="ignore"):
        error = np.sqrt(((pseudo - pseudo.mean(axis=-1)[..., None])**2).sum(axis=-1) / (n - 1) / n)
    half = t_quantile(n - 2, 0.5 + LEVEL / 2) * error
    return Line(slope=slope, low=slope - half, high=slope + half, intercept=mean_y - slope * mean_x)


def _deming_slope(sxx: Floats, syy: Floats, sxy: Floats) -> Floats:
    # Two forms of one root: each is used where it adds and does not cancel.
    gap = syy - sxx
    root = np.hypot(gap, 2 * sxy)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(gap > 0, (gap + root) / (2 * sxy), 2 * sxy / (root - gap))
    usable = (sxx > 0) & np.isfinite(slope)
    return np.where(usable, slope, np.nan)


def _left_out_sums(dx: Floats, dy: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the centred sums of squares and products with each row left out, shape (..., n)."""
    n = dx.shape[-1]
    if n <= _DIRECT_ROWS:
        weight = (1 - np.eye(n)) / (n - 1)
        keep = 1 - np.eye(n)
        ex = dx[..., None, :] - (dx @ weight)[..., :, None]
        ey = dy[..., None, :] - (dy @ weight)[..., :, None]
        return (ex**2 * keep).sum(-1), (ey**2 * keep).sum(-1), (ex * ey * keep).sum(-1)
    share = n / (n - 1)
    sums = ((dx**2).sum(-1), (dy**2).sum(-1), (dx * dy).sum(-1))
    return (np.maximum(sums[0][..., None] - share * dx**2, 0), np.maximum(sums[1][..., None] - share * dy**2, 0),
            sums[2][..., None] - share * dx * dy)


def two_one_sided(mean: Floats, error: Floats, df: Floats | float, margin: float) -> Floats:
    """Return the larger p of the two tests that a mean lies above -margin and below +margin.

    `error` is the mean's standard error, `df` its degrees of freedom. NaN where the error is 0: such a spread says
    nothing about the next reading.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        above = t_share(df, -(mean + margin) / error)
        below = t_share(df, (mean - margin) / error)
    return np.where(np.asarray(error) > 0, np.maximum(above, below), np.nan)


def autocorrelation(values: Floats) -> Floats:
    """Return the autocorrelation of a series at lags 0 to n - 1; shape (n,), not all values equal."""
    n = len(values)
    centred = values - values.mean()
    centred = centred / _scale(centred)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    product = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[:n]
    return np.asarray(product / product[0], dtype=np.float64)


def effective_counts(values: Floats) -> tuple[float, float]:
    """Return how many independent values a series is worth, for its mean and for its spread.

    The correlation is summed over pairs of lags while their sums stay positive and falling (Geyer), and is never taken
    as less than that of a series whose neighbours are as alike. Neither count exceeds n. Both are NaN where all values
    are equal or fewer than four.

    Parameters
    ----------
    values : float64, shape (n,), in the order of time
    """
    n = len(values)
    if n < 4 or values.max() == values.min():
        return float("nan"), float("nan")
    rho = autocorrelation(values)
    paired = rho[0 : n - n % 2 : 2] + rho[1 : n : 2]
    ended = np.flatnonzero(paired <= 0)
    keep = int(ended[0]) if len(ended) else len(paired)
    falling = np.minimum.accumulate(paired[:keep])
    tau = max(2 * float(falling.sum()) - 1, 1.0)
    # Subtracting the sample's own mean takes about tau/n from every lag: give it back, to first order.
    tau = min(tau * (1 + (2 * keep - 1) / n), float(n)) if keep > 1 else tau
    tau = max(tau, _first_order_tau(float(rho[1]), n))
    squares = 1 + 2 * float((rho[1 : max(2 * keep, 1)] ** 2).sum())
    return max(n / tau, 1.0), max(n / squares, 2.0)


def _first_order_tau(rho: float, n: int) -> float:
    """Return the correlation time of a series that keeps `rho` of its neighbour, 1 where that is not shown.

    In a short series the sum above stops too early and its terms are too small; M. G. Kendall, Biometrika 41 (1954)
    403-404, gives by how much.
    """
    if rho < 2 / np.sqrt(n):
        return 1.0
    true = min(rho + (1 + 4 * rho) / n, 1 - 1 / n)
    return min((1 + true) / (1 - true), float(n))


def full_spread(spread: Floats | float, n: int, count: Floats | float) -> Floats:
    """Return the spread that a correlated sample has lost to its own mean, given back.

    `n` values worth `count` independent ones, over 1, scatter about their mean by less than about the true one.
    """
    return np.asarray(spread * np.sqrt((n - 1) / (n - n / np.asarray(count))), dtype=np.float64)


def outliers(values: Floats, most: int = 10, risk: float = 0.05) -> list[int]:
    """Return the indices of outliers by Rosner's generalised test, most extreme first.

    At most `most` and a third of the values are tested; fewer than 10 values, or equal ones, have none to name.
    """
    n = len(values)
    if n < 10:
        return []
    left = np.arange(n)
    named: list[int] = []
    found = 0
    for step in range(min(most, n // 3)):
        mean, spread = mean_and_spread(values[left])
        if spread == 0:
            break
        far = int(np.argmax(np.abs(values[left] - mean)))
        size = float(np.abs(values[left[far]] - mean) / spread)
        named.append(int(left[far]))
        left = np.delete(left, far)
        rest = n - step
        t = float(t_quantile(rest - 2, 1 - risk / (2 * rest)))
        if size > (rest - 1) * t / np.sqrt((rest - 2 + t * t) * rest):
            found = step + 1
    return named[:found]
