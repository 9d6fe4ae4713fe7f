"""From evidence to beliefs: the probability of every circuit on every pad, and of what it does in every state.

In: `Evidence`. Out: `Beliefs`. The resistances are marginalised over the grid of circuits; what a line does in each
state is summed out with a prior that it shares over its states (some lines move often, some hardly ever). Whether the
module has its supply in a state is taken from the switched supplies, in a second pass (`feeds.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.pins.circuits import (
    DATA,
    DEAD_RAIL_SHARE,
    DRIVERS,
    FIXED_HIGH,
    ROLES,
    STATE_LINE,
    SUPPLY,
    SWITCHED,
    circuits,
)
from tapwright.pins.feeds import Feed, guesses
from tapwright.pins.moves import LOST, OFTEN, UNSURE, Places, Shares, Stay, Sums, logs, movers, places, stays, sums_of
from tapwright.pins.predict import Probe, forecast
from tapwright.pins.shares import pad_factors, signature_shares
from tapwright.pins.signatures import Evidence
from tapwright.pins.steady import Steadiness

BOARD_TRUST = 0.7  # the pads' joint say on who feeds the module counts less than their product: they share habits
NEGLIGIBLE = 1e-9
LARGE = 1000  # pads times states
RARE = 2e-5  # in large surveys circuits rarer than this are left out: a quarter of a percent in all
TIED = -30.0  # log weight of a pad that is the module's supply being anything else
_TINY = np.float32(1e-30)


@dataclass(frozen=True)
class Beliefs:
    """What is believed of every pad.

    Parameters
    ----------
    circuit : float, shape (n_pads, n_circuits), rows sum to 1
    role, driver : float, shape (n_pads, 8) and (n_pads, 4)
    high, sending : float, shape (n_pads, n_states): the level is high there; it sends there
    feeds : the guesses at when the module has its supply
    weighed : for each feed its share of `circuit`, by habit
    """

    circuit: NDArray[np.float64]
    role: NDArray[np.float64]
    driver: NDArray[np.float64]
    high: NDArray[np.float64]
    sending: NDArray[np.float64]
    feeds: tuple[Feed, ...]
    weighed: tuple[Weighed, ...]


@dataclass(frozen=True)
class Weighed:
    """The posterior under one feed.

    Parameters
    ----------
    often : float32, shape (n_pads, n_circuits, n_habits)
    stay : which share of each moving circuit's likelihood the cases without a move would make
    """

    often: Shares
    stay: Stay

    def scaled(self, share: float) -> Weighed:
        """Return it as a part of the whole."""
        return replace(self, often=(self.often * share).astype(np.float32))


@dataclass(frozen=True)
class Block:
    """States alike for a feed: their level in `DEAD_LEVELS`, where the dead rail stands, and their places."""

    level: int
    rail_at: float
    states: NDArray[np.int64]


class Model:
    """The likelihoods of a survey's signatures; `solve` turns them into beliefs."""

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        self.all = circuits()
        # Large surveys settle by their sheer number of states: fewer habits and guesses do, and one at the first look.
        self.is_large = evidence.of_pad.size > LARGE
        self.habits: tuple[int, ...] = (2,) if self.is_large else tuple(range(len(OFTEN)))
        self.kept = self.all.share >= (RARE if self.is_large else 0.0)
        self.everything = signature_shares(evidence, np.arange(len(evidence.signatures)))
        self.pad_factor = pad_factors(evidence)
        self.steadiness = Steadiness(evidence)
        self._railed: dict[tuple[float, bytes], Shares] = {}
        self._logs: dict[tuple[bytes, bytes, int], tuple[Shares, Stay]] = {}

    def solve(self) -> Beliefs:
        """Return the beliefs, averaged over the guesses at who feeds the module."""
        unsure = Feed(np.full(len(self.evidence.states), UNSURE), 1.0)
        beliefs = self._mix([(unsure, self._weigh(unsure)[0])])
        # What no pad can be even with the module's supply unsure in every state is not looked at again.
        self.kept &= beliefs.circuit.max(0) > NEGLIGIBLE / 2.5 ** len(self.evidence.states)
        if self.is_large:
            self.habits = (0, 2, 4)
            self._logs.clear()
        likely = guesses(self.evidence, beliefs.role, beliefs.high, is_large=self.is_large)
        weighed = self._weighed(likely)
        best = max(weighed, key=lambda part: part[0].share)[0]
        if (best.dead == LOST).any() and not self.is_large:
            rails = [replace(best, share=float(share), rail=rail) for rail, share in enumerate(DEAD_RAIL_SHARE[:-1])]
            weighed = [part for part in weighed if part[0] is not best] + [
                (replace(feed, share=feed.share * best.share), mine) for feed, mine in self._weighed(rails)]
        good = [part for part in weighed if part[0].share > 2e-3]
        whole = sum(feed.share for feed, _ in good)
        return self._mix([(replace(feed, share=feed.share / whole), mine) for feed, mine in good])

    def _weighed(self, feeds: list[Feed]) -> list[tuple[Feed, Weighed]]:
        """Return the guesses with their shares by all pads' evidence, each with its posterior."""
        parts = [(feed, *self._weigh(feed)) for feed in feeds]
        say = np.array([BOARD_TRUST * log.sum() + np.log(feed.share) for feed, _, log in parts])
        share = np.exp(say - say.max())
        share /= share.sum()
        return [(replace(feed, share=float(part)), weighed)
                for (feed, weighed, _), part in zip(parts, share, strict=True)]

    def blocks(self, feed: Feed, states: NDArray[np.int64] | None = None) -> Iterator[Block]:
        """Yield the states, or the chosen ones, in groups alike for a feed."""
        chosen = np.arange(len(feed.dead)) if states is None else states
        keys = [(int(feed.dead[k]), float(feed.rail_at[k]) if len(feed.rail_at) else 0.0) for k in chosen]
        for level, rail_at in sorted(set(keys)):
            here = np.array([key == (level, rail_at) for key in keys])
            yield Block(level, rail_at, np.flatnonzero(here) if states is not None else chosen[here])

    def share(self, signature: NDArray[np.int64], rail_at: float) -> Shares:
        """Return the likelihood of signatures on every branch, the dead rail standing at `rail_at`."""
        if rail_at == 0:
            return self.everything[:, signature]
        key = rail_at, signature.tobytes()
        if key not in self._railed:
            self._railed[key] = signature_shares(self.evidence, signature, rail_at)
        return self._railed[key]

    def places(self, feed: Feed, rail_at: float) -> Places:
        """Return where each circuit's branches stand."""
        plain = forecast(Probe(), supply_v=self.evidence.supply_v, meter_ohm=self.evidence.meter.ohm, rail_at=rail_at)
        return places(bytes(plain.at > 0.5), feed.rail)

    def sums(self, feed: Feed, block: Block, share: Shares, chosen: NDArray[np.int64]) -> Sums:
        """Return what the chosen circuits make of signatures, `share` being rows of branches (the last one nothing)."""
        return sums_of(self.places(feed, block.rail_at), block.level, feed.rail, share, chosen)

    def _mix(self, parts: list[tuple[Feed, Weighed]]) -> Beliefs:
        n_pads, n_states = self.evidence.of_pad.shape
        circuit = np.zeros((n_pads, len(self.all.role)))
        high, sending = np.zeros((n_pads, n_states)), np.zeros((n_pads, n_states))
        scaled = [(feed, weighed.scaled(feed.share)) for feed, weighed in parts]
        for feed, mine in scaled:
            circuit += mine.often.sum(2, dtype=np.float64)
            self._add_levels(mine, feed, high, sending)
        kinds = np.zeros((len(self.all.role), len(ROLES) + len(DRIVERS)))
        kinds[np.arange(len(kinds)), self.all.role] = 1
        kinds[np.arange(len(kinds)), len(ROLES) + self.all.driver] = 1
        both = circuit @ kinds
        return Beliefs(circuit, both[:, :len(ROLES)], both[:, len(ROLES):], high, sending,
                       tuple(feed for feed, _ in scaled), tuple(mine for _, mine in scaled))

    def _weigh(self, feed: Feed) -> tuple[Weighed, NDArray[np.float64]]:
        """Return the posterior under a feed and the log evidence of each pad."""
        key = feed.dead.tobytes(), feed.rail_at.tobytes(), feed.rail
        if key not in self._logs:
            self._logs[key] = self._circuit_logs(feed)
        log, stay = self._logs[key]
        prior = (np.log(self.all.share) + self.pad_factor + self.steadiness.factors(feed.dead)).astype(np.float32)
        if feed.source >= 0:
            prior[feed.source, self.all.role != SWITCHED] += TIED
        log = log + prior[:, :, None]
        top = log.max(axis=(1, 2), keepdims=True)
        often = np.exp(log - top)
        whole = often.sum(axis=(1, 2), keepdims=True)
        return Weighed(often / whole, stay), np.asarray(np.log(whole) + top, np.float64)[:, 0, 0]

    def _circuit_logs(self, feed: Feed) -> tuple[Shares, Stay]:
        """Return the log likelihood of every circuit, shape (n_pads, n_circuits, n_habits)."""
        moving, drain = movers()
        still = np.setdiff1d(np.flatnonzero(self.kept), moving)
        drain, moving = drain[self.kept[moving]], moving[self.kept[moving]]
        result = np.full((len(self.evidence.of_pad), len(self.all.role), len(self.habits)), -np.inf, np.float32)
        result[:, self.kept] = 0
        blocks = []
        for block in self.blocks(feed):
            signature, count = self._counted(block)
            share = self.share(signature, block.rail_at)
            moved, rests = self.sums(feed, block, share, still).at(0)
            result[:, still, :] += logs(moved + rests, count)[:, :, None]
            ones = np.ones((len(share), 1), np.float32)
            ones[-1] = 0
            blocks.append((self.sums(feed, block, share, moving), count))
            blocks.append((self.sums(feed, block, ones, moving), np.full((1, 1), len(block.states), np.float32)))
        two_sided = np.isin(self.all.role[moving], (STATE_LINE, SWITCHED))
        stay = Stay.none(moving, drain, len(result), len(self.habits))
        for i, q in enumerate(self.habits):
            whole, quiet, loud = stays(blocks[::2], q, drain, two_sided)
            _, empty_quiet, empty_loud = stays(blocks[1::2], q, drain, two_sided)
            # A moving line must move: take out the cases in which it stays (or never sends, or never drives), and
            # let what is left of the prior sum to one again.
            result[:, moving, i] += (whole + np.log(np.maximum(1 - quiet - loud, np.float32(1e-9)))
                                     - np.log(np.maximum(1 - empty_quiet - empty_loud, np.float32(1e-3))))
            stay.put(i, quiet, loud)
        return result - np.float32(np.log(len(self.habits))), stay

    def _counted(self, block: Block) -> tuple[NDArray[np.int64], Shares]:
        """Return the distinct signatures of a block's states and how often each pad has them."""
        here = self.evidence.of_pad[:, block.states]
        signature, where = np.unique(here, return_inverse=True)
        count = np.zeros((len(here), len(signature)), np.float32)
        np.add.at(count, (np.arange(len(here))[:, None], where.reshape(here.shape)), 1.0)
        return signature, count

    def _add_levels(self, mine: Weighed, feed: Feed, high: NDArray[np.float64],
                    sending: NDArray[np.float64]) -> None:
        all_, often, stay = self.all, mine.often, mine.stay
        stands = np.isin(all_.role, (SUPPLY, FIXED_HIGH))
        high += often[:, stands].sum((1, 2))[:, None]
        role = all_.role[stay.moving]
        lines = np.flatnonzero(np.isin(role, (STATE_LINE, SWITCHED)))
        data = np.flatnonzero(role == DATA)
        for block in self.blocks(feed):
            here = self.evidence.of_pad[:, block.states]
            signature, where = np.unique(here, return_inverse=True)
            share = self.share(signature, block.rail_at)
            for total, chosen in ((high, lines), (sending, data)):
                table = np.zeros((len(often), len(signature)))
                sums = self.sums(feed, block, share, stay.moving[chosen])
                for i, q in enumerate(self.habits):
                    moved, rests = sums.at(q)
                    held = np.maximum(sums.held(q, moved, stay.drain[chosen]), _TINY)
                    part = often[:, stay.moving[chosen], i] / stay.left[:, chosen, i]
                    table += part @ (moved / np.maximum(moved + rests, _TINY))
                    # Less the cases in which it moves here because it does so everywhere.
                    table -= (part * stay.loud[:, chosen, i]) @ (moved / held)
                total[:, block.states] += np.take_along_axis(np.maximum(table, 0), where.reshape(here.shape), 1)
