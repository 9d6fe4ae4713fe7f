"""A part check: a part's published numbers laid over the plan, and the checks that they touch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapwright.supply import checks as table
from tapwright.supply.answer import Answer, number
from tapwright.supply.checks import Check, State, checks, state_at
from tapwright.supply.plan import Plan
from tapwright.supply.words import amps, volts, with_unit

#: The checks that speak of a part, by its table.
TOUCHED: Mapping[str, tuple[str, ...]] = {
    "switch": (table.SWITCH_A, table.FULLY_ON, table.ENABLE, table.DRAIN, table.LOW_LIMIT, table.DELIVERS),
    "converter": (table.DELIVERS, table.STARTS, table.INPUT_A, table.OUTPUT_A, table.ENABLE, table.HEADROOM,
                  table.BOARD_V, table.INPUT_V, table.DRAIN, table.COIL, table.LOW_LIMIT),
    "regulator": (table.HEADROOM, table.BOARD_V, table.OUTPUT_A),
    "cells": (table.DELIVERS, table.STARTS, table.INPUT_A, table.SWITCH_A, table.INPUT_V, table.LOW_LIMIT,
              table.DRAIN, table.ENABLE, table.FULLY_ON, table.HEADROOM),
    "board": (table.BOARD_V,),
    "capacitor": (table.DRAIN, table.OUTPUT_A),
}
_STATES, _BISECTIONS = 129, 30


@dataclass(frozen=True, kw_only=True)
class PartCheck:
    """One check of a part.

    Parameters
    ----------
    check : the check, cells as now
    at_end : the same at the end of the run; None where nothing runs
    end_v : the string's volts in the burst there
    words : the answer in a sentence
    passes : under what condition it would pass, empty where it does
    """

    check: Check
    at_end: Check | None
    end_v: float | None
    words: str
    passes: str


def part_checks(plan: Plan, tables: Sequence[str]) -> list[PartCheck]:
    """Return the checks that the parts in these tables of the plan must pass."""
    answer = Answer(replace(plan, ranges={}))
    touched = {name for part in tables for name in TOUCHED.get(part, ())}
    end_state = state_at(answer.circuit, answer.run.drawn_mah)
    at_end = {check.name: check for check in checks(end_state)} if answer.run.hours > 0 else {}
    return [_part_check(answer, check, at_end.get(check.name), end_state) for check in answer.checks
            if check.name in touched]


def _part_check(answer: Answer, check: Check, at_end: Check | None, end_state: State) -> PartCheck:
    state = answer.state if at_end is None else end_state
    worst = check if at_end is None else at_end
    at_v = number(state.burst.string_v)
    needed, limit = with_unit(number(worst.value), check.unit), with_unit(number(worst.limit), check.unit)
    ok = bool(check.ok) and (at_end is None or bool(at_end.ok) or answer.run.because == check.name)
    where = "" if at_v is None else f" with the cells at {volts(at_v)}"
    hand = number(worst.in_hand)
    margin = "" if hand is None else f", {with_unit(abs(hand), check.unit)} {'in hand' if hand >= 0 else 'short'}"
    words = f"{check.name}: {needed}{where}, limit {limit}{margin}: {'yes' if ok else 'no'}"
    return PartCheck(check=check, at_end=at_end, end_v=at_v, words=words,
                     passes="" if bool(check.ok) else condition(answer, check))


def condition(answer: Answer, check: Check) -> str:
    """Return the conditions under which a failing check would pass, each computed alone."""
    found = []
    rating = number(check.value)
    if rating is not None and check.name != table.DELIVERS:
        # It fails, so a value above its limit is one that must stay at or under it.
        up = rating > float(check.limit)
        shown = with_unit(rating, check.unit, toward=1 if up else -1)
        found.append(f"a limit of at {'least' if up else 'most'} {shown}")
    fuller = _fuller_cells(answer, check.name)
    if fuller is not None:
        found.append(f"cells at {volts(fuller, toward=1)} open or more")
    smaller = _smaller_burst(answer, check.name)
    if smaller is not None:
        found.append(f"a burst of at most {amps(smaller, toward=-1)} at the board")
    return "would pass with " + ", or ".join(found) if found else "no fuller cells and no smaller burst would pass it"


def _fuller_cells(answer: Answer, name: str) -> float | None:
    """Return the lowest open volts, from now up to fresh, from which on a check holds."""
    string = answer.circuit.string
    drawn = np.linspace(float(string.mah[0]), float(string.drawn_mah), _STATES)
    check = next((c for c in checks(state_at(answer.circuit, drawn)) if c.name == name), None)
    if check is None or len(np.unique(drawn)) < 2:
        return None
    ok = np.broadcast_to(check.ok, drawn.shape)
    if not ok[0]:
        return None
    last = len(ok) - 1 if ok.all() else int(np.argmin(ok)) - 1
    return float(string.open_at(drawn[last]))


def _smaller_burst(answer: Answer, name: str) -> float | None:
    """Return the highest burst current, pulses scaled down together, at which a check holds."""
    plan = answer.plan

    def holds(scale: float) -> tuple[bool, float]:
        loads = tuple(replace(load, amps=load.amps * scale) if load.pulsed else load for load in plan.load)
        tried = Answer(replace(plan, load=loads))
        check = next((c for c in tried.checks if c.name == name), None)
        return check is not None and bool(check.ok), float(np.asarray(tried.circuit.currents.burst_a))

    if not any(load.pulsed for load in plan.load) or not holds(0.0)[0]:
        return None
    low, high = 0.0, 1.0
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle)[0] else (low, middle)
    return holds(low)[1]
