"""From evidence to beliefs: the probability of every circuit on every pad, and of what it does in every state.

In: `Evidence`. Out: `Beliefs`. The resistances are marginalised over the grid of circuits; what a line does in each
state is summed out with a prior that it shares over its states (some lines move often, some hardly ever). Whether the
module has its supply in a state is taken from the switched supplies, in a second pass.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.survey import AC, VOLTS
from tapwright.pins import likelihood
from tapwright.pins.circuits import (
    CLAMPED,
    CLAMPED_RAILS,
    DATA,
    DEAD,
    DEAD_RAIL_OHM,
    DEAD_RAIL_SHARE,
    DRIVERS,
    FED_RAIL,
    FED_SHARE,
    FIXED_HIGH,
    FIXED_LOW,
    HIGH,
    PULL,
    RELEASED,
    ROLES,
    SENDING,
    STATE_LINE,
    SUPPLY,
    SWITCHED,
    branches,
    circuits,
    up_from_module,
)
from tapwright.pins.predict import Probe, forecast
from tapwright.pins.signatures import Evidence, Reading

# How often a line stands high (or sends): a spread-out prior, so that ten equal states and one other are no surprise.
OFTEN = np.array([0.04, 0.2, 0.5, 0.8, 0.96])
# How sure it is in a state that the module is without supply: fed by the main supply, not known, or its own is down.
DEAD_LEVELS = np.array([3e-4, 0.4, 0.97])
ALIVE, UNSURE, LOST = range(3)
HAS_CLAMP = 0.6  # share of the pulled lines that a chip of the module clamps
DRIVES_HIGH_INTO_DEAD = 0.5  # share of an instrument's high outputs that feed a dead chip's rail instead of standing
OWN_RAIL = 0.5  # how far what a driven line meets goes with how hard the dead rail is for the others
BOARD_TRUST = 0.7  # the pads' joint say on who feeds the module counts less than their product: they share habits
NEGLIGIBLE = 1e-9
LARGE = 1000  # pads times states
RARE = 2e-5  # in large surveys circuits rarer than this are left out: a quarter of a percent in all
_TINY = np.float32(1e-30)
Shares = NDArray[np.float32]


@dataclass(frozen=True)
class Feed:
    """A guess at when the module has its supply: places in `DEAD_LEVELS` by state, and how likely the guess is.

    `rail` is how hard its rail is held down then, a place in `DEAD_RAIL_OHM` (-1: not said).
    """

    dead: NDArray[np.int64]
    share: float
    rail: int = -1


@dataclass(frozen=True)
class Beliefs:
    """What is believed of every pad.

    Parameters
    ----------
    circuit : float, shape (n_pads, n_circuits), rows sum to 1
    role, driver : float, shape (n_pads, 8) and (n_pads, 4)
    high, sending : float, shape (n_pads, n_states): the level is high there; it sends there
    feeds : the guesses at when the module has its supply
    often : for each feed, float, shape (n_pads, n_circuits, n_habits): its share of `circuit`, by habit
    """

    circuit: NDArray[np.float64]
    role: NDArray[np.float64]
    driver: NDArray[np.float64]
    high: NDArray[np.float64]
    sending: NDArray[np.float64]
    feeds: tuple[Feed, ...]
    often: tuple[NDArray[np.float32], ...]


@dataclass(frozen=True)
class Sums:
    """The share of each signature that each circuit explains, by what it does; arrays (n_circuits, n_signatures).

    `moved` and `fed_moved`, `fed_rests` (driven high, the last two into a dead chip) go with how often a line moves,
    `rests` with how often it does not, `dead_moved` and `dead_rests` with neither. `habit`, (n_circuits, 1), says
    whether a circuit has such a habit at all; `sends`, the same shape, whether it is a data line, which drives into a
    dead chip when it rests.
    """

    habit: NDArray[np.bool_]
    sends: NDArray[np.bool_]
    moved: Shares
    rests: Shares
    fed_moved: Shares
    fed_rests: Shares
    dead_moved: Shares
    dead_rests: Shares

    def at(self, i_often: int) -> tuple[Shares, Shares]:
        """Return the shares moved and at rest for one habit."""
        often = np.where(self.habit, np.float32(OFTEN[i_often]), np.float32(1))
        seldom = np.where(self.habit, np.float32(1 - OFTEN[i_often]), np.float32(1))
        moved = often * (self.moved + self.fed_moved) + self.dead_moved
        fed = np.where(self.sends, seldom, often)
        rests = seldom * self.rests + fed * self.fed_rests + self.dead_rests
        return np.asarray(moved, np.float32), np.asarray(rests, np.float32)


class Model:
    """The likelihoods of a survey's signatures; `solve` turns them into beliefs.

    `share` is float32 of shape (n_branches + 1, n_signatures), the last row nothing.
    """

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        self.all = circuits()
        # Large surveys settle by their sheer number of states: fewer habits and guesses do.
        self.is_large = evidence.of_pad.size > LARGE
        self.habits = (0, 2, 4) if self.is_large else tuple(range(len(OFTEN)))
        self.kept = self.all.share >= (RARE if self.is_large else 0.0)
        plain = forecast(Probe(), supply_v=evidence.supply_v, meter_ohm=evidence.meter.ohm)
        self.places = _places(bytes(plain.at > 0.5))
        self.share = self._signature_shares()
        self.pad_factor = self._pad_factors()

    def solve(self) -> Beliefs:
        """Return the beliefs, averaged over the guesses at who feeds the module."""
        unsure = Feed(np.full(len(self.evidence.states), UNSURE), 1.0)
        first = self._weigh(unsure)
        beliefs = self._mix([(unsure, first[0])])
        # What no pad can be even with the module's supply unsure in every state is not looked at again.
        self.kept &= beliefs.circuit.max(0) > NEGLIGIBLE / 2.5 ** len(self.evidence.states)
        weighed = self._weighed(self._feeds(beliefs), first)
        best = max(weighed, key=lambda part: part[0].share)[0]
        if (best.dead == LOST).any() and not self.is_large:
            rails = [Feed(best.dead, float(share), rail) for rail, share in enumerate(DEAD_RAIL_SHARE[:-1])]
            weighed = [part for part in weighed if part[0] is not best] + [
                (Feed(feed.dead, feed.share * best.share, feed.rail), mine) for feed, mine in self._weighed(rails)]
        return self._mix([part for part in weighed if part[0].share > 2e-3])

    def _weighed(self, feeds: list[Feed],
                 unsure: tuple[Shares, NDArray[np.float64]] | None = None) -> list[tuple[Feed, Shares]]:
        """Return the guesses with their shares by all pads' evidence, each with its posterior.

        `unsure` is what came out for the guess that says nothing, where it has been worked out already.
        """
        parts = [(feed, *(unsure if unsure and (feed.dead == UNSURE).all() else self._weigh(feed))) for feed in feeds]
        say = np.array([BOARD_TRUST * log.sum() + np.log(feed.share) for feed, _, log in parts])
        share = np.exp(say - say.max())
        share /= share.sum()
        return [(Feed(feed.dead, float(part), feed.rail), often)
                for (feed, often, _), part in zip(parts, share, strict=True)]

    def sums(self, feed: Feed, level: int, share: Shares, chosen: NDArray[np.int64]) -> Sums:
        """Return what the circuits make of signatures.

        Parameters
        ----------
        share : rows of branches (the last one nothing), a column a signature
        chosen : the circuits
        """
        weight = branch_base(level, feed.rail)
        parts = []
        for table in self.places.by_rail[feed.rail]:
            total = np.zeros((len(chosen), share.shape[1]), np.float32)
            for column in table:
                which = column[chosen]
                rows = np.flatnonzero(weight[which])
                total[rows] += share[which[rows]] * weight[which[rows]][:, None]
            parts.append(total)
        return Sums(_habit()[chosen][:, None], (self.all.role[chosen] == DATA)[:, None], *parts)

    def _feeds(self, beliefs: Beliefs) -> list[Feed]:
        """Return the guesses: the main supply, each pad that looks like a switched supply, or one that none shows."""
        alive = np.full(len(self.evidence.states), ALIVE)
        chance = beliefs.role[:, SWITCHED]
        likely = [int(p) for p in np.argsort(-chance)[:1 if self.is_large else 3] if chance[p] > 0.05]
        feeds = [Feed(alive, 0.45 if likely else 0.97), Feed(np.full(len(alive), UNSURE), 0.004)]
        seen = {alive.tobytes()}
        for p in likely:
            up = beliefs.high[p] / max(float(chance[p] + beliefs.role[p, STATE_LINE]), 1e-9)
            dead = np.where(up < 0.15, LOST, np.where(up > 0.85, ALIVE, UNSURE))
            if dead.tobytes() not in seen:
                seen.add(dead.tobytes())
                feeds.append(Feed(dead, 0.55 * float(chance[p])))
        return feeds

    def _mix(self, parts: list[tuple[Feed, Shares]]) -> Beliefs:
        n_pads, n_states = self.evidence.of_pad.shape
        circuit = np.zeros((n_pads, len(self.all.role)))
        high, sending = np.zeros((n_pads, n_states)), np.zeros((n_pads, n_states))
        oftens = []
        for feed, often in parts:
            mine = often * feed.share
            circuit += mine.sum(2, dtype=np.float64)
            self._add_levels(mine, feed, high, sending)
            oftens.append(mine.astype(np.float32))
        kinds = np.zeros((len(self.all.role), len(ROLES) + len(DRIVERS)))
        kinds[np.arange(len(kinds)), self.all.role] = 1
        kinds[np.arange(len(kinds)), len(ROLES) + self.all.driver] = 1
        both = circuit @ kinds
        return Beliefs(circuit, both[:, :len(ROLES)], both[:, len(ROLES):], high, sending,
                       tuple(feed for feed, _ in parts), tuple(oftens))

    def _weigh(self, feed: Feed) -> tuple[Shares, NDArray[np.float64]]:
        """Return the posterior, shape (n_pads, n_circuits, n_habits), and the log evidence of each pad."""
        prior = (np.log(self.all.share) + self.pad_factor).astype(np.float32)
        log = self._circuit_logs(feed) + prior[:, :, None]
        top = log.max(axis=(1, 2), keepdims=True)
        often = np.exp(log - top)
        whole = often.sum(axis=(1, 2), keepdims=True)
        return often / whole, np.asarray(np.log(whole) + top, np.float64)[:, 0, 0]

    def _signature_shares(self) -> Shares:
        evidence = self.evidence
        n_branches = len(branches().does)
        share = np.ones((len(evidence.signatures), n_branches + 1), np.float32)
        share[:, -1] = 0
        # Where one state holds several readings, what they are off by together is counted once.
        several = {i: k for k, i in enumerate(i for i, signature in enumerate(evidence.signatures)
                                              if sum(reading.kind == VOLTS for reading in signature) > 1)}
        joint = likelihood.Joint(len(several))
        groups: dict[tuple[str, Probe], dict[Reading, list[int]]] = {}
        for i, signature in enumerate(evidence.signatures):
            for reading in signature:
                groups.setdefault((reading.kind, reading.test), {}).setdefault(reading, []).append(i)
        for (kind, test), readings in groups.items():
            keys = list(readings)
            at, sd, span = (np.array([getattr(key, name) for key in keys], np.float32)[:, None]
                            for name in ("at", "sd", "span"))
            if kind == VOLTS:
                cast = forecast(test, supply_v=evidence.supply_v, meter_ohm=evidence.meter.ohm)
                rows = likelihood.volts(cast, at, sd, span, shift=evidence.shift)
            else:
                rows = likelihood.ac(at) if kind == AC else likelihood.hertz(at)
            for key, row in zip(keys, rows, strict=True):
                for i in readings[key]:
                    if kind == VOLTS and i in several:
                        together = joint.add(several[i], cast, key.at, key.sd, key.span, shift=evidence.shift)
                        share[i, :-1] *= np.where(together, np.float32(1), row)
                    else:
                        share[i, :-1] *= row
        share[list(several), :-1] *= joint.density()
        return np.ascontiguousarray(share.T)

    def _pad_factors(self) -> NDArray[np.float64]:
        factor = np.zeros((len(self.evidence.of_pad), len(self.all.role)))
        factor[:, self.all.high_at < 1] += self._unsteadiness()[:, None]
        for p, value in enumerate(self.evidence.ohms):
            if not np.isnan(value):
                factor[p] += np.log(likelihood.ohms(float(value)))
        for p, value in enumerate(self.evidence.off):
            if not np.isnan(value):
                factor[p] += np.log(likelihood.off_volts(float(value)))
        return factor

    def _unsteadiness(self) -> NDArray[np.float64]:
        """Return what a pad's scatter over its states says against a supply of its own: 0 where it stands still."""
        plain = self.evidence.plain
        known = ~np.isnan(plain)
        n = np.maximum(known.sum(1), 1)
        middle = np.where(known, plain, 0).sum(1) / n
        off = np.where(known, plain - middle[:, None], 0)
        sd = np.hypot(float(np.median(self.evidence.counts)), 2 * self.evidence.gain_sd)
        return np.asarray(-np.minimum(0.5 * np.maximum((off**2).sum(1) / sd**2 - n, 0), 40.0))

    def _circuit_logs(self, feed: Feed) -> Shares:
        """Return the log likelihood of every circuit, shape (n_pads, n_circuits, n_habits)."""
        moving, drain = _movers()
        still = np.setdiff1d(np.flatnonzero(self.kept), moving)
        drain, moving = drain[self.kept[moving]], moving[self.kept[moving]]
        result = np.full((len(self.evidence.of_pad), len(self.all.role), len(self.habits)), -np.inf, np.float32)
        result[:, self.kept] = 0
        blocks = []
        for signature, level, count, n_states in self._blocks(feed):
            share = self.share[:, signature]
            moved, rests = self.sums(feed, level, share, still).at(0)
            result[:, still, :] += _logs(moved + rests, count)[:, :, None]
            ones = np.ones((len(share), 1), np.float32)
            ones[-1] = 0
            blocks.append((self.sums(feed, level, share, moving), count))
            blocks.append((self.sums(feed, level, ones, moving), np.full((1, 1), n_states, np.float32)))
        two_sided = np.isin(self.all.role[moving], (STATE_LINE, SWITCHED))
        for i, q in enumerate(self.habits):
            seen, empty = (_stays(blocks[k::2], q, drain, two_sided) for k in (0, 1))
            # A moving line must move: take out the cases in which it stays (or never sends, or never drives), and
            # let what is left of the prior sum to one again.
            result[:, moving, i] += (seen[0] + np.log(np.maximum(1 - seen[1], 1e-9))
                                     - np.log(np.maximum(1 - empty[1], 1e-3)))
        return result - np.float32(np.log(len(self.habits)))

    def _blocks(self, feed: Feed) -> Iterator[tuple[NDArray[np.int64], int, Shares, int]]:
        """Yield, for each dead level in use, the distinct signatures, the level, their counts by pad, the states."""
        of_pad = self.evidence.of_pad
        for level in np.unique(feed.dead).tolist():
            here = of_pad[:, feed.dead == level]
            signature, where = np.unique(here, return_inverse=True)
            count = np.zeros((len(of_pad), len(signature)), np.float32)
            np.add.at(count, (np.arange(len(of_pad))[:, None], where.reshape(here.shape)), 1.0)
            yield signature, int(level), count, here.shape[1]

    def _add_levels(self, often: Shares, feed: Feed, high: NDArray[np.float64],
                    sending: NDArray[np.float64]) -> None:
        all_ = self.all
        moving = np.flatnonzero(self.kept)
        stands = np.isin(all_.role, (SUPPLY, FIXED_HIGH))
        high += often[:, stands].sum((1, 2))[:, None]
        lines = moving[np.isin(all_.role[moving], (STATE_LINE, SWITCHED))]
        data = moving[all_.role[moving] == DATA]
        for level in np.unique(feed.dead).tolist():
            states = np.flatnonzero(feed.dead == level)
            here = self.evidence.of_pad[:, states]
            signature, where = np.unique(here, return_inverse=True)
            share = self.share[:, signature]
            for total, chosen in ((high, lines), (sending, data)):
                table = np.zeros((len(often), len(signature)))
                sums = self.sums(feed, level, share, chosen)
                for i, q in enumerate(self.habits):
                    moved, rests = sums.at(q)
                    table += often[:, chosen, i] @ (moved / np.maximum(moved + rests, _TINY))
                total[:, states] += np.take_along_axis(table, where.reshape(here.shape), 1)


@dataclass(frozen=True)
class _Places:
    """Where each circuit's branches stand, -1 where it has none.

    `by_rail[rail]` holds lists of columns (int, one entry a circuit) in the order of `Sums`. What counts as
    moved: a high level, sending, or for a fixed low line of the module that it is driven at all.
    """

    by_rail: dict[int, tuple[tuple[NDArray[np.int64], ...], ...]]


@functools.cache
def _places(volts_high: bytes) -> _Places:
    b, all_ = branches(), circuits()
    by_volts = np.frombuffer(volts_high, np.bool_)
    fed = np.isin(b.does, (DEAD, CLAMPED))
    role = all_.role[b.circuit]
    moved = np.where(fed, by_volts, b.is_high)
    moved = np.where(role == DATA, b.does == SENDING, moved)
    moved = np.where(role == FIXED_LOW, b.does != DEAD, moved)
    by_rail = {}
    for rail in range(-1, len(DEAD_RAIL_OHM) - 1):
        kept = (b.does != DEAD) | (rail < 0) | np.isin(b.dead_rail, (DEAD_RAIL_OHM[rail], FED_RAIL))
        # What is clamped down to a low level is not fixed high; what a pull takes up when let go is not fixed low.
        kept &= ~(fed & (role == FIXED_HIGH) & ~by_volts) & ~(fed & (role == FIXED_LOW) & by_volts)
        by_rail[rail] = tuple(
            _columns(kept & select & side) for select in (~fed, b.does == CLAMPED, b.does == DEAD)
            for side in (moved, ~moved))
    return _Places(by_rail)


def _columns(select: NDArray[np.bool_]) -> tuple[NDArray[np.int64], ...]:
    """Return the chosen branches as columns, the first of each circuit in the first one and so on."""
    b = branches()
    chosen = np.flatnonzero(select)
    owner = b.circuit[chosen]
    rank = np.arange(len(chosen)) - np.searchsorted(owner, owner)  # branches are sorted by circuit
    columns = []
    for k in range(int(rank.max(initial=-1)) + 1):
        column = np.full(len(b.starts), -1)
        column[owner[rank == k]] = chosen[rank == k]
        columns.append(column)
    return tuple(columns)


@functools.cache
def branch_base(i_dead: int, rail: int) -> NDArray[np.float32]:
    """Return the prior weight of each branch within its circuit, its line's habits aside; the last one is nothing."""
    b, all_ = branches(), circuits()
    dead = DEAD_LEVELS[i_dead]
    role = all_.role[b.circuit]
    has = {kind: np.isin(np.arange(len(all_.role)), b.circuit[b.does == kind])[b.circuit] for kind in (DEAD, CLAMPED)}
    # A pull on the instrument's board, or to ground, lasts on a dead module; a chip there may clamp it or not.
    lasting = ~all_.by_module[b.circuit] & ((role == FIXED_LOW) | (
        (role == FIXED_HIGH) & np.isfinite(all_.pull_i[b.circuit])))
    dies = np.where(lasting, HAS_CLAMP * dead, dead)
    mortal = has[DEAD] | (all_.by_module[b.circuit] & (role == FIXED_HIGH))
    weight = np.where(mortal, 1 - dies, 1.0)
    share = b.dead_share / DEAD_RAIL_SHARE.sum() if rail < 0 else np.where(
        b.dead_rail == FED_RAIL, FED_SHARE, (1 - FED_SHARE) * (b.dead_rail == DEAD_RAIL_OHM[rail]))
    lost = b.does == DEAD
    weight[lost] = (dies * share)[lost]
    # A pull-up on the module's board dies with it; what is driven or pulled up elsewhere may be clamped or not.
    feeds = dead * np.where(up_from_module(all_), 1.0, DRIVES_HIGH_INTO_DEAD)
    feeds = feeds[b.circuit]
    # Several lines share in what feeds the rail, so that each may meet a harder one or a softer one than is there.
    clamp_share = b.dead_share if rail < 0 else (
        OWN_RAIL * (b.dead_rail == DEAD_RAIL_OHM[rail]) + (1 - OWN_RAIL) * b.dead_share)
    if rail >= CLAMPED_RAILS:
        feeds = np.where(up_from_module(all_)[b.circuit], feeds, feeds * (1 - OWN_RAIL))
        clamp_share = np.where(up_from_module(all_)[b.circuit], clamp_share, b.dead_share)
    stands = has[CLAMPED] & np.isin(b.does, (HIGH, RELEASED))
    weight[stands] *= (1 - feeds)[stands]
    # A line that sends only when the module lets it is silent while the module is dead.
    weight[(b.does == SENDING) & all_.waits[b.circuit]] *= 1 - dead
    clamped = b.does == CLAMPED
    weight[clamped] = (feeds * clamp_share)[clamped]
    return np.append(weight, 0.0).astype(np.float32)


@functools.cache
def _habit() -> NDArray[np.bool_]:
    """Return which circuits move by habit; one held by a resistor alone moves only because its rail dies."""
    all_ = circuits()
    return np.asarray(np.isin(all_.role, (STATE_LINE, SWITCHED, DATA)) & (all_.driver != PULL))


@functools.cache
def _movers() -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the circuits that must do two things (or one at least once), and which are open drains."""
    all_ = circuits()
    dies = (all_.role == FIXED_LOW) & all_.by_module
    moving = np.flatnonzero(np.isin(all_.role, (STATE_LINE, SWITCHED, DATA)) | dies)
    drain = (all_.driver != PULL) & (all_.role == STATE_LINE) & ~np.isfinite(all_.high_ohm)
    return moving, drain[moving]


def _stays(blocks: list[tuple[Sums, Shares]], i_often: int, drain: NDArray[np.bool_],
           two_sided: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the log likelihood over all states, and which share of it the cases without a move make."""
    whole, quiet, loud = np.zeros(()), np.zeros(()), np.zeros(())
    for sums, count in blocks:
        moved, rests = sums.at(i_often)
        # An open drain that never pulls low is a mere pull.
        held = np.where(drain[:, None], moved + sums.dead_rests + np.float32(OFTEN[i_often]) * sums.fed_rests, moved)
        whole, quiet, loud = (total + _logs(part, count) for total, part in (
            (whole, moved + rests), (quiet, rests), (loud, held)))
    stays = np.exp(np.minimum(quiet - whole, 0)) + np.where(two_sided, np.exp(np.minimum(loud - whole, 0)), 0)
    return whole, np.asarray(stays)


def _logs(values: Shares, count: Shares) -> NDArray[np.float64]:
    """Add up the logarithms of (n_circuits, n_signatures) over each pad's states: (n_pads, n_circuits)."""
    return np.asarray(count @ np.log(np.maximum(values, _TINY)).T).astype(np.float64)
