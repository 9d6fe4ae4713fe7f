"""Each pair held against the specification: allowed error, uncertainty, and pass, fail or undecided.

The guarded rule takes the expanded uncertainty off the limit before it says pass, and adds it before it says fail
(JCGM 106:2012, guarded acceptance and rejection with a guard band w = U); between the two it says undecided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.agreement.distributions import normal_share
from tapwright.agreement.pair import Pairs
from tapwright.agreement.spec import Range, Spec, in_unit, ranges_of
from tapwright.core import units
from tapwright.core.errors import AgreementError

Floats = NDArray[np.float64]
PASS, UNDECIDED, FAIL = "pass", "undecided", "fail"
GOOD_RATIO = 4.0  # limit over expanded uncertainty below which a guard band eats much of the limit; common practice


@dataclass(frozen=True, kw_only=True)
class Uncertainty:
    """Where each pair's uncertainty comes from, all float64, shape (n_pairs,), in the pairs' unit.

    `reference_limit` is NaN where the reference's own `u` was given or nothing is known of it; `u` is the combined
    standard uncertainty, `expanded` the coverage factor times it.
    """

    reference_limit: Floats
    u_reference: Floats
    u_meter: Floats
    resolution: Floats
    u: Floats
    expanded: Floats


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """The verdict pair by pair; arrays of shape (n_pairs,).

    Parameters
    ----------
    limit : float64, the allowed error
    verdicts : "pass", "undecided" or "fail"
    ranges : index into the specification's ranges
    ratio : float64, limit over expanded uncertainty, infinite where the uncertainty is 0
    conformance : float64, probability that the true error lies inside the limit
    """

    spec: Spec
    limit: Floats
    verdicts: tuple[str, ...]
    ranges: NDArray[np.int64]
    ratio: Floats
    conformance: Floats

    @property
    def risk(self) -> float:
        """The most often that a true error at its limit is passed: 1 - Phi(k) guarded, one half simple (JCGM 106)."""
        return float(normal_share(-self.spec.coverage_factor)) if self.spec.decision == "guarded" else 0.5

    @property
    def verdict(self) -> str:
        """The verdict on all pairs together."""
        for worst in (FAIL, UNDECIDED):
            if worst in self.verdicts:
                return worst
        return PASS


def with_unit(pairs: Pairs, spec: Spec) -> str:
    """Return the pairs' unit, or the specification's where the readings name none.

    Raises
    ------
    AgreementError : readings without unit, and ranges of several
    """
    if pairs.unit:
        return pairs.unit
    unit = spec.unit_for_bare()
    if not unit and any(r.unit for r in spec.ranges):
        raise AgreementError("the readings name no unit and the ranges have several", path=spec.name,
                             expected="a column 'unit' in the readings")
    return unit


def uncertainty(pairs: Pairs, spec: Spec | None) -> Uncertainty:
    """Return the uncertainty of every pair; without a specification only what the files state.

    Raises
    ------
    AgreementError : a reading lies in no range
    """
    n = len(pairs)
    resolution, limit = np.zeros(n), np.full(n, np.nan)
    factor = 2.0
    if spec is not None:
        factor = spec.coverage_factor
        chosen = _chosen(pairs, spec.ranges, spec, "range")
        resolution = _by_range(spec.ranges, chosen, pairs.unit)
        if spec.reference:
            own = _chosen(pairs, spec.reference, spec, "reference")
            limit = np.where(np.isnan(pairs.u_reference), limits(spec.reference, own, pairs.reference, pairs.unit),
                             np.nan)
    u_reference = np.where(np.isnan(pairs.u_reference), np.nan_to_num(limit) / np.sqrt(3), pairs.u_reference)
    u_meter = np.nan_to_num(pairs.u_meter)
    u = np.sqrt(u_reference**2 + u_meter**2 + resolution**2 / 12)
    return Uncertainty(reference_limit=limit, u_reference=u_reference, u_meter=u_meter, resolution=resolution, u=u,
                       expanded=factor * u)


def judge(pairs: Pairs, spec: Spec, known: Uncertainty) -> Judgement:
    """Hold every pair against its limit.

    Raises
    ------
    AgreementError : a reading lies in no range
    """
    chosen = _chosen(pairs, spec.ranges, spec, "range")
    limit = limits(spec.ranges, chosen, pairs.meter, pairs.unit)
    size = np.abs(pairs.difference)
    # What the last binary places of the readings leave open never turns a difference at its limit into a failure.
    slack = 8 * np.spacing(np.maximum(np.maximum(np.abs(pairs.reference), np.abs(pairs.meter)), limit))
    guard = known.expanded if spec.decision == "guarded" else np.zeros(len(pairs))
    passed = size <= limit - guard + slack
    failed = size > limit + guard + slack
    verdicts = np.where(passed, PASS, np.where(failed, FAIL, UNDECIDED))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(known.expanded > 0, limit / known.expanded, np.inf)
    return Judgement(spec=spec, limit=limit, verdicts=tuple(verdicts.tolist()), ranges=chosen, ratio=ratio,
                     conformance=conformance(pairs.difference, limit, known.u, slack))


def conformance(error: Floats, limit: Floats, u: Floats, slack: Floats | float = 0.0) -> Floats:
    """Return the probability that a true error lies within ± limit, given the measured one and its uncertainty.

    Source: JCGM 106:2012, 7.2 to 7.4 (normal distribution, nothing known beforehand).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = normal_share((limit - error) / u) - normal_share((-limit - error) / u)
    return np.where(u > 0, share, (np.abs(error) <= limit + slack).astype(np.float64))


def limits(ranges: Sequence[Range], chosen: NDArray[np.int64], reading: Floats, unit: str) -> Floats:
    """Return the allowed error of readings, each in its range."""
    result = np.zeros(len(reading))
    for i in set(chosen.tolist()):
        rows = chosen == i
        result[rows] = ranges[i].limit(reading[rows], _power(ranges[i], unit))
    return result


def _by_range(ranges: Sequence[Range], chosen: NDArray[np.int64], unit: str) -> Floats:
    steps = np.array([in_unit(r.resolution, _power(r, unit)) for r in ranges])
    return steps[chosen]


def _power(one: Range, unit: str) -> int:
    return units.scale_power(one.unit, unit) or 0


def _chosen(pairs: Pairs, ranges: Sequence[Range], spec: Spec, table: str) -> NDArray[np.int64]:
    chosen = ranges_of(ranges, np.abs(pairs.reference), pairs.unit)
    lost = np.flatnonzero(chosen < 0)
    if len(lost):
        i = int(lost[0])
        raise AgreementError(
            f"no [[{table}]] holds point '{pairs.points[i]}' at {abs(pairs.reference[i]):g} {pairs.unit}".rstrip(),
            path=spec.name, expected=f"a [[{table}]] with from <= |reference value| <= to in a unit of that kind",
            do="there are: " + "; ".join(r.name for r in ranges[:6]),
        )
    return chosen
