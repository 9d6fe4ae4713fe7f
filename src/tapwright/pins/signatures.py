"""Readings made comparable: shares of the supply, the meter's gain taken out, equal cells met once.

In: a `Survey` and the supply. Out: `Evidence`: for every pad and state the place of its *signature* (what was measured
there, under which tests) in a list of distinct ones, so that the work that follows grows with what differs.

Source: the supply's own reading in the same state is the reference, so that the meter's gain error cancels and only
its counts and scatter are left (a ratio of two readings of one meter).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.errors import SurveyError
from tapwright.evidence.survey import Column, Survey, is_off
from tapwright.evidence.survey_cells import AC, HZ, OHMS, VOLTS, Cell
from tapwright.pins.predict import Probe

NEAR = 0.03  # readings this near to the highest steady level count as being at the supply
APART = 0.008  # levels this share apart are two, whatever the meter
FINEST = 2e-4  # no meter's count is finer than this share of its reading: 5000 counts


@dataclass(frozen=True)
class Meter:
    """What the meter's book says: `percent` of reading plus `counts`; input resistance in ohms."""

    percent: float = 0.5
    counts: float = 2.0
    ohm: float = 10e6


@dataclass(frozen=True)
class Reading:
    """One cell of a running state, as a share of the supply; `kind` is volts, ac or hz."""

    kind: str
    test: Probe
    at: float
    sd: float
    span: float


Signature = tuple[Reading, ...]


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """A survey in shares of the supply.

    Parameters
    ----------
    states : the running states
    signatures : distinct ones, the first is empty
    of_pad : int, shape (n_pads, n_states), place in `signatures`
    plain : float, shape (n_pads, n_states): the plain reading, nan where blank
    supply_up : bool, shape (n_states,): something stands at the supply there
    shift : how far the load's source may stand from the rail, share
    gain_sd : scatter of the readings that is no count, share
    off : share read by each pad with the instrument off, nan where not measured
    ohms : ohms to ground by pad with the cells out, nan where not measured
    """

    supply_v: float
    meter: Meter
    states: tuple[str, ...]
    signatures: tuple[Signature, ...]
    of_pad: NDArray[np.int64]
    plain: NDArray[np.float64]
    supply_up: NDArray[np.bool_]
    shift: float
    gain_sd: float
    off: NDArray[np.float64]
    ohms: NDArray[np.float64]
    counts: NDArray[np.float64]


def infer_supply(survey: Survey) -> float:
    """Return the supply's volts from the survey itself: the highest level at which a pad stands in all states.

    Raises
    ------
    SurveyError : no pad stands at one level of 0.8 V or more in every running state in which it was measured
    """
    tops = []
    plain = [i for i, column in enumerate(survey.columns) if column.is_plain and not is_off(column.state)]
    for cells in survey.cells:
        seen = [cells[i].middle for i in plain if i in cells]
        if len(seen) < max(1, (len(plain) + 1) // 2):
            continue
        if min(seen) >= 0.8 and max(seen) - min(seen) <= 0.05 * max(seen):
            tops.append(float(np.median(seen)))
    if not tops:
        highest = max(((cells[i].middle, p, i) for p, cells in enumerate(survey.cells) for i in plain if i in cells),
                      default=None)
        found, line, place = "no supply given, and no pad stands at one level of 0.8 V or more in all states", None, ""
        if highest is not None:
            volts, p, i = highest
            found += f"; the highest reading is this one, {volts:g} V"
            line, place = survey.lines[p], f"column {survey.columns[i].number} '{survey.columns[i].heading}'"
        raise SurveyError(found, path=survey.path, line=line, place=place, expected="the supply's volts",
                          do="give it with --supply")
    top = max(tops)
    return round(float(np.median([value for value in tops if value >= top * (1 - NEAR)])), 3)


def gather(survey: Survey, supply_v: float, meter: Meter) -> Evidence:
    """Return a survey as evidence (see `Evidence`)."""
    states = survey.running
    place = {state: k for k, state in enumerate(states)}
    reference = _references(survey, supply_v, meter)
    gain_sd = _gain_scatter(survey, reference, meter)
    lists: list[list[list[Reading]]] = [[[] for _ in states] for _ in survey.pads]
    plain = np.full((len(survey.pads), len(states)), np.nan)
    counts = np.full(len(states), 0.01 / supply_v)
    off = np.full(len(survey.pads), np.nan)
    ohms = np.full(len(survey.pads), np.nan)
    for p, cells in enumerate(survey.cells):
        for i, cell in cells.items():
            column = survey.columns[i]
            if column.quantity == OHMS:
                ohms[p] = cell.middle
            elif column.state not in place:
                if column.is_plain:
                    off[p] = cell.middle / supply_v
            elif column.trial is None:
                k = place[column.state]
                reading = _reading(column, cell, reference[column.state, column.meter], gain_sd, meter)
                lists[p][k].append(reading)
                if column.is_plain:
                    plain[p, k] = reading.at
                    counts[k] = min(counts[k], reading.sd)
    distinct: dict[Signature, int] = {(): 0}
    of_pad = np.array([[distinct.setdefault(tuple(cell), len(distinct)) for cell in row] for row in lists], np.int64)
    rails = np.array([reference[state, ""] for state in states]) if states else np.zeros(0)
    up = np.array([bool((plain[:, k] > 0.9).any()) for k in range(len(states))], np.bool_)
    shift = float(np.clip(np.max(np.abs(supply_v / rails - 1), initial=0.0), 0.003, 0.1))
    return Evidence(
        supply_v=supply_v, meter=meter, states=states, signatures=tuple(distinct),
        of_pad=of_pad.reshape(len(survey.pads), len(states)), plain=plain, supply_up=up, shift=shift, gain_sd=gain_sd,
        off=off, ohms=ohms, counts=counts)


def _references(survey: Survey, supply_v: float, meter: Meter) -> dict[tuple[str, str], float]:
    """Return what each meter shows for the supply in each running state.

    The middle of the highest cluster near the supply in all states, unless one state's cluster stands clearly apart.
    """
    result: dict[tuple[str, str], float] = {}
    for name in {column.meter for column in survey.columns} | {""}:
        near: dict[str, dict[int, Cell]] = {}
        for i, column in enumerate(survey.columns):
            if column.is_plain and column.meter == name and not is_off(column.state):
                near[column.state] = {p: cells[i] for p, cells in enumerate(survey.cells) if i in cells
                                      and cells[i].span == 0 and abs(cells[i].middle / supply_v - 1) <= 0.1}
        # Nothing stands above the supply: what lies under the top by more than the meter's counts is a pull or a
        # clamped line, and would draw the reference down. Such a pad is none where it stands alone either.
        tops = {state: _at_top(cells, meter) for state, cells in near.items()}
        sagging = {p for state, cells in near.items() for p in cells.keys() - tops[state].keys()
                   if cells[p].middle < (1 - APART) * max(cell.middle for cell in cells.values())}
        steady = {state: {p: cell for p, cell in cells.items() if p not in sagging} for state, cells in tops.items()}
        if any(steady.values()):
            tops = steady
        every = [cell.middle for cells in tops.values() for cell in cells.values()]
        whole = float(np.median(every)) if every else result.get(("", ""), supply_v)
        for state in survey.running:
            own = [cell.middle for cell in tops.get(state, {}).values()]
            middle = float(np.median(own)) if own else whole
            result[state, name] = middle if abs(middle / whole - 1) > APART and len(own) > 0 else whole
        result.setdefault((name, ""), whole)
    return result


def _at_top(cells: dict[int, Cell], meter: Meter) -> dict[int, Cell]:
    """Return the cells, by pad, that stand at the highest of them as far as the meter can tell."""
    top = max(cells.values(), key=lambda cell: cell.middle, default=None)
    return {} if top is None else {
        p: cell for p, cell in cells.items() if cell.middle >= top.middle - _reach(top, meter)}


def _reach(cell: Cell, meter: Meter) -> float:
    """Return how far two readings of one level may lie apart, volts: the counts of both, and a little scatter."""
    return min((2 * meter.counts + 0.5) * cell.count + 0.002 * cell.middle, NEAR / 2 * cell.middle)


def _gain_scatter(survey: Survey, reference: dict[tuple[str, str], float], meter: Meter) -> float:
    book = meter.percent / 100 * 0.4
    off = []
    for i, column in enumerate(survey.columns):
        if column.is_plain and not is_off(column.state):
            top = reference[column.state, column.meter]
            for cells in survey.cells:
                if i in cells and abs(cells[i].middle - top) <= _reach(cells[i], meter):
                    count = 0.6 * meter.counts * max(cells[i].count / top, FINEST / 2)
                    off.append(max((cells[i].middle / top - 1) ** 2 - count**2, 0.0))
    # Four readings' worth of belief in the book, then what the readings themselves show (capped: outliers are slips).
    own = float(np.minimum(np.array(off), (2 * book) ** 2).sum()) if off else 0.0
    return math.sqrt((own + 4 * book**2) / (len(off) + 4))


@functools.lru_cache(maxsize=65536)
def _reading(column: Column, cell: Cell, reference: float, gain_sd: float, meter: Meter) -> Reading:
    test = Probe(column.module_out, column.load.ohm if column.load else math.inf,
                bool(column.load and column.load.to == "supply"))
    if column.quantity == HZ:
        return Reading(HZ, test, cell.middle, 1.0, 0.0)
    at = cell.middle / reference
    if column.quantity == AC:
        return Reading(AC, test, round(max(at, 0.0), 3), 1.0, 0.0)
    count = max(cell.count / reference, FINEST)
    sd = math.hypot(0.6 * meter.counts * count, gain_sd * at, 1e-5)
    step = 10.0 ** math.floor(math.log10(sd / 4))  # equal to the eye of the likelihood: rounding joins such cells
    return Reading(VOLTS, test, round(round(at / step) * step, 9), float(f"{sd:.2g}"), round(cell.span / reference, 3))
