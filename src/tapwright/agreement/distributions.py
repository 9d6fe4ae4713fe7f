"""The normal distribution, Student's t, F and the power of two one-sided tests, with numpy and `math` alone.

A command that reads two small tables should not wait for a library of a thousand distributions; tests hold these
against scipy.stats.

Sources: M. Abramowitz, I. Stegun, Handbook of Mathematical Functions, 26.5.2, 26.6.2, 26.7.1 and 26.7.8 (F and t by the
incomplete beta function, t near the normal), 6.1.47 (ratio of gamma functions); W. Lentz, Appl. Opt. 15 (1976) 668-671
(continued fractions); D. B. Owen, Biometrika 52 (1965) 437-446 (power by integration over the sample's spread); A.
Carkeet, Optom. Vis. Sci. 92 (2015) e71-e80 (exact interval of a limit of agreement by the noncentral t).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_TINY = 1e-300
_ROUNDS = 2000
_NEARLY_NORMAL = 1e5  # degrees of freedom from which the normal with its first correction (26.7.8) is as exact
_WIDE_SD = 9.0  # the spread's distribution is integrated this many of its standard deviations either way
_NODES = 401


def normal_share(z: Floats | float) -> Floats:
    """Return the probability that a standard normal is at most `z`."""
    return _each(_normal, z)


def t_share(df: Floats | float, t: Floats | float) -> Floats:
    """Return the probability that Student's t is at most `t`; `df` over 0, need not be whole."""
    return _each(_t_share, df, t)


def t_quantile(df: Floats | float, p: float) -> Floats:
    """Return the value that Student's t stays under with probability `p`, 0.5 or more and under 1."""
    return _each(lambda one: _t_quantile(one, p), df)


def f_quantile(df_over: float, df_under: float, p: float) -> float:
    """Return the value that a ratio of two variances stays under with probability `p`; degrees of freedom 1 or more."""
    low, high, below, above, x, side = 0.0, 1.0, -p, 1 - p, 0.5, 0
    for _ in range(200):  # false position; an end that stays twice counts half (Illinois): ten steps or so
        error = _beta_share(df_over / 2, df_under / 2, x, 1 - x) - p
        if abs(error) < 1e-14 or high - low < 1e-15:
            break
        if error < 0:
            low, below, above, side = x, error, above / 2 if side < 0 else above, -1
        else:
            high, above, below, side = x, error, below / 2 if side > 0 else below, 1
        x = (low * above - high * below) / (above - below)
    return x * df_under / ((1 - x) * df_over)


def equivalence_power(n: int, bias: float, spread: float, margin: float, risk: float = 0.05) -> float:
    """Return the chance that `n` independent pairs show equivalence, if bias and spread (over 0) are as given."""
    df = n - 1
    t = _t_quantile(float(df), 1 - risk)
    reach = margin / (spread / math.sqrt(n))
    offset = bias / (spread / math.sqrt(n))
    # Past reach / t no mean can pass both tests.
    w, mass = _sample_spreads(df, reach / t)
    inside = normal_share(reach - offset - t * w) - normal_share(-reach - offset + t * w)
    return float((mass * inside).sum())


def limit_factor(n: Floats | float, z: float, p: float) -> Floats:
    """Return k for which mean + k x spread of `n` normal values passes the true limit with probability `p`.

    The limit is the true mean + z x spread; `n`, 2 or more, need not be whole. It is the quantile of the noncentral t
    with n - 1 degrees of freedom and noncentrality z sqrt(n), over sqrt(n).
    """
    return _each(lambda one: _limit_factor(one, z, p), n)


@lru_cache(maxsize=256)
def _limit_factor(n: float, z: float, p: float) -> float:
    if math.isnan(n):
        return math.nan
    root, df = math.sqrt(n), n - 1
    w, mass = _sample_spreads(df, math.inf)
    low, high = z - 1.0, z + 1.0
    while _exceeding(low, z, root, w, mass) > p:
        low -= 2 * (high - low)
    while _exceeding(high, z, root, w, mass) < p:
        high += 2 * (high - low)
    while high - low > 1e-9 * max(1.0, abs(high)):
        middle = (low + high) / 2
        low, high = (middle, high) if _exceeding(middle, z, root, w, mass) < p else (low, middle)
    return (low + high) / 2


def _exceeding(k: float, z: float, root: float, w: Floats, mass: Floats) -> float:
    """Return the probability that mean + k x spread exceeds the true limit."""
    return float((mass * normal_share(root * (k * w - z))).sum())


def _sample_spreads(df: float, most: float) -> tuple[Floats, Floats]:
    """Return spreads of samples over the true one (df w² is chi-squared) up to `most`, and each one's probability."""
    sd = 1 / math.sqrt(2 * df)
    low, high = max(1 - _WIDE_SD * sd, 1e-9), min(1 + _WIDE_SD * sd, most)
    if high <= low:
        return np.zeros(1), np.zeros(1)
    nodes = _NODES if df >= 5 else 8 * (_NODES - 1) + 1  # few values: the density is wide, what it weighs is steep
    w = np.linspace(low, high, nodes)
    weights = np.where(np.arange(nodes) % 2, 4.0, 2.0)  # Simpson's rule
    weights[[0, -1]] = 1.0
    log_density = (math.log(2) + df / 2 * math.log(df / 2) - math.lgamma(df / 2) + (df - 1) * np.log(w)
                   - df * w**2 / 2)
    return w, weights * np.exp(log_density) * (high - low) / (nodes - 1) / 3


def _each(function: Callable[..., float], *values: Floats | float) -> Floats:
    """Return a function of numbers for every element of arrays that broadcast together."""
    every = np.broadcast_arrays(*values)
    results = [function(*map(float, row)) for row in zip(*(one.ravel() for one in every), strict=True)]
    return np.array(results, dtype=np.float64).reshape(every[0].shape)


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _t_share(df: float, t: float) -> float:
    if math.isnan(df) or math.isnan(t):
        return math.nan
    return 1 - _t_tail(df, t) if t > 0 else _t_tail(df, -t)


def _t_tail(df: float, t: float) -> float:
    """Return the probability that t exceeds `t`, 0 or more."""
    if math.isinf(t):
        return 0.0
    if df > _NEARLY_NORMAL:
        return _normal(-t * (1 - 1 / (4 * df)) / math.sqrt(1 + t * t / (2 * df)))
    square = t * t
    return 0.5 * _beta_share(df / 2, 0.5, df / (df + square), square / (df + square))


@lru_cache(maxsize=4096)
def _t_quantile(df: float, p: float) -> float:
    if math.isnan(df):
        return math.nan
    log_scale = _log_gamma_ratio(df / 2) - 0.5 * math.log(df * math.pi)
    wanted, t = 1 - p, 0.0
    # The tail is convex and falls, so Newton's steps from 0 rise to the root and never pass it.
    for _ in range(_ROUNDS):
        density = math.exp(log_scale - (df + 1) / 2 * math.log1p(t * t / df))
        step = (_t_tail(df, t) - wanted) / density
        t += step
        if abs(step) <= 1e-14 * t:
            break
    return t


def _log_gamma_ratio(a: float) -> float:
    """Return the logarithm of gamma(a + 1/2) / gamma(a), without the cancellation of large logarithms."""
    if a < 40:
        return math.lgamma(a + 0.5) - math.lgamma(a)
    return 0.5 * math.log(a) - 1 / (8 * a) + 1 / (192 * a**3) - 1 / (640 * a**5)


def _beta_share(a: float, b: float, x: float, rest: float) -> float:
    """Return the regularised incomplete beta function at `x`; `rest` is 1 - x, given apart to keep its digits."""
    if x <= 0:
        return 0.0
    if rest <= 0:
        return 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta_share(b, a, rest, x)
    if 0.5 in (a, b):
        log_front = _log_gamma_ratio(b if a == 0.5 else a) - 0.5 * math.log(math.pi)
    else:
        log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    front = math.exp(log_front + a * math.log(x) + b * math.log(rest))
    return front * _fraction(a, b, x) / a


def _fraction(a: float, b: float, x: float) -> float:
    c, d = 1.0, 1 - (a + b) * x / (a + 1)
    d = 1 / (d if abs(d) > _TINY else _TINY)
    total = d
    for m in range(1, _ROUNDS):
        for factor in (m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
                       -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))):
            d = 1 + factor * d
            c = 1 + factor / c
            d = 1 / (d if abs(d) > _TINY else _TINY)
            c = c if abs(c) > _TINY else _TINY
            total *= c * d
        if abs(c * d - 1) < 1e-16:
            break
    return total
