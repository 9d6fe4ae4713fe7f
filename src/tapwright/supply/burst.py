"""The burst in time: the cells' volts from steady loads into all loads at once and back, and what a capacitor does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapwright.supply.answer import Answer, number
from tapwright.supply.quantity import Array
from tapwright.supply.sag import Rail, current_burst, farad_for, power_burst

_MARGIN = 0.5  # of the burst's length, drawn before and after


@dataclass(frozen=True, kw_only=True)
class BurstInTime:
    """All loads at once for the longest pulse.

    Parameters
    ----------
    seconds : the pulse's length
    steady_v, lowest_v : the string's volts before and in it, without a capacitor
    time_s, string_v : the same as a curve, 0 at the burst's start
    capacitor_s, capacitor_v : the rail beside the plan's capacitor; None without one
    capacitor_lowest_v : its lowest volts; None without a capacitor, or where the rail collapses
    rail : what the capacitor's volts are those of
    """

    seconds: float
    steady_v: float | None
    lowest_v: float | None
    time_s: Array
    string_v: Array
    capacitor_s: Array | None = None
    capacitor_v: Array | None = None
    capacitor_lowest_v: float | None = None
    rail: str = ""


def burst_in_time(answer: Answer) -> BurstInTime | None:
    """Return the burst of a plan, None without pulses."""
    lengths = [float(load.seconds) for load in answer.plan.load if load.seconds is not None]
    if not lengths:
        return None
    seconds = max(lengths)
    steady = number(answer.circuit.point(answer.circuit.currents.steady_a).string_v)
    lowest = answer.lowest_cells_v
    before, during = (np.nan if v is None else v for v in (steady, lowest))
    margin = _MARGIN * seconds
    time = np.array([-margin, 0.0, 0.0, seconds, seconds, seconds + margin])
    volts = np.array([before, before, during, during, before, before])
    plain = BurstInTime(seconds=seconds, steady_v=steady, lowest_v=lowest, time_s=time, string_v=volts)
    return plain if answer.plan.capacitor is None else _beside_capacitor(answer, plain)


def _beside_capacitor(answer: Answer, plain: BurstInTime) -> BurstInTime:
    plan, circuit = answer.plan, answer.circuit
    capacitor = plan.capacitor
    assert capacitor is not None
    steady_a, burst_a = float(circuit.currents.steady_a), float(circuit.currents.burst_a)
    at = circuit.string.drawn_mah
    string_ohm = float(circuit.string.ohms_at(at))
    ohm = string_ohm + float(circuit.switch_ohm)
    converter = plan.converter
    own_a = 0.0 if converter.kind == "none" else float(converter.quiescent_a)
    free_v = float(circuit.string.open_at(at)) - string_ohm * float(circuit.beside_a) - ohm * own_a
    rail = Rail(open_v=free_v, ohm=ohm, farad=float(capacitor.farad), esr_ohm=float(capacitor.esr_ohm))
    if capacitor.at == "output" and converter.kind != "none":
        # The bound of the contract's bulk_f: the converter goes on giving what it gave, the capacitor all the rest.
        assert converter.output_v is not None
        extra = burst_a - steady_a
        t = np.linspace(0.0, plain.seconds, 65)
        v = float(converter.output_v) - extra * (t / rail.farad + rail.esr_ohm)
        return _with(plain, t, v, float(v[-1]), "converter's output, which gives nothing extra (bound)")
    if converter.switching:
        assert circuit.efficiency is not None
        assert converter.output_v is not None
        before, during = (converter.output_v * amps / circuit.efficiency.at(free_v, amps)
                          for amps in (steady_a, burst_a))
        burst = power_burst(rail, before_w=float(before), during_w=float(during), seconds=plain.seconds)
    else:
        burst = current_burst(rail, before_a=steady_a, during_a=burst_a, seconds=plain.seconds)
    return _with(plain, burst.seconds, burst.volts, burst.lowest_v, "converter's input")


def _with(plain: BurstInTime, t: Array, v: Array, lowest: float | None, rail: str) -> BurstInTime:
    return BurstInTime(seconds=plain.seconds, steady_v=plain.steady_v, lowest_v=plain.lowest_v, time_s=plain.time_s,
                       string_v=plain.string_v, capacitor_s=t, capacitor_v=v, capacitor_lowest_v=lowest, rail=rail)


def farad_for_sag(answer: Answer, sag_v: float) -> float | None:
    """Return the capacitance that alone carries every pulse with a stated sag; None where its ESR takes it all."""
    capacitor = answer.plan.capacitor
    esr = 0.0 if capacitor is None else float(capacitor.esr_ohm)
    pulses = [(float(load.amps), float(load.seconds)) for load in answer.plan.load if load.seconds is not None]
    charge, amps = sum(a * s for a, s in pulses), sum(a for a, _ in pulses)
    if charge == 0:
        return 0.0
    return farad_for(amps=amps, seconds=charge / amps, sag_v=sag_v, esr_ohm=esr)
