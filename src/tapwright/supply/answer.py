"""One plan answered: verdict, checks, figures, run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from tapwright.supply.checks import Check, State, checks, state_at
from tapwright.supply.circuit import Circuit
from tapwright.supply.plan import HOURS_A_DAY, Plan
from tapwright.supply.run import Run, run

WORKS, MARGINAL, FAILS = "works", "marginal", "fails"


@dataclass(frozen=True)
class Answer:
    """What a plan of plain numbers comes to. Figures are None where the cells cannot deliver them."""

    plan: Plan

    @cached_property
    def circuit(self) -> Circuit:
        """The plan as a circuit."""
        return Circuit(self.plan)

    @cached_property
    def state(self) -> State:
        """The state of things now."""
        return state_at(self.circuit)

    @cached_property
    def checks(self) -> list[Check]:
        """The checks, cells as now."""
        return checks(self.state)

    @cached_property
    def verdict(self) -> str:
        """`works`, `marginal` or `fails`."""
        if not all(bool(check.ok) for check in self.checks):
            return FAILS
        return MARGINAL if any(bool(check.marginal) for check in self.checks) else WORKS

    @cached_property
    def run(self) -> Run:
        """The run from now on."""
        return run(self.circuit)

    @property
    def peak_input_a(self) -> float | None:
        """The converter's input current in the burst."""
        return number(self.state.burst.input_a)

    @property
    def lowest_cells_v(self) -> float | None:
        """The string's volts in the burst."""
        return number(self.state.burst.string_v)

    @property
    def sag_v(self) -> float | None:
        """By how much the burst pulls the string below its open volts."""
        return number(self.circuit.string.open_at(self.circuit.string.drawn_mah) - self.state.burst.string_v)

    @property
    def run_days(self) -> float | None:
        """Days of use at the plan's hours a day; None without them, or without end."""
        per_day = self.plan.use.hours_per_day
        if per_day is None:
            return None
        hours = self.run.hours
        if hours == 0:
            return 0.0
        mean_a = (self.run.drawn_mah - float(self.circuit.string.drawn_mah)) / 1e3 / hours
        off_a = float(self.circuit.off_a)
        if not np.isfinite(hours) or mean_a <= 0 or not np.isfinite(off_a):
            return None
        share = float(per_day) + (HOURS_A_DAY - float(per_day)) * off_a / mean_a
        return hours / share if share > 0 else None

    @property
    def failing(self) -> list[Check]:
        """The checks that do not hold."""
        return [check for check in self.checks if not bool(check.ok)]

    @property
    def thin(self) -> list[Check]:
        """The checks that hold with less than a tenth in hand."""
        return [check for check in self.checks if bool(check.marginal)]


def answer(plan: Plan) -> Answer:
    """Answer a plan at the middle of its ranges."""
    return Answer(replace(plan, ranges={}))


def number(value: object) -> float | None:
    """Return a finite number, else None."""
    plain = float(np.asarray(value, dtype=np.float64))
    return plain if np.isfinite(plain) else None
