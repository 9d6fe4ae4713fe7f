"""What to measure next: the expected information of every test that can still be made, over what it costs.

In: a survey, its evidence and the beliefs. Out: `Ask` entries, best first. A test's worth is the mutual information, in
bits, between its reading and the pad's role and driver; a column with the module out is worth the sum over its pads.
Only tests that keep the supply over the resistor under 1 mA are ever proposed, and none that the survey holds.

Source: expected information gain (Lindley 1956, "On a measure of the information provided by an experiment").
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.survey import CELLS_OUT, Load, Survey, ohm_text
from tapwright.pins import likelihood
from tapwright.pins.circuits import DRIVERS, ROLES, branches, circuits
from tapwright.pins.moves import OFTEN, Shares, Stay, Sums, branch_base
from tapwright.pins.posterior import Beliefs, Model, Weighed
from tapwright.pins.predict import ANYWHERE, DRIFTING, Forecast, Probe, class_of_branches, forecast
from tapwright.pins.signatures import Evidence

SETTLED = 0.97
LEAST_BITS = 0.01
MOST_AMPS = 1e-3
#: What a test costs, an ordinary load being 1: an hour of unsoldering dwarfs all others, until it is done.
COST = {"plain": 0.5, "ohms": 0.7, "load": 1.0, "module out": 4.0, "out again": 2.0, "out load": 6.0,
        "out load again": 1.2}
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)  # IEC 60063
EDGES = np.array([-0.02, 0.0015, 0.004, 0.01, 0.025, 0.06, 0.12, 0.2, 0.3, 0.45, 0.6, 0.75, 0.86, 0.93, 0.965, 0.98,
                  0.988, 0.993, 0.9965, 0.9985])
OHM_BINS = np.array([0.1, 0.3, 1.0, 3.0, 30.0, 300.0, *np.geomspace(1e3, 5e6, 12), np.inf])
MANY, MOST_PLANNED = 400, 32  # pads times states beyond which only telling states, and so many pads, are looked at
NEGLIGIBLE = 1e-5
_N_CLASSES = len(ROLES) * len(DRIVERS)


@dataclass(frozen=True)
class Ask:
    """A measurement to make: `load` and `state` as the survey's headings spell them (joined by " / ")."""

    pad: str
    state: str
    load: str
    bits: float
    cost: float
    ohm: float = math.inf
    to: str = ""

    @property
    def gain_bits(self) -> float:
        """Bits over cost."""
        return self.bits / self.cost


def e12_at_least(ohm: float) -> float:
    """Return the smallest E12 resistor above `ohm`."""
    decade = 10.0 ** math.floor(math.log10(ohm))
    for value in (*E12, 10.0, 12.0):
        if value * decade > ohm * 1.0000001:
            return float(f"{value * decade:.3g}")
    raise AssertionError("a decade holds a larger value")


def load_ohms(volts: float) -> tuple[float, ...]:
    """Return the resistors worth trying at a supply: the stiffest under 1 mA, 10k and 100k."""
    stiff = e12_at_least(volts / MOST_AMPS * 1.05)
    return tuple(sorted({stiff, max(1e4, e12_at_least(stiff * 2)), max(1e5, stiff)}))


def settled(beliefs: Beliefs) -> NDArray[np.bool_]:
    """Return which pads' role and driver both stand at 0.97 or more."""
    return np.asarray((beliefs.role.max(1) >= SETTLED) & (beliefs.driver.max(1) >= SETTLED))


def advise(survey: Survey, evidence: Evidence, model: Model, beliefs: Beliefs) -> list[Ask]:
    """Return what could be measured next, best first; empty when all is settled or nothing adds 0.01 bit."""
    open_ = np.flatnonzero(~settled(beliefs))
    if evidence.of_pad.size > MANY:
        # Of very many pads the most uncertain ones first: the list is read from its top.
        open_ = np.sort(open_[np.argsort(beliefs.role[open_].max(1), kind="stable")[:MOST_PLANNED]])
    if not len(open_) or not evidence.states:
        return []
    asks = _ohm_asks(survey, evidence, beliefs, open_) + _Planner(survey, evidence, model, beliefs, open_).asks()
    good = [ask for ask in asks if ask.bits >= LEAST_BITS]
    return sorted(good, key=lambda ask: (-ask.gain_bits, ask.pad, ask.state, ask.load))


def information(by_class: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mutual information in bits of class and outcome; `by_class` has shape (..., n_classes, n_bins)."""
    total = by_class.sum((-1, -2), keepdims=True)
    joint = by_class / np.maximum(total, 1e-30)
    outside = joint.sum(-1, keepdims=True) * joint.sum(-2, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(joint > 1e-15, joint * np.log2(joint / np.maximum(outside, 1e-30)), 0.0)
    return np.asarray(np.maximum(terms.sum((-1, -2)), 0))


def _ohm_asks(survey: Survey, evidence: Evidence, beliefs: Beliefs, open_: NDArray[np.int64]) -> list[Ask]:
    mass = _ohm_masses()
    asks = []
    classes = circuits().role.astype(np.int64) * len(DRIVERS) + circuits().driver
    for p in open_:
        if np.isnan(evidence.ohms[p]) and not _all_blank(survey, CELLS_OUT, "ohms to ground"):
            table = np.zeros((_N_CLASSES, mass.shape[1]))
            np.add.at(table, classes, beliefs.circuit[p][:, None] * mass)
            asks.append(Ask(survey.pads[p], CELLS_OUT, "ohms to ground", float(information(table)), COST["ohms"]))
    return asks


@functools.cache
def _ohm_masses() -> NDArray[np.float64]:
    """Return the share of each ohms bin on each circuit."""
    rows = np.array([likelihood.ohms(float(value)) for value in OHM_BINS]).T
    decades = np.log10(OHM_BINS[:-1])
    width = np.append(np.gradient(decades), 1.0)
    mass = rows * width
    return np.asarray(mass / mass.sum(1, keepdims=True))


def _all_blank(survey: Survey, state: str, load: str) -> bool:
    """Return whether the survey has this column without a single cell: it was asked for and cannot be had."""
    places = {_key(column.state, column.heading) for column in survey.columns}
    if _key(state, f"{state} / {load}") not in places:
        return False
    return not any(_key(survey.columns[i].state, survey.columns[i].heading) == _key(state, f"{state} / {load}")
                   for cells in survey.cells for i in cells)


def _key(state: str, heading: str) -> tuple[str, str]:
    return " ".join(state.split()).casefold(), " ".join(heading.split()).casefold()


def _stay_columns(stay: Stay, chosen: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return where the chosen circuits stand in `stay` (-1: nowhere), and which are open drains."""
    place = np.full(len(circuits().role), -1)
    place[stay.moving] = np.arange(len(stay.moving))
    moving = place[chosen]
    return moving, np.where(moving >= 0, stay.drain[moving], False)


class _Planner:
    """The tests in volts for the open pads."""

    def __init__(self, survey: Survey, evidence: Evidence, model: Model, beliefs: Beliefs,
                 open_: NDArray[np.int64]) -> None:
        self.survey, self.evidence, self.model, self.beliefs, self.open = survey, evidence, model, beliefs, open_
        highest = max([evidence.supply_v, *(cell.high for i, column in enumerate(survey.columns)
                                            if column.quantity == "volts" for cells in survey.cells
                                            if (cell := cells.get(i)) is not None)])
        self.ohms = load_ohms(highest)[::2 if evidence.of_pad.size > MANY else 1]  # the stiffest and the softest
        self.classes = class_of_branches()
        alive = beliefs.circuit[open_].max(0) > NEGLIGIBLE
        self.order = np.flatnonzero(alive[branches().circuit])
        self.order = self.order[np.argsort(self.classes[self.order], kind="stable")]
        present, first = np.unique(self.classes[self.order], return_index=True)
        self.present, self.bounds = present, [*first.tolist(), len(self.order)]
        self.done = {(column.state, column.module_out, column.load): i for i, column in enumerate(survey.columns)
                     if column.quantity == "volts" and column.trial is None and not column.meter}
        self.out_before = any(column.module_out for column in survey.columns)

    def asks(self) -> list[Ask]:
        """Return every test with its worth."""
        where = self._places()
        weights = self._weights(where)
        result: list[Ask] = []
        for test in self._tests():
            gain = self._gain(test, where, weights)
            result += self._asks_of(test, where, gain)
        return result

    def _tests(self) -> list[Probe]:
        sides = [(out, to_supply) for out in (False, True) for to_supply in (False, True)]
        return [Probe(), Probe(out=True), *(Probe(out, ohm, to) for out, to in sides for ohm in self.ohms)]

    def _places(self) -> NDArray[np.int64]:
        """Return the (pad, state) pairs to look at: all, or for large surveys a few telling states for each pad."""
        n_states = len(self.evidence.states)
        if len(self.open) * n_states <= MANY:
            return np.array([(p, k) for p in self.open for k in range(n_states)], np.int64)
        pairs: set[tuple[int, int]] = set()
        for p in self.open:
            blank = np.isnan(self.evidence.plain[p])
            high = np.where(blank | ~self.evidence.supply_up, -1, self.beliefs.high[p])
            low = np.where(blank | ~self.evidence.supply_up, -1, 1 - self.beliefs.high[p] - self.beliefs.sending[p])
            busy = np.where(blank | ~self.evidence.supply_up, -1, self.beliefs.sending[p])
            chosen = {int(high.argmax()), int(low.argmax()), int(busy.argmax())} | set(np.flatnonzero(blank)[:1])
            pairs |= {(int(p), int(k)) for k in chosen}
        return np.array(sorted(pairs), np.int64)

    def _weights(self, where: NDArray[np.int64]) -> NDArray[np.float32]:
        """Return the posterior of every branch at every place, shape (n_places, n_branches), sorted by class."""
        total = np.zeros((len(branches().does) + 1, len(where)), np.float32)
        chosen = np.flatnonzero(self.beliefs.circuit[self.open].max(0) > NEGLIGIBLE)
        signature = self.evidence.of_pad[where[:, 0], where[:, 1]]
        for feed, weighed in zip(self.beliefs.feeds, self.beliefs.weighed, strict=True):
            moving, drain = _stay_columns(weighed.stay, chosen)
            for block in self.model.blocks(feed, where[:, 1]):
                here = block.states
                share = self.model.share(signature[here], block.rail_at)
                sums = self.model.sums(feed, block, share, chosen)
                part = [np.zeros((len(chosen), len(here)), np.float32) for _ in range(6)]
                for k, q in enumerate(self.model.habits):
                    self._add_parts(part, sums, q, weighed, where[here, 0], chosen, moving, drain, k)
                weight = branch_base(block.level, feed.rail)
                where_they_stand = self.model.places(feed, block.rail_at)
                for i, table in enumerate(where_they_stand):
                    for column in table:
                        place = column[chosen]
                        rows = np.flatnonzero(weight[place])
                        total[place[rows][:, None], here[None, :]] += (
                            weight[place[rows]][:, None] * part[i][rows] * share[place[rows]])
        return np.asarray(total[self.order].T, np.float32)

    @staticmethod
    def _add_parts(part: list[Shares], sums: Sums, q: int, weighed: Weighed, pads: NDArray[np.int64],
                   chosen: NDArray[np.int64], moving: NDArray[np.int64], drain: NDArray[np.bool_], k: int) -> None:
        """Add one habit's posterior over prior of what a circuit does, in the order of `Sums`.

        A moving line must move somewhere: what is left to a state are the cases in which the others do not rest
        already without it.
        """
        tiny = np.float32(1e-30)
        moved, rests = sums.at(q)
        held = sums.held(q, moved, drain)
        stay = weighed.stay
        quiet, loud, left = (np.where(moving[:, None] >= 0, table[pads][:, moving, k].T, none)
                             for table, none in ((stay.quiet, 0.0), (stay.loud, 0.0), (stay.left, 1.0)))
        mine = weighed.often[pads, :, k][:, chosen].T / left
        any_ = mine / np.maximum(moved + rests, tiny)
        never, always = mine * quiet / np.maximum(rests, tiny), mine * loud / np.maximum(held, tiny)
        up, down = np.maximum(any_ - always, 0), np.maximum(any_ - never, 0)
        both = np.where(drain[:, None], np.maximum(any_ - never - always, 0), down)
        often = np.where(sums.habit, np.float32(OFTEN[q]), 1)
        seldom = np.where(sums.habit, np.float32(1 - OFTEN[q]), 1)
        fed = np.where(sums.sends, seldom, often)
        for total, added in zip(part, (often * up, seldom * down, often * up, fed * both, up, both), strict=True):
            total += added

    def _gain(self, test: Probe, where: NDArray[np.int64], weights: NDArray[np.float32]) -> NDArray[np.float64]:
        cast = forecast(test, supply_v=self.evidence.supply_v, meter_ohm=self.evidence.meter.ohm)
        count = float(np.median(self.evidence.counts))
        mass = _masses(cast, self.order, count, self.evidence.gain_sd)
        table = np.zeros((len(where), len(self.present), mass.shape[1]))
        for c in range(len(self.present)):
            part = slice(self.bounds[c], self.bounds[c + 1])
            table[:, c] = weights[:, part] @ mass[part]
        return information(table)

    def _asks_of(self, test: Probe, where: NDArray[np.int64], gain: NDArray[np.float64]) -> list[Ask]:
        load = None if math.isinf(test.ohm) else Load(test.ohm, "supply" if test.to_supply else "ground")
        words = " / ".join(([] if not test.out else ["module out"]) + ([load.text] if load else []))
        if test.out and load is None:
            return self._columns_out(where, gain, words)
        name = ("out load again" if self.out_before else "out load") if test.out else "load" if load else "plain"
        result = []
        blank = {k for k, state in enumerate(self.evidence.states) if self._known_blank(state, test.out, load)}
        for (p, k), bits in zip(where.tolist(), gain.tolist(), strict=True):
            state = self.evidence.states[k]
            column = self.done.get((state, test.out, load))
            if bits < LEAST_BITS or k in blank or (column is not None and column in self.survey.cells[p]):
                continue
            if load and not self.evidence.supply_up[k]:
                continue
            result.append(Ask(self.survey.pads[p], state, words, bits, COST[name], test.ohm, load.to if load else ""))
        return result

    def _columns_out(self, where: NDArray[np.int64], gain: NDArray[np.float64], words: str) -> list[Ask]:
        result = []
        for k, state in enumerate(self.evidence.states):
            if (state, True, None) in self.done:
                continue
            here = where[:, 1] == k
            if here.any():
                best = int(where[here, 0][gain[here].argmax()])
                cost = COST["out again" if self.out_before else "module out"]
                result.append(Ask(self.survey.pads[best], state, words, float(gain[here].sum()), cost))
        return result

    def _known_blank(self, state: str, out: bool, load: Load | None) -> bool:
        """Return whether this loaded column is there with no cell in it: it was asked for and cannot be had."""
        column = self.done.get((state, out, load))
        if column is None or not (load or out):
            return False
        return not any(column in cells for cells in self.survey.cells)


def _masses(cast: Forecast, chosen: NDArray[np.int64], count: float, gain_sd: float) -> NDArray[np.float32]:
    """Return the share of each bin of readings on each chosen branch, shape (len(chosen), n_bins)."""
    at, kind = cast.at[chosen, None], cast.kind[chosen]
    spread = np.sqrt(cast.spread[chosen, None] ** 2 + cast.shared[chosen, None] ** 2 + count**2 + (gain_sd * at) ** 2)
    below = _normal(EDGES[None, :], at, spread)
    odd = kind == ANYWHERE
    below[odd] = np.clip(EDGES, 0, 1)
    odd = kind == DRIFTING
    drift = sum(share * (1 - np.exp(-np.maximum(EDGES, 0) / (scale + count))) for share, scale in likelihood.DRIFT)
    below[odd] = drift + (1 - sum(share for share, _ in likelihood.DRIFT)) * np.clip(EDGES, 0, 1)
    mass = np.diff(np.concatenate([np.zeros((len(below), 1)), below, np.ones((len(below), 1))], 1), axis=1)
    return np.asarray(np.maximum(mass, 0) + 1e-4, np.float32)


def _normal(x: NDArray[np.float64], at: NDArray[np.float32], sd: NDArray[np.float64] | float) -> NDArray[np.float64]:
    # The logistic curve with this factor follows the normal distribution to 0.01 (Camilli 1994): enough for bins.
    return np.asarray(1 / (1 + np.exp(np.clip(-1.702 * (x - at) / sd, -40, 40))))


def why_safe(ask: Ask, supply_v: float, meter_ohm: float) -> str:
    """Return why a test cannot hurt, with the current at worst."""
    if ask.state == CELLS_OUT:
        return "cells out: nothing drives; wait a minute for the capacitors, then the meter's own test current is all"
    if math.isinf(ask.ohm):
        return "cells out while the module is unsoldered; then the meter alone hangs on the pads" if ask.load else \
            f"the meter alone hangs on the pad: {supply_v:g} V over {ohm_text(meter_ohm)} is " \
            f"{supply_v / meter_ohm * 1e6:.2g} µA"
    amps = supply_v / ask.ohm
    text = (f"at worst {supply_v:g} V over {ohm_text(ask.ohm)} is {amps * 1e3:.2g} mA, under 1 mA, "
            "whatever the pad drives")
    if ask.to == "supply" and ask.ohm < 1e5:
        text += "; if the pad stops some 0.6 V over ground a chip without supply is being fed: go over to 100k"
    return text
