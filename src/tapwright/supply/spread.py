"""Plans with ranges: the share of drawn plans that do not fail, and the worst of every figure and check.

Every ranged number is drawn uniformly and on its own. Drawn plans are computed side by side (quantity.py). The worst
is looked for where it mostly is: each number is moved to its ends alone, the bad ends are then taken together, once
for each figure; the draws are looked through besides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.supply.answer import Answer, number
from tapwright.supply.checks import checks, state_at
from tapwright.supply.circuit import Circuit
from tapwright.supply.plan import Plan
from tapwright.supply.quantity import Array

DRAWS, SEED = 10_000, 1
_MOST_PULSES = 4  # in the draws; see load.py
_HIGH_IS_BAD = frozenset(["peak_input_a", "bulk_f", "average_input_w"])


@dataclass(frozen=True, kw_only=True)
class Spread:
    """What ranges do to a plan.

    Parameters
    ----------
    share_ok : share of draws in which no check fails, 0 to 1
    draws : how many were drawn
    worst : the worst of each figure and the value of each check where it has least in hand; None where a value cannot
        be had
    worst_limit, worst_ok : the check's limit there, and whether it holds
    because : what ends the shortest run
    widest : the ranged number that moves the run most, by key; None where none does
    """

    share_ok: float
    draws: int
    worst: dict[str, float | None]
    worst_limit: dict[str, float | None]
    worst_ok: dict[str, bool]
    because: str
    widest: str | None


@dataclass
class _Batch:
    """Figures and checks of many plans: `bad` grows as things get worse, infinite where a value cannot be had."""

    value: dict[str, Array]
    bad: dict[str, Array]
    limit: dict[str, Array]
    ok: dict[str, NDArray[np.bool_]]


def spread(plan: Plan, *, draws: int = DRAWS, seed: int = SEED) -> Spread:
    """Return what the plan's ranges do to it. The plan has at least one range."""
    keys = list(plan.ranges)
    low, high = np.array([plan.ranges[key] for key in keys]).T
    middle = (low + high) / 2
    drawn = _batch(plan, keys, np.random.default_rng(seed).uniform(low, high, (draws, len(keys))))
    alone = _one_at_a_time(low, middle, high)
    ends = _batch(plan, keys, alone)
    together = _batch(plan, keys, np.array([_bad_ends(ends.bad[name], low, high) for name in ends.bad]))
    worst: dict[str, float | None] = {}
    limit: dict[str, float | None] = {}
    ok: dict[str, bool] = {}
    for name in drawn.bad:
        batch = max((drawn, ends, together), key=lambda b, name=name: float(np.max(b.bad[name])))  # type: ignore[misc]
        at = int(np.argmax(batch.bad[name]))
        worst[name] = number(batch.value[name][at])
        if name in batch.ok:
            limit[name], ok[name] = number(batch.limit[name][at]), bool(batch.ok[name][at])
    answers = [_answer(plan, keys, row) for row in alone]
    hours = np.array([a.run.hours for a in answers])
    answers.append(_answer(plan, keys, _bad_ends(-hours, low, high)))
    shortest = min(answers, key=lambda a: a.run.hours)
    days = [a.run_days for a in answers]
    known = [day for day in days if day is not None]
    worst |= {"run_h": number(shortest.run.hours), "run_days": min(known) if known else None}
    # Infinite less infinite is no move.
    with np.errstate(invalid="ignore"):
        moved = np.nan_to_num(np.abs(hours[1::2] - hours[2::2]), nan=0.0)
    fine = np.stack([drawn.ok[name] for name in drawn.ok]).all(axis=0)
    return Spread(share_ok=float(np.mean(fine)), draws=draws, worst=worst, worst_limit=limit, worst_ok=ok,
                  because=shortest.run.because, widest=keys[int(np.argmax(moved))] if moved.any() else None)


def _one_at_a_time(low: Array, middle: Array, high: Array) -> Array:
    """Return rows: the middle, then for each number its low end and its high end."""
    rows = [middle]
    for i in range(len(low)):
        for end in (low, high):
            row = middle.copy()
            row[i] = end[i]
            rows.append(row)
    return np.array(rows)


def _bad_ends(bad: Array, low: Array, high: Array) -> Array:
    """Return the row that has every number at its worse end, from `_one_at_a_time`'s badness."""
    return np.where(bad[1::2] >= bad[2::2], low, high)


def _answer(plan: Plan, keys: list[str], row: Array) -> Answer:
    return Answer(replace(plan, ranges={}).with_values(dict(zip(keys, map(float, row), strict=True))))


def _batch(plan: Plan, keys: list[str], rows: Array) -> _Batch:
    """Compute plans side by side; `rows` has shape (n_plans, n_keys)."""
    n = len(rows)
    values = {key: np.ascontiguousarray(rows[:, i : i + 1]) for i, key in enumerate(keys)}
    circuit = Circuit(plan.with_values(values), most_pulses=_MOST_PULSES)
    state = state_at(circuit)
    batch = _Batch({}, {}, {}, {})
    figures = {"peak_input_a": state.burst.input_a, "lowest_cells_v": state.burst.string_v,
               "off_days": circuit.off_days, "bulk_f": circuit.bulk_f, "average_input_w": circuit.average_input_w}
    for name, value in figures.items():
        flat = _flat(value, n)
        batch.value[name] = flat
        batch.bad[name] = _bad(flat if name in _HIGH_IS_BAD else -flat)
    for check in checks(state):
        batch.value[check.name], batch.limit[check.name] = _flat(check.value, n), _flat(check.limit, n)
        batch.bad[check.name] = _bad(-_flat(check.in_hand, n))
        batch.ok[check.name] = _flat(check.ok.astype(np.float64), n) > 0
    return batch


def _flat(value: Array, n: int) -> Array:
    return np.broadcast_to(np.asarray(value), (n, 1))[:, 0]


def _bad(value: Array) -> Array:
    return np.where(np.isnan(value), np.inf, value)
