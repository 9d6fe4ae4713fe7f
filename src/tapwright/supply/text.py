"""A supply report in words: the answer first, how sure, what is open, the next thing to do."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from tapwright.supply.answer import FAILS, MARGINAL, number
from tapwright.supply.bench import CAUTIONS
from tapwright.supply.checks import Check
from tapwright.supply.options import Option
from tapwright.supply.report import Report
from tapwright.supply.words import amps, days, farads, hours, lasts, ohms, share, volts, watts, with_unit

_WIDTH = 118
_MARK = {True: "ok  ", False: "FAIL"}


def text(said: Report) -> str:
    """Return a report as plain text."""
    blocks = [_answer(said), _checks(said), _figures(said), _ranges(said), _measured(said), _parts(said),
              _options(said), _advice(said), _bench(said), _next(said)]
    return "\n\n".join("\n".join(lines) for block in blocks if (lines := list(block))) + "\n"


def _answer(said: Report) -> Iterator[str]:
    answer, ran = said.answer, said.answer.run
    of_use = "" if answer.run_days is None else f", {days(answer.run_days)} of use"
    runs = lasts(ran.hours, ran.because, of_use)
    if answer.verdict == FAILS:
        # A value that cannot be had follows from another failure, which has one.
        causes = [check for check in answer.failing if number(check.value) is not None] or answer.failing
        yield from _wrap("fails: " + "; ".join(_short(check) for check in causes))
        if ran.hours > 0:
            yield f"  (it runs {runs})"
    elif ran.hours == 0:
        yield f"{answer.verdict}, but not for long: these cells are empty now; every check holds for their last row"
    else:
        thin = f" (little in hand: {', '.join(check.name for check in answer.thin)})" \
            if answer.verdict == MARGINAL else ""
        yield from _wrap(f"{answer.verdict}: {_middle(said)}it runs {runs}{thin}")
    yield from _wrap("  rests on: " + _basis(said))


def _middle(said: Report) -> str:
    """Return a warning where the verdict holds at the middle of the ranges but not for all drawn plans."""
    if said.spread is None or said.spread.share_ok == 1:
        return ""
    failing = 1 - said.spread.share_ok
    shown = share(failing, digits=1) if failing >= 0.001 else "< 0.1 %"
    return f"at the middle of your ranges ({shown} of the drawn plans fail) "


def _basis(said: Report) -> str:
    cells, string = said.plan.cells, said.answer.circuit.string
    curve = "your own cell curve" if cells.curve is not None else \
        f"the built-in table of {cells.chemistry} {cells.size} cells (a typical cell from published values, not yours)"
    state = "taken as fresh" if cells.open_v is None else "measured"
    ohm = "measured" if cells.ohm is not None else "from the curve"
    return (f"{curve}; {cells.series} in series, {volts(string.open_at(string.drawn_mah))} open ({state}), "
            f"{ohms(string.ohms_at(string.drawn_mah))} with contacts ({ohm})")


def _short(check: Check) -> str:
    value = with_unit(number(check.value), check.unit)
    return f"{check.name} ({value}, limit {with_unit(number(check.limit), check.unit)})"


def _checks(said: Report) -> Iterator[str]:
    yield "Checks, cells as they are now, at their worst moment:"
    for check in said.answer.checks:
        mark = "thin" if bool(check.marginal) else _MARK[bool(check.ok)]
        infinite = number(check.value) is None and bool(check.ok)
        value = "no end" if infinite else with_unit(number(check.value), check.unit)
        limit = "no limit" if number(check.limit) is None else with_unit(number(check.limit), check.unit)
        yield f"  {mark} {check.name:<38} {value:>14}  limit {limit}"
        if not bool(check.ok) and number(check.value) is not None:
            yield from _wrap(f"       {check.why}", indent=7)


def _figures(said: Report) -> Iterator[str]:
    answer, circuit = said.answer, said.answer.circuit
    if answer.peak_input_a is None:
        yield "The cells cannot deliver the burst, so nothing that depends on it has a value."
    else:
        yield (f"In the burst the converter draws {amps(answer.peak_input_a)} and the cells fall to "
               f"{volts(answer.lowest_cells_v)}; on average it takes {watts(number(circuit.average_input_w))}.")
    yield f"Off, {amps(number(circuit.off_a))} is drawn: {days(circuit.off_days)} on the shelf (self-discharge aside)."
    bulk = number(circuit.bulk_f)
    if bulk is None:
        yield "No capacitor can carry the burst: there is no droop to be had."
    elif bulk > 0:
        yield f"A capacitor of {farads(bulk)} carries the bursts (an upper bound: the converter then gives nothing)."
    if said.sag_v is not None:
        farad = said.document()["sag"]["farad"]  # type: ignore[index]
        yield f"For a sag of {volts(said.sag_v)}: {farads(farad)}."
    if said.burst is not None and said.plan.capacitor is not None:
        yield (f"With the capacitor of {farads(said.plan.capacitor.farad)}, {said.burst.rail}: down to "
               f"{volts(said.burst.capacitor_lowest_v)}.")
    if said.energy:
        whole = sum(said.energy.values()) or 1.0
        yield from _wrap("Watt-hours: " + ", ".join(f"{name} {wh:.3g} ({share(wh / whole)})"
                                                    for name, wh in said.energy.items() if wh > 0) + ".", indent=2)


def _ranges(said: Report) -> Iterator[str]:
    found = said.spread
    if found is None:
        return
    yield f"With your ranges, {share(found.share_ok, digits=1)} of {found.draws} drawn plans do not fail."
    run = number(found.worst["run_h"])
    yield f"  worst run: {lasts(math.inf if run is None else run, found.because)}"
    for name, ok in found.worst_ok.items():
        if not ok:
            unit = next(check.unit for check in said.answer.checks if check.name == name)
            yield (f"  at worst fails: {name} ({with_unit(found.worst[name], unit)}, limit "
                   f"{with_unit(found.worst_limit[name], unit)})")
    if found.widest is not None:
        yield f"  what moves the run time most: {found.widest}"


def _measured(said: Report) -> Iterator[str]:
    if said.measured:
        yield "Measured, and taken into the plan above:"
    for item in said.measured:
        expected = "nothing expected" if item.expected is None else \
            f"expected {with_unit(item.expected, item.unit)}: {'agrees' if item.agrees else 'does not agree'}"
        yield f"  {item.key} {with_unit(item.measured, item.unit)}, {expected}"


def _parts(said: Report) -> Iterator[str]:
    if said.part_checks:
        yield "Part check (at the worse of now and the end of the run):"
    for item in said.part_checks:
        yield from _wrap(f"  {item.words}", indent=4)
        if item.passes:
            yield from _wrap(f"    {item.passes}", indent=4)


def _options(said: Report) -> Iterator[str]:
    if not said.options:
        return
    yield f"Options, best by {said.wanted} first:"
    yield f"  {'':<42} {'':<9} {'run':>9} {'sag':>9} {'peak':>9}  parts changed"
    for option in said.options:
        yield _option(option)


def _option(option: Option) -> str:
    answer = option.answer
    return (f"  {option.name:<42} {answer.verdict:<9} {hours(answer.run.hours):>9} {volts(answer.sag_v):>9} "
            f"{amps(answer.peak_input_a):>9}  {', '.join(option.parts) or 'none'}")


def _advice(said: Report) -> Iterator[str]:
    if said.advice:
        yield "Mind:"
    for words in said.advice:
        yield from _wrap(f"  - {words}", indent=4)


def _bench(said: Report) -> Iterator[str]:
    yield "On the bench, before anything goes into the case:"
    for words in CAUTIONS:
        yield from _wrap(f"  ! {words}", indent=4)
    for i, item in enumerate(said.bench, 1):
        at = "" if item.set_v is None else f" Set {volts(item.set_v)}" \
            + (f" through {ohms(item.through_ohm)}" if item.through_ohm else "") \
            + ("" if item.limit_a is None else f", limit {amps(item.limit_a)}") + "."
        expect = "" if item.expect is None else f" Expect {with_unit(item.expect, item.unit)}."
        fails = f" The plan is wrong if {item.fails_if}." if item.fails_if else ""
        yield from _wrap(f"  {i}. {item.what}.{at}{expect}{fails}", indent=5)


def _next(said: Report) -> Iterator[str]:
    yield from _wrap(f"Next: {said.next}.", indent=2)


def _wrap(words: str, indent: int = 4) -> list[str]:
    return textwrap.wrap(words, _WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False)
