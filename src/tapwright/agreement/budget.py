"""The uncertainty budget: parts with their source, combined as the GUM says.

Source: JCGM 100:2008 (GUM), 4.3.7 (rectangular limits), F.2.2.1 (display step), 5.1.2 (combination), G.4.1 (effective
degrees of freedom).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapwright.agreement.distributions import t_quantile
from tapwright.agreement.pair import Pairs
from tapwright.agreement.statistics import full_spread
from tapwright.agreement.verdict import Judgement, Uncertainty

INFINITE = math.inf


@dataclass(frozen=True, kw_only=True)
class Part:
    """One source of uncertainty.

    Parameters
    ----------
    what : the source in words
    kind : "A" (from repeated readings) or "B" (from what else is known)
    stated : the half-width, step or standard deviation it starts from, in the budget's unit
    divisor : what that is divided by to give a standard uncertainty
    df : degrees of freedom, infinite where the statement is taken as exact
    """

    what: str
    kind: str
    stated: float
    divisor: float
    df: float = INFINITE

    @property
    def u(self) -> float:
        """The standard uncertainty."""
        return self.stated / self.divisor


@dataclass(frozen=True, kw_only=True)
class Budget:
    """Parts, their combination `u`, its degrees of freedom, the coverage factor used and the expanded uncertainty."""

    about: str
    parts: tuple[Part, ...]
    u: float
    df: float
    factor: float

    @property
    def expanded(self) -> float:
        """The expanded uncertainty U."""
        return self.factor * self.u

    def share(self, part: Part) -> float:
        """Return a part's share of the variance, 0 to 1."""
        return (part.u / self.u) ** 2 if self.u else 0.0


def combine(about: str, parts: Sequence[Part], *, factor: float | None = None, level: float = 0.95) -> Budget:
    """Combine independent parts; without a `factor` it is Student's t for the effective degrees of freedom."""
    u = math.sqrt(math.fsum(part.u**2 for part in parts))
    weight = math.fsum((part.u / u) ** 4 / part.df for part in parts) if u else 0.0
    df = 1 / weight if weight > 0 else INFINITE
    if factor is None:
        # The GUM cuts the effective degrees of freedom to the next lower whole number (G.4.1, note 1).
        factor = float(t_quantile(max(math.floor(df), 1) if df < 1e9 else 1e9, 0.5 + level / 2))
    return Budget(about=about, parts=tuple(parts), u=u, df=df, factor=factor)


def of_pair(pairs: Pairs, known: Uncertainty, judgement: Judgement, i: int) -> Budget:
    """Return the budget of one pair's difference, as its verdict uses it."""
    root = math.sqrt(12)
    if math.isnan(known.reference_limit[i]):
        reference = Part(what="reference, its stated u", kind="B", stated=float(known.u_reference[i]), divisor=1)
    else:
        reference = Part(what="reference, its own limit", kind="B", stated=float(known.reference_limit[i]),
                         divisor=math.sqrt(3))
    parts = (reference,
             Part(what="meter, its stated u", kind="B", stated=float(known.u_meter[i]), divisor=1),
             Part(what="meter's display step", kind="B", stated=float(known.resolution[i]), divisor=root))
    return combine(f"point {pairs.points[i]}", parts, factor=judgement.spec.coverage_factor)


def of_bias(spread: float, pairs_effective: float, known: Uncertainty) -> Budget | None:
    """Return the budget of the bias, None where the spread cannot be told.

    The reference's and the meter's stated uncertainty are taken as the same in every pair: no number of pairs
    averages them away.
    """
    if not (pairs_effective >= 2 and spread > 0):
        return None
    scatter = float(full_spread(spread, len(known.u), pairs_effective))
    parts = (Part(what="scatter of the pairs, mean of them", kind="A", stated=scatter,
                  divisor=math.sqrt(pairs_effective), df=pairs_effective - 1),
             Part(what="reference, the same in every pair", kind="B", stated=float(np.mean(known.u_reference)),
                  divisor=1),
             Part(what="meter's stated u, the same in every pair", kind="B", stated=float(np.mean(known.u_meter)),
                  divisor=1))
    return combine("bias", parts)
