"""The evidence in words, and what a test would tell apart: nothing is decided here.

In: a survey with its evidence and beliefs. Out: sentences, and the resistance behind a pad from its loaded readings.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.survey import CELLS_OUT, Column, Survey, is_off, ohm_text
from tapwright.evidence.survey_cells import OHMS, VOLTS, Cell
from tapwright.pins.advise import Ask
from tapwright.pins.circuits import DATA, DEAD, DRIVERS, FLOATING, ROLES, branches, circuits
from tapwright.pins.feeds import CLAMP_V
from tapwright.pins.moves import LOST
from tapwright.pins.posterior import Beliefs
from tapwright.pins.signatures import Evidence

MOST_STATES = 4


def evidence_words(survey: Survey, evidence: Evidence, beliefs: Beliefs, p: int) -> tuple[str, ...]:
    """Return what speaks for the finding, most telling last measured first."""
    words = [_levels(survey, evidence, p)]
    if not all(column.is_plain for column in survey.columns):
        words += _loads(survey, evidence.supply_v, p)
        words += _module_out(survey, p)
    words += _others(survey, p)
    if _is_back_fed(evidence, beliefs, p):
        words.append("a diode drop over a rail without supply: back-fed through a chip's clamp, which is not a pull")
    words += _one_sided(beliefs, p)
    return tuple(word for word in words if word)


def source_ohm(survey: Survey, evidence: Evidence, beliefs: Beliefs, p: int) -> float | None:
    """Return the resistance behind a pad, from the load that moved its reading most clearly; None where none did.

    Source: the divider of Thevenin's theorem, R = r (V0 - V) / (V - E) with E where the load goes.
    """
    best: tuple[float, float] | None = None
    for i, cell in survey.cells[p].items():
        column = survey.columns[i]
        if column.load is None or column.trial or column.quantity != VOLTS or cell.span or column.module_out:
            continue
        start = _unloaded(survey, p, column)
        if start is None or start.span:
            continue
        end = 0.0 if column.load.to == "ground" else evidence.supply_v
        moved, left = start.middle - cell.middle, cell.middle - end
        noise = 1.2 * cell.count + evidence.gain_sd * abs(cell.middle)
        if abs(moved) < 3 * noise or abs(left) < 3 * noise or moved * left < 0:
            continue
        error = noise / abs(moved) + noise / abs(left)
        if best is None or error < best[0]:
            best = (error, column.load.ohm * moved / left)
    if best is not None and best[0] < 0.5:
        return float(f"{best[1]:.3g}")
    return _believed_ohm(survey, beliefs, p)


def why(ask: Ask, survey: Survey, beliefs: Beliefs) -> str:
    """Return which explanations a test tells apart."""
    p = survey.pads.index(ask.pad)
    all_ = circuits()
    pairs = [(float(beliefs.circuit[p, (all_.role == r) & (all_.driver == d)].sum()), r, d)
             for r in range(len(ROLES)) for d in range(len(DRIVERS))]
    likely = [pair for pair in sorted(pairs, reverse=True)[:3] if pair[0] >= 0.02]
    named = [f"{_explained(r, d)} ({share * 100:.0f} %)" for share, r, d in likely]
    told = f"tells {named[0]} from {' and '.join(named[1:])}" if len(named) > 1 else f"confirms {named[0]}"
    if ask.load == "module out":
        told = f"what stays driven is the instrument's, on every pad at once; on pad {ask.pad} it {told}"
    elif ask.state == CELLS_OUT:
        told = f"a link or a pull shows in seconds; {told}"
    return told


def _explained(role: int, driver: int) -> str:
    if role == FLOATING:
        return "floating"
    by = {"instrument": "driven by the instrument", "module": "driven by the module", "pull": "held by a resistor",
          "nothing": ""}[DRIVERS[driver]]
    return f"{ROLES[role]} {by}" if ROLES[role] not in ("ground", "supply", "switched supply") else ROLES[role]


def _levels(survey: Survey, evidence: Evidence, p: int) -> str:
    groups: list[tuple[float, str, list[str]]] = []
    for i, column in enumerate(survey.columns):
        cell = survey.cells[p].get(i)
        if cell is None or not column.is_plain or is_off(column.state) or column.meter:
            continue
        reach = max(0.02 * evidence.supply_v, 2 * cell.count) if not cell.span else 0.0
        middle = cell.middle
        near = next((group for group in groups if abs(group[0] - middle) < reach), None)
        if near:
            near[2].append(column.state)
        else:
            groups.append((cell.middle if not cell.span else math.inf, volts(cell), [column.state]))
    if not groups:
        return "not measured in any running state"
    if len(groups) == 1 and len(groups[0][2]) > 1:
        return f"{groups[0][1]} in all {len(groups[0][2])} states measured"
    return "; ".join(f"{shown} in {_listed(states)}" for _, shown, states in groups[:6])


def _loads(survey: Survey, supply_v: float, p: int) -> list[str]:
    words = []
    for i, cell in survey.cells[p].items():
        column = survey.columns[i]
        if column.load is None or column.quantity != VOLTS:
            continue
        start = _unloaded(survey, p, column)
        where = f"{column.state}, module out" if column.module_out else column.state
        moved = f"{volts(start)} becomes {volts(cell)}" if start is not None else volts(cell)
        end = "" if start is None else f": {_verdict(start, cell, column, supply_v)}"
        words.append(f"{column.load.text} in {where}: {moved}{end}")
    return words


def _verdict(start: Cell, cell: Cell, column: Column, supply_v: float) -> str:
    assert column.load is not None
    moved = abs(start.middle - cell.middle)
    left = cell.middle if column.load.to == "ground" else supply_v - cell.middle
    if moved <= max(3 * cell.count, 0.02 * max(abs(start.middle), abs(cell.middle), 0.2)):
        return "it holds, a stiff driver or a rail" if left > 0.1 * supply_v else "it was there already"
    if left < 0.02 * supply_v:
        return "it gives way, nothing holds it"
    if moved < 0.12 * supply_v:
        return "it hardly moves, a driver holds it"
    return "it gives way in part, a resistor holds it"


def _module_out(survey: Survey, p: int) -> list[str]:
    words = []
    for i, cell in survey.cells[p].items():
        column = survey.columns[i]
        if column.module_out and column.load is None and column.quantity == VOLTS:
            start = survey.cells[p].get(_plain_column(survey, column.state))
            before = f" (was {volts(start)})" if start is not None else ""
            held = f", pad {column.trial.pad} held {column.trial.drive}" if column.trial else ""
            words.append(f"module out in {column.state}{held}: {volts(cell)}{before}")
    return words


def _others(survey: Survey, p: int) -> list[str]:
    words = []
    for i, cell in survey.cells[p].items():
        column = survey.columns[i]
        if column.quantity == OHMS:
            shown = "open" if math.isinf(cell.middle) else f"{ohm_text(cell.middle)} ohm"
            words.append(f"cells out: {shown} to ground")
        elif column.quantity != VOLTS:
            unit = "V AC" if column.quantity == "ac" else "Hz"
            words.append(f"{column.state}: {cell.middle:g} {unit}")
        elif is_off(column.state) and column.is_plain:
            words.append(f"off: {volts(cell)}")
    return words


def _one_sided(beliefs: Beliefs, p: int) -> list[str]:
    low, high = _drive_one_way()
    if float(beliefs.circuit[p, low].sum()) >= 0.9:
        return ["stiff low, soft high: an open drain with a pull-up"]
    if float(beliefs.circuit[p, high].sum()) >= 0.9:
        return ["stiff high, soft low: it drives high only, a resistor pulls it down"]
    return []


@functools.cache
def _drive_one_way() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the lines that drive low alone and those that drive high alone."""
    all_ = circuits()
    line = (all_.driver <= 1) & (all_.role >= 5) & (all_.role <= DATA)
    return np.flatnonzero(line & ~np.isfinite(all_.high_ohm)), np.flatnonzero(line & ~np.isfinite(all_.low_ohm))


def _is_back_fed(evidence: Evidence, beliefs: Beliefs, p: int) -> bool:
    """Whether the pad reads a clamp's drop in a state in which the module is likely without supply."""
    lost = np.zeros(len(evidence.states))
    for feed in beliefs.feeds:
        lost += feed.share * (feed.dead == LOST)
    seen = evidence.plain[p] * evidence.supply_v
    with np.errstate(invalid="ignore"):
        clamped = (seen >= CLAMP_V[0]) & (seen <= CLAMP_V[1]) & (lost > 0.5)
    return bool(clamped.any()) and bool(beliefs.circuit[p, _mortal()].sum() > 0.5)


@functools.cache
def _mortal() -> NDArray[np.int64]:
    """Return the circuits that a module without supply lets go of."""
    return np.unique(branches().circuit[branches().does == DEAD])


def _believed_ohm(survey: Survey, beliefs: Beliefs, p: int) -> float | None:
    """Return the middle of the believed resistances where a load was tried but moved too little to divide by."""
    if not any(survey.columns[i].load is not None for i in survey.cells[p]):
        return None
    all_ = circuits()
    pull = np.minimum(all_.pull_i, all_.pull_m)
    ohm = np.minimum(np.minimum(all_.high_ohm, all_.low_ohm), pull)
    known = np.isfinite(ohm)
    share = beliefs.circuit[p, known]
    if share.sum() < 0.5:
        return None
    return float(f"{math.exp(float(share @ np.log(ohm[known]) / share.sum())):.2g}")


def _unloaded(survey: Survey, p: int, column: Column) -> Cell | None:
    """Return the same pad's reading in the same state without the load."""
    for i, other in enumerate(survey.columns):
        if other.state == column.state and other.load is None and other.trial is None and other.quantity == VOLTS \
                and other.module_out == column.module_out and other.meter == column.meter and i in survey.cells[p]:
            return survey.cells[p][i]
    return None


def _plain_column(survey: Survey, state: str) -> int:
    return next(i for i, column in enumerate(survey.columns) if column.state == state and column.is_plain)


def volts(cell: Cell) -> str:
    """Return a reading as it was shown."""
    digits = max(0, min(4, round(-math.log10(cell.count)))) if 0 < cell.count < 1 else 0
    if cell.span:
        return f"{cell.low:.{digits}f}..{cell.high:.{digits}f} V"
    return f"{cell.middle:.{digits}f} V"


def _listed(states: list[str]) -> str:
    if len(states) <= MOST_STATES:
        return ", ".join(states)
    return ", ".join(states[:MOST_STATES - 1]) + f" and {len(states) - MOST_STATES + 1} more"
