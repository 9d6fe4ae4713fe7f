"""Advice: the faults that end such projects, each looked for in the plan and said with its own numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from tapwright.supply.answer import Answer
from tapwright.supply.checks import coil_peak_a
from tapwright.supply.plan import HOURS_A_DAY
from tapwright.supply.words import amps, days, farads, hours, ohms, volts, watts

_PULL_DOWN_OHM = 100e3  # common practice: far below a floating input's resistance, some tens of microamperes in use
_CLAMP_OHM = 1e3  # common practice: in series with a data line into a board that may be off
_CONTACTS_OHM = (0.05, 0.15)  # clips, springs and leads together: common practice
_WEAK = 0.8  # a weak cell: 80 % of its neighbours' charge
_LITTLE = 0.01  # of what is needed: less than that to spare is rounding and tolerance
_OFF_CURVE = 0.02  # measured open volts further off the curve than that are said: a meter's error is less
_LITHIUM_SPENT_V, _LITHIUM_GOOD_V = 1.70, 1.74  # maker's Li/FeS2 handbook, rested open volts (second-hand)


def advice(answer: Answer) -> list[str]:
    """Return what the plan's own numbers warn of, gravest first."""
    return [words for rule in _RULES for words in rule(answer)]


def _diode(answer: Answer) -> Iterator[str]:
    plan = answer.plan
    if plan.switch is None:
        yield ("There is no switch, so the board is never off: the cells are empty after "
               f"{_off_days(answer)}. Add an enable switch on a converter with load disconnect, or a MOSFET.")
    elif plan.switch.kind == "enable" and not plan.converter.load_disconnect:
        yield (f"With enable low the cells still feed the board through the converter's diode: "
               f"{amps(answer.circuit.off_a)}, empty in {_off_days(answer)}. "
               "Use a converter with load disconnect, or a MOSFET before it.")


def _off_days(answer: Answer) -> str:
    return days(answer.circuit.off_days)


def _floating_enable(answer: Answer) -> Iterator[str]:
    switch = answer.plan.switch
    if switch is not None and switch.kind == "enable":
        high = switch.control_v if switch.control_v is not None else answer.state.idle_v
        yield (f"The enable line floats while the instrument is off, and a floating enable may switch on: fit "
               f"{ohms(_PULL_DOWN_OHM)} from enable to ground ({amps(high / _PULL_DOWN_OHM)} in use).")
    if switch is not None:
        yield (f"With the board off, a data line that idles high feeds it through its input's clamp: put "
               f"{ohms(_CLAMP_OHM)} in series with the data line, and switch the high side.")


def _start(answer: Answer) -> Iterator[str]:
    """At start the capacitor is charged while the radio calibrates."""
    plan, circuit = answer.plan, answer.circuit
    farad = plan.capacitor.farad if plan.capacitor is not None and plan.capacitor.at == "output" else circuit.bulk_f
    if not plan.converter.switching or not np.isfinite(farad) or farad <= 0:
        return
    end = circuit.point(circuit.currents.burst_a, answer.run.drawn_mah)
    assert plan.converter.output_v is not None
    joule = float(farad * plan.converter.output_v**2 / 2)
    spare = float(end.most - end.need)
    if not np.isfinite(spare):
        return
    head = (f"At start, charging {farads(farad)} to {volts(plan.converter.output_v)} ({joule * 1e3:.3g} mJ) and the "
            "radio's calibration burst come together. ")
    if spare <= _LITTLE * float(end.need):
        yield head + ("The cells at the end of the run have nothing to spare beside the burst: let the board hold its "
                      "radio off until the rail stands.")
    else:
        yield head + (f"At the end of the run the cells have {watts(spare)} to spare, so the charge takes "
                      f"{joule / spare * 1e3:.3g} ms or more; choose a converter with soft start, and let the board "
                      "wait that long before its radio starts.")


def _coil(answer: Answer) -> Iterator[str]:
    converter = answer.plan.converter
    peak = coil_peak_a(answer.state)
    if peak is not None and np.isfinite(peak):
        yield (f"The coil's peak is {amps(peak)} in the burst ({amps(answer.state.burst.input_a)} mean and half the "
               f"ripple): its saturation current, and a current limit stated as a peak, must be above that.")
    elif converter.kind == "boost" and converter.inductor_h is None:
        yield ("A boost's current limit in a data sheet is often the coil's peak, which is above the input current by "
               "half the ripple, not a limit of the output: give inductor_h and frequency_hz to have it computed.")


def _contacts(answer: Answer) -> Iterator[str]:
    plan = answer.plan
    if np.any(np.asarray(plan.cells.contact_ohm) > 0):
        return
    low, high = (Answer(replace(plan, cells=replace(plan.cells, contact_ohm=ohm))) for ohm in _CONTACTS_OHM)
    lowest = "the burst can no longer be delivered" if high.lowest_cells_v is None \
        else f"the cells' lowest volts become {volts(high.lowest_cells_v)}"
    change = f"the plan {high.verdict}" if high.verdict in ("works", "fails") else "the plan is marginal"
    before = "" if low.verdict == high.verdict else f" (at {ohms(_CONTACTS_OHM[0])}: {low.verdict})"
    yield (f"contact_ohm is 0; clips, springs and leads add {ohms(_CONTACTS_OHM[0])} to {ohms(_CONTACTS_OHM[1])} "
           f"(common practice). With {ohms(_CONTACTS_OHM[1])} {lowest} and {change}{before}.")


def _weak_cell(answer: Answer) -> Iterator[str]:
    plan, ran = answer.plan, answer.run
    cells = plan.cells
    if cells.series < 2 or not np.isfinite(ran.hours):
        return
    start = float(answer.circuit.string.drawn_mah)
    spent = start + _WEAK * (float(answer.circuit.string.empty_mah) - start)
    if ran.hours > 0 and spent < ran.drawn_mah:
        at = float(np.interp(spent, ran.curve_mah, ran.curve_h))
        yield (f"A cell with a fifth less charge than its neighbours is empty after {hours(at)} of the "
               f"{hours(ran.hours)}, and is then driven backwards by them: leaks (primary cells) or lasting damage "
               "(NiMH). Change all cells together.")
    if cells.series == 2:
        yield "One cell of two put in backwards leaves about 0 V; mark the holder's polarity."
    elif cells.chemistry == "nimh" or cells.chemistry is None:
        left = float(answer.circuit.string.fresh_v) * (cells.series - 2) / cells.series
        yield f"One cell of {cells.series} put in backwards leaves {volts(left)} and is itself charged backwards."


def _off_curve(answer: Answer) -> Iterator[str]:
    string, given = answer.circuit.string, answer.plan.cells.open_v
    if given is None:
        return
    fresh, empty = float(string.fresh_v), float(string.open_at(string.empty_mah))
    look = "look at the point, at cells.series and at the chemistry"
    if given > fresh * (1 + _OFF_CURVE):
        yield f"open_v {volts(given)} is above the curve's fresh {volts(fresh)}: the cells are taken as fresh; {look}."
    elif given < empty * (1 - _OFF_CURVE):
        yield f"open_v {volts(given)} is below the curve's last {volts(empty)}: the cells are taken as empty; {look}."


def _lithium(answer: Answer) -> Iterator[str]:
    cells = answer.plan.cells
    if cells.chemistry == "lithium" and cells.curve is None and cells.open_v is not None:
        each = cells.open_v / cells.series
        state = "is good" if each >= _LITHIUM_GOOD_V else "is spent" if each < _LITHIUM_SPENT_V else "may be part used"
        yield (f"Open volts tell little of primary lithium cells. Rested at {volts(each)} a cell, this one {state} by "
               f"its makers' rule (good above {_LITHIUM_GOOD_V:.2f} V, spent under {_LITHIUM_SPENT_V:.2f} V); the run "
               "time here rests on a curve under load. Measure under load before you trust it.")


def _passes_through(answer: Answer) -> Iterator[str]:
    converter = answer.plan.converter
    fresh = answer.circuit.string.fresh_v
    if converter.kind == "boost" and converter.output_v is not None and np.any(fresh > converter.output_v):
        yield (f"Fresh cells stand at {volts(fresh)}, above the boost's {volts(converter.output_v)}, and pass straight "
               "through it: the board must bear that, or use a buck-boost.")


def _capacitor(answer: Answer) -> Iterator[str]:
    capacitor, circuit = answer.plan.capacitor, answer.circuit
    step = float(circuit.currents.burst_a - circuit.currents.steady_a)
    if capacitor is not None:
        year = float(capacitor.leak_a) * HOURS_A_DAY * 365.25 * 1e3
        yield (f"The capacitor's own resistance takes {volts(capacitor.esr_ohm * step)} of the burst's droop"
               + (f", and its leak {year:.3g} mAh a year while it is fed" if year > 0 else "") + ".")
    elif step > 0 and np.isfinite(circuit.droop_v) and circuit.droop_v > 0:
        most = 0.1 * float(circuit.droop_v) / step
        yield (f"A capacitor for the bursts should have at most {ohms(most)} of its own (a tenth of the droop), and "
               "leak less than the off-state current if it sits on the cells' side.")


_RULES: tuple[Callable[[Answer], Iterator[str]], ...] = (
    _diode, _off_curve, _passes_through, _lithium, _contacts, _start, _floating_enable, _coil, _weak_cell, _capacitor)
