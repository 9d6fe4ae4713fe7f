"""The bench check: three measurements that confirm a plan on a bench supply, what to expect, and what was measured."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tapwright.core.errors import PlanError
from tapwright.core.toml import TomlFile, load_toml
from tapwright.supply.answer import Answer
from tapwright.supply.plan import HOURS_A_DAY, Plan
from tapwright.supply.words import amps, ohms, volts

CAUTIONS = (
    "Take the cells out first; never join a bench supply to cells, and never charge primary cells.",
    "Disconnect the instrument's probes and every USB or network lead: the case's inner ground is at the COM lead.",
    "Set volts and current limit before you connect; check the polarity twice.",
)
# How far a measurement may lie from what the plan expects and still confirm it: common practice.
_AGREES = 0.15
_KEYS = ("start_v", "peak_a", "peak_at_v", "off_a", "open_v", "loaded_v", "loaded_a")


@dataclass(frozen=True, kw_only=True)
class Measurement:
    """One measurement to make: what to set, what to expect, from where on the plan would fail."""

    key: str
    what: str
    set_v: float | None
    through_ohm: float
    limit_a: float | None
    expect: float | None
    unit: str
    fails_if: str


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A measurement made, beside what the plan had expected."""

    key: str
    measured: float
    expected: float | None
    unit: str
    agrees: bool | None


def bench(answer: Answer) -> list[Measurement]:
    """Return the three measurements that confirm a plan."""
    circuit, plan = answer.circuit, answer.plan
    drawn = answer.run.drawn_mah
    point = circuit.point(circuit.currents.burst_a, drawn)
    end_v, peak = _finite(point.string_v), _finite(point.input_a)
    open_v, ohm = float(circuit.string.open_at(drawn)), float(circuit.string.ohms_at(drawn))
    limit_a = None if peak is None else 1.5 * peak + float(circuit.beside_a)
    least = plan.converter.start_v if plan.converter.start_v is not None else plan.converter.input_min_v
    shelf_a = float(circuit.string.left_mah) / 1e3 / (float(plan.use.shelf_days) * HOURS_A_DAY) \
        if float(plan.use.shelf_days) > 0 else None
    off_a = _finite(circuit.off_a)
    return [
        Measurement(
            key="start_v", what="start: switch the board on at the lowest volts of the run, with the cells' resistance "
            "in series; then lower the volts until it no longer starts", set_v=open_v, through_ohm=ohm, limit_a=limit_a,
            expect=None if least is None else float(least), unit="V",
            fails_if=f"it does not start at {volts(open_v)} through {ohms(ohm)}"),
        Measurement(
            key="peak_a", what="peak current into the converter (current probe or shunt and scope, not an averaging "
            "meter) while the board sends", set_v=end_v, through_ohm=0.0, limit_a=limit_a, expect=peak, unit="A",
            fails_if="" if peak is None else f"it is above {amps(peak * (1 + _AGREES))}"),
        Measurement(
            key="off_a", what="current with the board switched off, after a minute, meter in its lowest range that "
            "lets the board start", set_v=float(circuit.string.fresh_v), through_ohm=0.0, limit_a=limit_a, expect=off_a,
            unit="A", fails_if="" if shelf_a is None else f"it is above {amps(shelf_a)}"),
    ]


def read_measured(path: Path) -> dict[str, float]:
    """Read a file of what was measured: TOML, any of the keys of `_KEYS`, one number each.

    Raises
    ------
    PlanError : the file cannot be read, a key is unknown or without its partner, a value is no number or out of range
    """
    file = load_toml(path, error=PlanError)
    file.check_keys("", file.values, _KEYS)
    found = {key: _positive(file, key) for key in file.values}
    for key, partners in (("peak_a", ("peak_at_v",)), ("peak_at_v", ("peak_a",)),
                          ("loaded_v", ("open_v", "loaded_a")), ("loaded_a", ("open_v", "loaded_v"))):
        for partner in partners:
            if key in found and partner not in found:
                file.fail(key, f"'{key}' without '{partner}'", expected=f"'{key}' together with '{partner}'")
    if not found:
        raise PlanError("nothing measured", path=path, expected="any of " + ", ".join(_KEYS))
    if "loaded_v" in found and (found["loaded_v"] > found["open_v"] or found["loaded_a"] == 0):
        file.fail("loaded_v", f"{found['loaded_v']:g} V at {found['loaded_a']:g} A from {found['open_v']:g} V open",
                  expected="less than the open volts, at a current over 0")
    return found


def _positive(file: TomlFile, key: str) -> float:
    value = file.values[key]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        file.fail(key, f"{key} is no number", expected="a number")
    number = float(value) if abs(value) < 1e300 else np.inf
    if not np.isfinite(number) or number < 0 or (number == 0 and key.endswith("_v")):
        file.fail(key, f"{key} is {number:g}", expected="a finite number of 0 or more, volts over 0")
    return number


def compare(plan: Plan, measured: dict[str, float]) -> list[Measured]:
    """Return what was measured beside what the plan expects of it."""
    answer = Answer(replace(plan, ranges={}))
    least = plan.converter.start_v if plan.converter.start_v is not None else plan.converter.input_min_v
    expected: dict[str, float | None] = {
        "start_v": None if least is None else float(least), "off_a": _finite(answer.circuit.off_a),
        "peak_a": _expected_peak(plan, measured) if "peak_at_v" in measured else None,
        "open_v": None if plan.cells.open_v is None else float(plan.cells.open_v),
    }
    found = []
    for key in ("start_v", "peak_a", "off_a", "open_v"):
        if key in measured:
            value, want = measured[key], expected[key]
            agrees = None if want is None else value <= want * (1 + _AGREES) if key != "open_v" \
                else abs(value - want) <= 0.05 * want
            found.append(Measured(key=key, measured=value, expected=want, unit=key[-1].upper(), agrees=agrees))
    return found


def _expected_peak(plan: Plan, measured: dict[str, float]) -> float:
    """Return the converter's input current in the burst with its input at the measured volts."""
    circuit = Answer(plan).circuit
    burst_a = circuit.currents.burst_a
    if not plan.converter.switching:
        return float(burst_a) + (0.0 if plan.converter.kind == "none" else float(plan.converter.quiescent_a))
    assert circuit.efficiency is not None
    assert plan.converter.output_v is not None
    at_v = measured["peak_at_v"]
    need = plan.converter.output_v * burst_a / circuit.efficiency.at(at_v, burst_a)
    return float(need / at_v + plan.converter.quiescent_a)


def with_measured(plan: Plan, measured: dict[str, float], path: Path) -> Plan:
    """Return the plan with what was measured in the place of what was assumed.

    Raises
    ------
    PlanError : a measured value cannot be: more power out of the converter than in
    """
    plan = _with_cells(plan, measured)
    if "start_v" in measured:
        plan = _put(plan, {"converter.start_v": measured["start_v"]})
    if "peak_a" in measured:
        plan = _with_peak(plan, measured, path)
    if "off_a" in measured:
        plan = _with_off(plan, measured["off_a"])
    return plan


def _with_cells(plan: Plan, measured: dict[str, float]) -> Plan:
    if "open_v" in measured:
        plan = _put(plan, {"cells.open_v": measured["open_v"]})
    if "loaded_v" in measured:
        string_ohm = (measured["open_v"] - measured["loaded_v"]) / measured["loaded_a"]
        # Measured at the clips: what the contacts take of it is in `contact_ohm` already.
        each = max(string_ohm - float(plan.cells.contact_ohm), 0.0) / plan.cells.series
        plan = _put(plan, {"cells.ohm": each})
    return plan


def _with_peak(plan: Plan, measured: dict[str, float], path: Path) -> Plan:
    ratio = measured["peak_a"] / _expected_peak(plan, measured)
    converter = plan.converter
    if not converter.switching:
        loads = tuple(replace(load, amps=load.amps * ratio) for load in plan.load)
        return replace(_without(plan, "load."), load=loads)
    given = converter.efficiency
    rows = given if isinstance(given, tuple) else ((0.0, 0.0, given),)
    factor = 1.0 / ratio if ratio > 0 else np.inf
    scaled = tuple((v, a, float(e) * factor) for v, a, e in rows if e is not None)
    best = max(e for _, _, e in scaled)
    if best > 1:
        raise PlanError(
            f"peak_a {measured['peak_a']:g} A at {measured['peak_at_v']:g} V means an efficiency of {best:.2f}",
            path=path, place="key peak_a", expected="less power out than in",
            do="measure the peak, not the average, with every load on; if it stays, the board draws less than "
            "the plan says: lower its [[load]] amps")
    return replace(_without(plan, "converter.efficiency"),
                   converter=replace(converter, efficiency=scaled if isinstance(given, tuple) else scaled[0][2]))


def _with_off(plan: Plan, off_a: float) -> Plan:
    own = min(float(plan.instrument.off_a), off_a)
    rest = off_a - own
    values: dict[str, float] = {"instrument.off_a": own}
    if plan.switch is None:
        return plan  # never off: there is no off state that a measurement could settle
    if plan.switch.kind == "mosfet":
        return _put(plan, values | {"switch.off_a": rest})
    plan = replace(plan, converter=replace(plan.converter, load_disconnect=True))
    return _put(plan, values | {"converter.shutdown_a": rest})


def _put(plan: Plan, values: dict[str, float]) -> Plan:
    """Set numbers and drop their ranges: what was measured is no longer spread."""
    for key in values:
        plan = _without(plan, key)
    return plan.with_values(values)


def _without(plan: Plan, prefix: str) -> Plan:
    return replace(plan, ranges={key: ends for key, ends in plan.ranges.items() if not key.startswith(prefix)})


def _finite(value: object) -> float | None:
    number = float(np.asarray(value, dtype=np.float64))
    return number if np.isfinite(number) else None
