"""A whole supply answer: what the command and the workbench show, as a JSON document and as words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from tapwright.supply.answer import FAILS, Answer, number
from tapwright.supply.bench import Measured, Measurement, bench, compare, with_measured
from tapwright.supply.burst import BurstInTime, burst_in_time, farad_for_sag
from tapwright.supply.checks import Check
from tapwright.supply.faults import advice
from tapwright.supply.options import Option, options
from tapwright.supply.parts import PartCheck, condition, part_checks
from tapwright.supply.plan import Plan
from tapwright.supply.run import energy_wh
from tapwright.supply.spread import DRAWS, SEED, Spread, spread


@dataclass(frozen=True, kw_only=True)
class Report:
    """Everything said of a plan.

    Parameters
    ----------
    plan : the plan, with its ranges and with what was measured in it
    wanted : what the options are sorted by
    parts : tables of the plan whose parts are to be checked
    measured : what was measured, beside what was expected
    sag_v : a stated sag to size a capacitor for
    draws, seed : for a plan with ranges
    """

    plan: Plan
    wanted: str = "hours"
    parts: tuple[str, ...] = ()
    measured: tuple[Measured, ...] = ()
    sag_v: float | None = None
    draws: int = DRAWS
    seed: int = SEED

    @cached_property
    def answer(self) -> Answer:
        """The plan at the middle of its ranges."""
        return Answer(replace(self.plan, ranges={}))

    @cached_property
    def options(self) -> list[Option]:
        """What else could be done."""
        return options(self.plan, self.wanted)

    @cached_property
    def spread(self) -> Spread | None:
        """What the ranges do; None without any."""
        return spread(self.plan, draws=self.draws, seed=self.seed) if self.plan.ranges else None

    @cached_property
    def advice(self) -> list[str]:
        """What the plan warns of."""
        return advice(self.answer)

    @cached_property
    def bench(self) -> list[Measurement]:
        """What to measure on the bench."""
        return bench(self.answer)

    @cached_property
    def part_checks(self) -> list[PartCheck]:
        """The checks of the parts asked for."""
        return part_checks(self.plan, self.parts) if self.parts else []

    @cached_property
    def burst(self) -> BurstInTime | None:
        """The burst in time."""
        return burst_in_time(self.answer)

    @cached_property
    def energy(self) -> dict[str, float]:
        """Watt-hours by where they went."""
        return energy_wh(self.answer.circuit, self.answer.run) if np.isfinite(self.answer.run.hours) else {}

    @property
    def fails(self) -> bool:
        """Whether the answer is no."""
        return self.answer.verdict == FAILS

    @cached_property
    def next(self) -> str:
        """The one thing to do next."""
        return _next(self)

    def document(self) -> dict[str, object]:
        """Return the JSON document (contract, `tapwright supply`)."""
        answer, ran = self.answer, self.answer.run
        string = answer.circuit.string
        document: dict[str, object] = {
            "verdict": answer.verdict,
            "checks": [_check(check) for check in answer.checks],
            "peak_input_a": answer.peak_input_a,
            "lowest_cells_v": answer.lowest_cells_v,
            "run_h": number(ran.hours),
            "run_days": answer.run_days,
            "ends_because": ran.because,
            "off_days": number(answer.circuit.off_days),
            "off_a": number(answer.circuit.off_a),
            "bulk_f": number(answer.circuit.bulk_f),
            "bulk_f_is": "an upper bound: the converter is taken to give nothing in the burst",
            "average_input_w": number(answer.circuit.average_input_w),
            "cells": {"open_v": number(string.open_at(string.drawn_mah)),
                      "ohm": number(string.ohms_at(string.drawn_mah)),
                      "fresh_v": number(string.fresh_v), "drawn_mah": number(string.drawn_mah),
                      "left_mah": number(string.left_mah), "stranded_mah": ran.stranded_mah},
            "options": [_option(option) for option in self.options],
            "curve": [[h, v] for h, v in zip(ran.curve_h.tolist(), ran.curve_v.tolist(), strict=True)],
            "energy_wh": self.energy,
            "advice": self.advice,
            "bench": [_measurement(item) for item in self.bench],
            "next": self.next,
        }
        return document | self._asked()

    def _asked(self) -> dict[str, object]:
        """Return the fields that are there only where they apply."""
        found: dict[str, object] = {}
        if self.burst is not None:
            found["burst"] = {"seconds": self.burst.seconds, "steady_v": self.burst.steady_v,
                              "lowest_v": self.burst.lowest_v, "capacitor_lowest_v": self.burst.capacitor_lowest_v}
        if self.spread is not None:
            found |= {"worst": self.spread.worst, "share_ok": self.spread.share_ok, "draws": self.spread.draws,
                      "worst_ends_because": self.spread.because, "widest": self.spread.widest,
                      "worst_checks": {name: {"value": self.spread.worst[name], "limit": self.spread.worst_limit[name],
                                              "ok": ok} for name, ok in self.spread.worst_ok.items()}}
        if self.parts:
            found["part"] = [_part(item) for item in self.part_checks]
        if self.measured:
            found["measured"] = [{"key": m.key, "measured": m.measured, "expected": m.expected, "unit": m.unit,
                                  "agrees": m.agrees} for m in self.measured]
        if self.sag_v is not None:
            found["sag"] = {"sag_v": self.sag_v, "farad": farad_for_sag(self.answer, self.sag_v)}
        return found


def report(plan: Plan, *, wanted: str = "hours", parts: tuple[str, ...] = (), sag_v: float | None = None,
           measured: Mapping[str, float] | None = None, measured_path: Path = Path("measured"), draws: int = DRAWS,
           seed: int = SEED) -> Report:
    """Return the report of a plan.

    Parameters
    ----------
    measured : what was measured on the bench (`bench.read_measured`), taken into the plan

    Raises
    ------
    PlanError : a measured value cannot be
    """
    compared: tuple[Measured, ...] = ()
    if measured:
        compared = tuple(compare(plan, dict(measured)))
        plan = with_measured(plan, dict(measured), measured_path)
    return Report(plan=plan, wanted=wanted, parts=parts, measured=compared, sag_v=sag_v, draws=draws, seed=seed)


def _next(said: Report) -> str:
    """Return the one measurement or change that settles most."""
    answer, cells = said.answer, said.plan.cells
    if said.spread is not None and said.spread.widest is not None and 0 < said.spread.share_ok < 1:
        return f"measure {said.spread.widest}: of the ranges it moves the run time most"
    if answer.verdict == FAILS:
        better = next((option for option in said.options if option.answer.verdict != FAILS), None)
        first = answer.failing[0].name
        if better is None:
            others = "; other checks fail besides" if len(answer.failing) > 1 else ""
            return (f"'{first}' fails and no option here mends the plan alone: {condition(answer, answer.failing[0])}"
                    f"{others}")
        return f"'{first}' fails; the option '{better.name}' does not: {better.what}"
    if answer.run.hours == 0:
        return "put in other cells, or measure their open volts again: by the curve these are empty"
    if cells.open_v is None:
        return "measure the cells' open volts, rested for an hour, and write them as cells.open_v: fresh is assumed"
    if cells.ohm is None and cells.curve is None:
        return ("measure the string's volts with 10 ohm across it for a second, beside its open volts, and write "
                "(open / loaded - 1) x 10 ohm, less the contacts', over the number of cells as cells.ohm: the ohms "
                "here are those of a table")
    return "make the first bench measurement, the start at the lowest volts, before parts go into the case"


def _check(check: Check) -> dict[str, object]:
    return {"name": check.name, "ok": bool(check.ok), "value": number(check.value), "limit": number(check.limit),
            "unit": check.unit, "why": check.why}


def _option(option: Option) -> dict[str, object]:
    answer = option.answer
    return {"name": option.name, "what": option.what, "verdict": answer.verdict, "run_h": number(answer.run.hours),
            "ends_because": answer.run.because, "worst_sag_v": answer.sag_v, "peak_input_a": answer.peak_input_a,
            "parts_changed": list(option.parts)}


def _measurement(item: Measurement) -> dict[str, object]:
    return {"key": item.key, "what": item.what, "set_v": item.set_v, "through_ohm": item.through_ohm,
            "limit_a": item.limit_a, "expect": item.expect, "unit": item.unit, "fails_if": item.fails_if}


def _part(item: PartCheck) -> dict[str, object]:
    at_end = item.at_end
    return {"name": item.check.name, "ok": bool(item.check.ok), "value": number(item.check.value),
            "limit": number(item.check.limit), "unit": item.check.unit, "margin": number(item.check.in_hand),
            "at_end_value": None if at_end is None else number(at_end.value), "end_v": item.end_v,
            "words": item.words, "passes": item.passes}


