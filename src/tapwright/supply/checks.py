"""The table of checks: what must hold for the board to start, run and switch off, at any state of the cells."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.supply.circuit import Circuit
from tapwright.supply.converter import Point
from tapwright.supply.quantity import Array, Quantity

DELIVERS, STARTS = "cells can deliver the burst", "converter starts"
INPUT_A, OUTPUT_A, SWITCH_A = "converter input current", "converter output current", "switch current"
FULLY_ON, ENABLE = "switch is fully on", "enable threshold"
HEADROOM, BOARD_V, INPUT_V = "regulator headroom", "board volts in range", "converter input volts"
LOW_LIMIT, DRAIN, COIL = "instrument stays above its low limit", "off-state drain", "inductor peak current"
IN_HAND = 0.10  # less than this share of the limit in hand is marginal (contract)
_ROUNDING = 1e-9  # 3.3 - 3.0 must hold a limit of 0.3


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check over states of the cells or drawn plans.

    Parameters
    ----------
    name, unit, why : what, in which unit, and the reason in words
    value, limit : NaN where it cannot be had
    in_hand : what is left before it fails, negative where it does; NaN where the value cannot be had
    ok : whether it holds
    """

    name: str
    unit: str
    why: str
    value: Array
    limit: Array
    in_hand: Array
    ok: NDArray[np.bool_]

    @property
    def marginal(self) -> NDArray[np.bool_]:
        """Whether it holds with less than a tenth of its limit in hand."""
        return self.ok & np.isfinite(self.limit) & (self.in_hand < IN_HAND * np.abs(self.limit) - _ROUNDING)


@dataclass(frozen=True, kw_only=True)
class State:
    """A circuit at a charge drawn: everything that checks look at."""

    circuit: Circuit
    burst: Point
    idle_v: Array


def state_at(circuit: Circuit, drawn_mah: Quantity | None = None) -> State:
    """Return the state now, or after some charge."""
    return State(circuit=circuit, burst=circuit.point(circuit.currents.burst_a, drawn_mah),
                 idle_v=circuit.idle_v(drawn_mah))


def checks(state: State, *, running: bool = False) -> list[Check]:
    """Return the checks that apply, in the order of the table; `running` leaves out the off-state drain."""
    found = [check for rule in _RULES for check in rule(state)]
    return found if running else found + list(_drain(state))


def _at_least(name: str, value: Quantity, limit: Quantity, unit: str, why: str) -> Check:
    return _check(name, value, limit, np.asarray(value - limit), unit, why)


def _at_most(name: str, value: Quantity, limit: Quantity, unit: str, why: str) -> Check:
    with np.errstate(invalid="ignore"):
        return _check(name, value, limit, np.asarray(limit - value), unit, why)


def _check(name: str, value: Quantity, limit: Quantity, in_hand: Array, unit: str, why: str) -> Check:
    return Check(name=name, unit=unit, why=why, value=np.asarray(value), limit=np.asarray(limit), in_hand=in_hand,
                 ok=np.asarray(in_hand >= -_ROUNDING))


def _delivers(state: State) -> Iterator[Check]:
    kind = state.circuit.plan.converter.kind
    watts = state.circuit.plan.converter.switching
    why = ("beyond this power the cells' volts collapse under their own resistance, however full they are" if watts
           else "beyond this current the cells' resistance takes the volts that the input needs")
    check = _at_most(DELIVERS, state.burst.need, state.burst.most, "W" if watts else "A",
                     why + ("" if kind != "none" else "; there is no converter"))
    yield Check(name=check.name, unit=check.unit, why=check.why, value=check.value, limit=check.limit,
                in_hand=check.in_hand, ok=state.burst.delivered)


def _starts(state: State) -> Iterator[Check]:
    converter = state.circuit.plan.converter
    limit = converter.input_min_v if converter.start_v is None else converter.start_v
    if limit is not None:
        yield _at_least(STARTS, state.idle_v, limit, "V",
                        "the converter must start with only the instrument on the cells")


def _converter(state: State) -> Iterator[Check]:
    converter = state.circuit.plan.converter
    if converter.input_max_a is not None:
        yield _at_most(INPUT_A, state.burst.input_a, converter.input_max_a, "A",
                       "what the converter draws in the burst against what its input may take")
    if converter.output_max_a is not None:
        yield _at_most(OUTPUT_A, state.circuit.currents.burst_a, converter.output_max_a, "A",
                       "every load at once, and the regulator's own current")


def _switch(state: State) -> Iterator[Check]:
    plan = state.circuit.plan
    switch = plan.switch
    if switch is None:
        return
    enable = switch.kind == "enable"
    if switch.max_a is not None:
        yield _at_most(SWITCH_A, 0.0 if enable else state.burst.input_a, switch.max_a, "A",
                       "an enable line carries no supply current" if enable else
                       "the switch carries all that the converter draws in the burst")
    control = state.burst.string_v if switch.control_v is None else switch.control_v
    source = "the cells' lowest volts" if switch.control_v is None else "the control line's high level"
    if not enable and switch.full_on_v is not None:
        yield _at_least(FULLY_ON, control, switch.full_on_v, "V",
                        f"{source} against the gate volts at which the switch's ohms hold")
    if enable and plan.converter.enable_high_v is not None:
        yield _at_least(ENABLE, control, plan.converter.enable_high_v, "V", f"{source} against the enable threshold")


def _headroom(state: State) -> Iterator[Check]:
    plan = state.circuit.plan
    converter, regulator = plan.converter, plan.regulator
    found: list[Check] = []
    if converter.kind == "linear":
        assert converter.output_v is not None
        found.append(_at_least(HEADROOM, state.burst.input_v - converter.output_v, converter.dropout_v, "V",
                               "volts over the linear converter in the burst against its dropout"))
    if regulator is not None:
        rail: Quantity = state.burst.input_v if converter.output_v is None or converter.kind == "none" \
            else converter.output_v
        found.append(_at_least(HEADROOM, rail - regulator.output_v, regulator.dropout_v, "V",
                               "volts over the regulator in the burst against its dropout"))
    if found:
        yield found[0] if len(found) == 1 else _worse(found[0], found[1], lambda check: check.in_hand)


def _board(state: State) -> Iterator[Check]:
    plan = state.circuit.plan
    low, high = board_v(state)
    found = []
    if plan.board.min_v is not None:
        found.append(_at_least(BOARD_V, low, plan.board.min_v, "V", "the board's lowest volts, in the burst"))
    if plan.board.max_v is not None:
        found.append(_at_most(BOARD_V, high, plan.board.max_v, "V",
                              "the board's highest volts, with nothing drawn but by the instrument"))
    if found:
        # Both sides count by the share of their own limit that is in hand, as the verdict does.
        yield found[0] if len(found) == 1 else _worse(found[0], found[1], _share_in_hand)


def board_v(state: State) -> tuple[Array, Array]:
    """Return the lowest and the highest volts that the board meets; NaN where the burst cannot be delivered."""
    plan = state.circuit.plan
    converter, regulator = plan.converter, plan.regulator
    if converter.kind == "none" or converter.output_v is None:
        low, high = state.burst.input_v, state.idle_v
    elif converter.kind == "linear":
        low = np.minimum(converter.output_v, state.burst.input_v - converter.dropout_v)
        high = np.minimum(np.asarray(converter.output_v), state.idle_v)
    else:
        # Held by regulation; whether the cells can feed it is the first check's matter.
        low = high = np.asarray(converter.output_v)
        if converter.kind == "boost":  # it cannot step down: cells above its output go straight through
            high = np.maximum(high, state.idle_v)
    if regulator is not None:
        low = np.minimum(regulator.output_v, low - regulator.dropout_v)
        high = np.minimum(regulator.output_v, high)
    return np.asarray(low), np.asarray(high)


def _input_v(state: State) -> Iterator[Check]:
    limit = state.circuit.plan.converter.input_max_v
    if limit is not None:
        yield _at_most(INPUT_V, state.circuit.string.fresh_v, limit, "V", "fresh cells, nothing drawn")


def _low_limit(state: State) -> Iterator[Check]:
    low_v = state.circuit.plan.instrument.low_v
    if low_v is not None:
        yield _at_least(LOW_LIMIT, state.burst.string_v, low_v, "V",
                        "the burst must not make the instrument warn, stop or start anew")


def _drain(state: State) -> Iterator[Check]:
    days, shelf = state.circuit.off_days, state.circuit.plan.use.shelf_days
    off = state.circuit.plan.switch
    why = ("no switch: the board is never off" if off is None else "what leaks with the board switched off, "
           "against the days it may lie; self-discharge is not in it")
    check = _at_least(DRAIN, days, shelf, "d", why)
    nothing = np.isinf(days)
    yield Check(name=check.name, unit=check.unit, why=check.why, value=check.value, limit=check.limit,
                in_hand=np.where(nothing, np.inf, check.in_hand), ok=check.ok | nothing)


def coil_peak_a(state: State) -> Array | None:
    """Return the peak of a boost's coil current in the burst, A; None where the plan does not give the coil.

    Source: TI SLVA372, switch current: dIL/2 + Iout/(1 - D), dIL = Vin D / (f L), D = 1 - Vin eff / Vout; as
    Iout/(1 - D) = Iout Vout / (Vin eff), that is the input current plus half the ripple.
    """
    converter = state.circuit.plan.converter
    if converter.kind != "boost" or converter.inductor_h is None or converter.frequency_hz is None:
        return None
    assert state.circuit.efficiency is not None
    assert converter.output_v is not None
    output_a = state.circuit.currents.burst_a
    efficiency = state.circuit.efficiency.at(state.burst.input_v, output_a)
    duty = np.maximum(1.0 - state.burst.input_v * efficiency / converter.output_v, 0.0)
    ripple = state.burst.input_v * duty / (converter.frequency_hz * converter.inductor_h)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(ripple / 2.0 + output_a * converter.output_v / (state.burst.input_v * efficiency))


def _coil(state: State) -> Iterator[Check]:
    peak, limit = coil_peak_a(state), state.circuit.plan.converter.inductor_peak_a
    if peak is not None and limit is not None:
        yield _at_most(COIL, peak, limit, "A",
                       "a converter's current limit is often the coil's peak: mean input current and half the ripple")


_RULES: tuple[Callable[[State], Iterator[Check]], ...] = (
    _delivers, _starts, _converter, _switch, _headroom, _board, _input_v, _low_limit, _coil)


def _share_in_hand(check: Check) -> Array:
    return np.asarray(check.in_hand / np.where(check.limit > 0, check.limit, 1e-12))


def _worse(a: Check, b: Check, measure: Callable[[Check], Array]) -> Check:
    """Return, state by state, the check with less in hand; a value that cannot be had is worst."""
    of_a, of_b = (np.where(np.isnan(measure(check)), -np.inf, measure(check)) for check in (a, b))
    first = of_a <= of_b
    why = a.why if bool(np.all(first)) else b.why if not bool(np.any(first)) else f"{a.why}; {b.why}"
    return Check(name=a.name, unit=a.unit, why=why, value=np.where(first, a.value, b.value),
                 limit=np.where(first, a.limit, b.limit), in_hand=np.where(first, a.in_hand, b.in_hand),
                 ok=a.ok & b.ok)
