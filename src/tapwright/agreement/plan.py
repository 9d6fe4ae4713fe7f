"""How many readings, and at which points, would make the verdict decisive, given the spread seen so far."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tapwright.agreement.distributions import equivalence_power, normal_share
from tapwright.agreement.pair import Pairs
from tapwright.agreement.verdict import FAIL, UNDECIDED, Judgement, Uncertainty

POWER = 0.9
MOST_READINGS = 100_000
MOST_POINTS = 20


@dataclass(frozen=True, kw_only=True)
class PointPlan:
    """What one point needs.

    Parameters
    ----------
    readings : how many readings, averaged, stay decisive in nine of ten trials; None where no number does
    reference_u : the reference's standard uncertainty at or under which the point can be decided; None where the
        present one does, or where even a perfect reference would not
    why : in words
    """

    point: str
    verdict: str
    readings: int | None
    reference_u: float | None
    why: str


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Pairs needed to show equivalence (None: no number does, or no margin given) and what single points need."""

    equivalence_pairs: int | None
    points: tuple[PointPlan, ...]


def equivalence_pairs(bias: float, spread: float, margin: float, power: float = POWER) -> int | None:
    """Return the least number of independent pairs that shows equivalence with the given chance, None if none does."""
    if not spread > 0 or abs(bias) >= margin:
        return None

    def enough(n: int) -> bool:
        return equivalence_power(n, bias, spread, margin) >= power

    return _least(enough, 2)


def of_points(pairs: Pairs, known: Uncertainty, judgement: Judgement, spread: float) -> tuple[PointPlan, ...]:
    """Return what the points nearest to a change of verdict need, worst first, without those that need nothing."""
    guard = known.expanded if judgement.spec.decision == "guarded" else np.zeros(len(pairs))
    size = np.abs(pairs.difference)
    room = np.where(size > judgement.limit, size - judgement.limit, judgement.limit - size) - guard
    plans = []
    for i in np.argsort(room, kind="stable")[:MOST_POINTS].tolist():
        verdict = judgement.verdicts[i]
        if verdict == UNDECIDED:
            plans.append(_undecided(pairs, known, judgement, i))
        elif spread > 0:
            edge = float(judgement.limit[i] + (guard[i] if verdict == FAIL else -guard[i]))
            readings = _readings(float(size[i]), edge, spread, outside=verdict == FAIL)
            if readings != 1:
                plans.append(PointPlan(
                    point=pairs.points[i], verdict=verdict, readings=readings, reference_u=None,
                    why=f"one reading scatters by {spread:.2g} {pairs.unit}, and its error lies close to where the "
                        "verdict changes"))
    return tuple(plans)


def _undecided(pairs: Pairs, known: Uncertainty, judgement: Judgement, i: int) -> PointPlan:
    gap = abs(float(judgement.limit[i]) - abs(float(pairs.difference[i])))
    factor = judgement.spec.coverage_factor
    other = float(known.u_meter[i]) ** 2 + float(known.resolution[i]) ** 2 / 12
    spare = (gap / factor) ** 2 - other if factor > 0 else 0.0
    if spare > 0:
        return PointPlan(point=pairs.points[i], verdict=UNDECIDED, readings=None, reference_u=math.sqrt(spare),
                         why="more readings do not help: the reference's own uncertainty is too large here")
    return PointPlan(point=pairs.points[i], verdict=UNDECIDED, readings=None, reference_u=None,
                     why="the error lies so close to the limit that the meter's own display step hides the answer; "
                         "check a point nearby, or read a finer range")


def _readings(size: float, edge: float, spread: float, *, outside: bool) -> int | None:
    def enough(m: int) -> bool:
        error = spread / math.sqrt(m)
        inside = float(normal_share((edge - size) / error) - normal_share((-edge - size) / error))
        return (1 - inside if outside else inside) >= POWER

    return _least(enough, 1)


def _least(enough: Callable[[int], bool], first: int) -> int | None:
    high = first
    while not enough(high):
        if high > MOST_READINGS:
            return None
        high *= 2
    low = max(high // 2, first - 1)  # not enough, or below the first
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
