"""Loads -> what the converter must give: the burst, the steady part, the mean, and every combination of pulses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapwright.supply.plan import Load
from tapwright.supply.quantity import Array, Quantity, is_plain, stack

#: Beyond this many pulsed loads the weakest are counted by their mean in the combinations (never in the burst).
MOST_PULSES = 12
# More combinations than this are gathered into groups of like current (plain numbers only); what is averaged over them
# bends so little within a group that the mean moves by some millionths.
_MOST_COMBINATIONS, _GROUPS = 64, 32


@dataclass(frozen=True, kw_only=True)
class Currents:
    """Output currents of the converter, in A.

    Parameters
    ----------
    burst_a, steady_a, mean_a : all loads at once; the steady ones; averaged over time
    combination_a, weight : every combination of pulses and its share of time, shape (n_combinations, ...)
    """

    burst_a: Quantity
    steady_a: Quantity
    mean_a: Quantity
    combination_a: Array
    weight: Array


def currents(loads: tuple[Load, ...], besides_a: Quantity, most_pulses: int = MOST_PULSES) -> Currents:
    """Return the currents of a set of loads.

    Parameters
    ----------
    besides_a : what flows besides, always (the regulator's own current)
    """
    pulsed = [load for load in loads if load.pulsed]
    steady: Quantity = besides_a + sum((load.amps for load in loads if not load.pulsed), start=0.0)
    mean: Quantity = steady + sum((load.amps * load.duty for load in pulsed), start=0.0)
    burst: Quantity = steady + sum((load.amps for load in pulsed), start=0.0)
    pulsed.sort(key=lambda load: float(np.max(load.amps * np.sqrt(load.duty * (1.0 - load.duty)))), reverse=True)
    base: Quantity = steady + sum((load.amps * load.duty for load in pulsed[most_pulses:]), start=0.0)
    amps: list[Quantity] = [base]
    weights: list[Quantity] = [1.0]
    for load in pulsed[:most_pulses]:
        amps = amps + [a + load.amps for a in amps]
        weights = [w * (1.0 - load.duty) for w in weights] + [w * load.duty for w in weights]
        if len(amps) > _MOST_COMBINATIONS and is_plain(*amps, *weights):
            amps, weights = _gathered(amps, weights)
    return Currents(burst_a=burst, steady_a=steady, mean_a=mean, combination_a=stack(amps), weight=stack(weights))


def _gathered(amps: list[Quantity], weights: list[Quantity]) -> tuple[list[Quantity], list[Quantity]]:
    """Gather combinations of like current into groups of their mean current; the highest stays by itself."""
    order = np.argsort(np.asarray(amps))
    a, w = np.asarray(amps)[order], np.asarray(weights)[order]
    edges = np.linspace(a[0], a[-1], _GROUPS)
    group = np.minimum(np.searchsorted(edges, a[:-1], side="right") - 1, _GROUPS - 2)
    weight = np.bincount(group, w[:-1], minlength=_GROUPS - 1)
    mean = np.bincount(group, w[:-1] * a[:-1], minlength=_GROUPS - 1)
    kept = weight > 0
    return [*(mean[kept] / weight[kept]).tolist(), float(a[-1])], [*weight[kept].tolist(), float(w[-1])]
