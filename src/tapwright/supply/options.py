"""What else could be done: each option is a changed plan, computed like the plan itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tapwright.supply.answer import Answer
from tapwright.supply.plan import CHEMISTRIES, Cells, Instrument, Load, Plan, Switch
from tapwright.supply.quantity import Quantity

WANTS = ("hours", "sag", "parts")
# Where a plan without a switching converter is turned into one with: 80 to 90 % at 100 to 300 mA, common practice.
_USUAL_EFFICIENCY = 0.85
_USUAL_SWITCH_OHM, _USUAL_SWITCH_OFF_A = 0.05, 1e-6  # a small logic-level MOSFET: common practice
_CHEMISTRY_WORDS = {"alkaline": "alkaline cells", "nimh": "NiMH cells", "lithium": "primary lithium cells"}


@dataclass(frozen=True, kw_only=True)
class Option:
    """A changed plan and what it comes to; `parts` are those that change."""

    name: str
    what: str
    parts: tuple[str, ...]
    answer: Answer


def options(plan: Plan, wanted: str = "hours") -> list[Option]:
    """Return the options, best first by `hours`, `sag` or `parts`."""
    plan = replace(plan, ranges={})
    found = [Option(name=name, what=what, parts=parts, answer=Answer(changed))
             for name, what, parts, changed in _changes(plan)]
    return sorted(found, key=lambda option: _order(option, wanted))


def _order(option: Option, wanted: str) -> tuple[float, ...]:
    """Return a sort key: what was asked first, the rest to break ties."""
    hours = -option.answer.run.hours
    sag = np.inf if option.answer.sag_v is None else option.answer.sag_v
    parts = float(len(option.parts))
    if wanted == "sag":
        return (sag, hours, parts)
    if wanted == "parts":
        return (parts, hours, sag)
    return (hours, sag, parts)


_Change = tuple[str, str, tuple[str, ...], Plan]


def _changes(plan: Plan) -> Iterator[_Change]:
    yield from _other_cells(plan)
    yield from _straight(plan)
    yield from _slower(plan)
    yield from _capacitor(plan)
    yield from _switched_off(plan)
    separate = replace(plan, instrument=Instrument())
    yield ("separate cells", "the board on a second set of the same cells, the instrument on its own",
           ("a second set of cells", "a holder"), separate)


def _other_cells(plan: Plan) -> Iterator[_Change]:
    cells = plan.cells
    if cells.open_v is not None:
        yield ("fresh cells", "new cells of the same kind", ("the cells",),
               replace(plan, cells=replace(cells, open_v=None, ohm=_fresh_ohm(plan))))
    for chemistry in CHEMISTRIES:
        if chemistry == cells.chemistry or (cells.curve is not None and cells.size not in ("AA", "AAA")):
            continue
        other = Cells(series=cells.series, chemistry=chemistry, size=cells.size, contact_ohm=cells.contact_ohm,
                      temperature_c=cells.temperature_c)
        yield (_CHEMISTRY_WORDS[chemistry], f"{cells.series} fresh {cells.size} {_CHEMISTRY_WORDS[chemistry]}, "
               "from the built-in table", ("the cells",), replace(plan, cells=other))


def _fresh_ohm(plan: Plan) -> Quantity | None:
    """Return a fresh cell's ohms where the plan's were measured on the cells as they are."""
    if plan.cells.ohm is None:
        return None
    string = Answer(plan).circuit.string
    ohm: Quantity = string.ohm[0] * string.ohm_scale
    return ohm


def _straight(plan: Plan) -> Iterator[_Change]:
    """Yield converters that make the board's own supply, without a linear regulator after them."""
    converter = plan.converter
    supply_v = converter.output_v if plan.regulator is None else plan.regulator.output_v
    if supply_v is None:
        return
    fresh_v = Answer(plan).circuit.string.fresh_v
    given = converter.efficiency if converter.switching else None
    efficiency = _USUAL_EFFICIENCY if given is None else given
    note = f", at {100 * _USUAL_EFFICIENCY:.0f} % (common practice)" if given is None else ""
    parts = ("the converter",) + (("no regulator",) if plan.regulator is not None else ())
    for kind in ("boost", "buck-boost"):
        same = plan.regulator is None and kind == converter.kind
        if same or (kind == "boost" and bool(np.any(fresh_v > supply_v))):
            continue
        straight = replace(converter, kind=kind, output_v=supply_v, efficiency=efficiency)
        yield (f"{kind} straight to the board's supply",
               f"a {kind} converter set to {float(supply_v):.3g} V and no regulator after it{note}", parts,
               replace(plan, converter=straight, regulator=None))


def _slower(plan: Plan) -> Iterator[_Change]:
    if any(load.pulsed for load in plan.load):
        loads = tuple(replace(load, every_s=load.every_s * 2) if load.every_s is not None else load
                      for load in plan.load)
        yield ("pulses half as often", "every pulsed load at twice its period (slower update)", (),
               replace(plan, load=loads))
    if any(not load.pulsed and np.any(load.amps > 0) for load in plan.load):
        loads = tuple(load if load.pulsed else replace(load, seconds=30.0, every_s=60.0) for load in plan.load)
        yield ("board asleep half the time", "the steady loads on for half of each minute", (),
               replace(plan, load=loads))


def _switched_off(plan: Plan) -> Iterator[_Change]:
    if plan.switch is None or (plan.switch.kind == "enable" and not plan.converter.load_disconnect):
        mosfet = Switch(kind="mosfet", ohm=_USUAL_SWITCH_OHM, off_a=_USUAL_SWITCH_OFF_A)
        yield ("MOSFET before the converter",
               f"a MOSFET of {_USUAL_SWITCH_OHM:g} ohm with {_USUAL_SWITCH_OFF_A * 1e6:g} uA when off (common "
               "practice; check its gate drive)", ("a MOSFET switch",), replace(plan, switch=mosfet))


def _capacitor(plan: Plan) -> Iterator[_Change]:
    circuit = Answer(plan).circuit
    farad = float(circuit.bulk_f)
    if not np.isfinite(farad) or farad <= 0:
        return
    mean = sum(load.amps * load.duty for load in plan.load)
    yield ("capacitor for the bursts",
           f"{farad * 1e6:.3g} uF across the converter's output carries every pulse, so that the converter gives the "
           "mean (the bound: it is taken to give nothing in the burst)",
           ("a capacitor",), replace(plan, load=(Load(amps=mean, name="mean of all loads"),)))
