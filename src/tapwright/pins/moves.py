"""What circuits make of a state: moved, at rest, or fed into a dead chip, with the priors of each.

In: shares of signatures by branch. Out: `Sums` by circuit, and the likelihood of all states together without the cases
that a circuit's own role rules out (a state line that never moves is none).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.pins.circuits import (
    CLAMPED,
    CLAMPED_RAILS,
    DATA,
    DEAD,
    DEAD_RAIL_OHM,
    DEAD_RAIL_SHARE,
    DOWN,
    FED_RAIL,
    FED_SHARE,
    FIXED_HIGH,
    FIXED_LOW,
    FULLY_LIFTED,
    HIGH,
    PARTLY_LIFTED,
    PULL,
    RELEASED,
    SENDING,
    STATE_LINE,
    SWITCHED,
    branches,
    circuits,
    up_from_module,
)

# How often a line stands high (or sends): a spread-out prior, so that ten equal states and one other are no surprise.
OFTEN = np.array([0.04, 0.2, 0.5, 0.8, 0.96])
# How sure it is in a state that the module is without supply: fed by the main supply, not known, or its own is down.
DEAD_LEVELS = np.array([3e-4, 0.4, 0.97])
ALIVE, UNSURE, LOST = range(3)
IS_LIFTED = 0.25  # share of the states with a switched supply down in which some line feeds it
OWN_RAIL = 0.5  # how far what a driven line meets goes with how hard the dead rail is for the others
LEAST_LEFT = 1e-4
_TINY = np.float32(1e-30)
Shares = NDArray[np.float32]


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

    def held(self, i_often: int, moved: Shares, drain: NDArray[np.bool_]) -> Shares:
        """Return what counts as moved where it would do so in all states: an open drain that never pulls low."""
        let_go = moved + self.dead_rests + np.float32(OFTEN[i_often]) * self.fed_rests
        return np.asarray(np.where(drain[:, None], let_go, moved), np.float32)


@dataclass(frozen=True)
class Stay:
    """Which share of a moving circuit's likelihood the cases make in which it does not move, and must be taken out.

    Parameters
    ----------
    moving, drain : the circuits, and which are open drains
    quiet, loud, left : float32, shape (n_pads, n_moving, n_habits): it rests in all states, it moves in all of them,
        and what is left
    """

    moving: NDArray[np.int64]
    drain: NDArray[np.bool_]
    quiet: Shares
    loud: Shares
    left: Shares

    @classmethod
    def none(cls, moving: NDArray[np.int64], drain: NDArray[np.bool_], n_pads: int, n_habits: int) -> Stay:
        """Return one that takes nothing out."""
        shape = (n_pads, len(moving), n_habits)
        return cls(moving, drain, np.zeros(shape, np.float32), np.zeros(shape, np.float32), np.ones(shape, np.float32))

    def put(self, i_habit: int, quiet: Shares, loud: Shares) -> None:
        """Set the shares for one habit; where hardly anything is left they are no more than rounding."""
        left = 1 - quiet - loud
        sound = left > LEAST_LEFT
        self.quiet[:, :, i_habit] = quiet * sound
        self.loud[:, :, i_habit] = loud * sound
        self.left[:, :, i_habit] = np.where(sound, left, 1)


# Columns of branches (int, one entry a circuit, -1 where it has none) in the order of `Sums`. What counts as moved: a
# high level, sending, or for a fixed low line of the module that it is driven at all.
Places = tuple[tuple[NDArray[np.int64], ...], ...]


@functools.lru_cache(maxsize=256)
def places(volts_high: bytes, rail: int) -> Places:
    """Return where each circuit's branches stand.

    Parameters
    ----------
    volts_high : bool, a byte a branch: what it shows counts as high
    rail : how hard the dead rail is held, a place in `DEAD_RAIL_OHM` (-1: not said)
    """
    b, all_ = branches(), circuits()
    by_volts = np.frombuffer(volts_high, np.bool_)
    fed = np.isin(b.does, (DEAD, CLAMPED))
    role = all_.role[b.circuit]
    moved = np.where(fed, by_volts, b.is_high)
    moved = np.where(role == DATA, b.does == SENDING, moved)
    moved = np.where(role == FIXED_LOW, b.does != DEAD, moved)
    kept = (b.does != DEAD) | (rail < 0) | np.isin(b.dead_rail, (DEAD_RAIL_OHM[rail], FED_RAIL))
    # What is clamped down to a low level is not fixed high; what a pull takes up when let go is not fixed low.
    kept &= ~(fed & (role == FIXED_HIGH) & ~by_volts) & ~(fed & (role == FIXED_LOW) & by_volts)
    return tuple(_columns(kept & select & side) for select in (~fed, b.does == CLAMPED, b.does == DEAD)
                 for side in (moved, ~moved))


def sums_of(where: Places, level: int, rail: int, share: Shares, chosen: NDArray[np.int64]) -> Sums:
    """Return what the chosen circuits make of signatures.

    Parameters
    ----------
    where, level, rail : see `places`; a place in `DEAD_LEVELS`; a place in `DEAD_RAIL_OHM`
    share : rows of branches (the last one nothing), a column a signature
    """
    weight = branch_base(level, rail)
    parts = []
    for table in where:
        total = np.zeros((len(chosen), share.shape[1]), np.float32)
        for column in table:
            which = column[chosen]
            rows = np.flatnonzero(weight[which])
            total[rows] += share[which[rows]] * weight[which[rows]][:, None]
        parts.append(total)
    return Sums(_habit()[chosen][:, None], (circuits().role[chosen] == DATA)[:, None], *parts)


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
    has = {kind: np.isin(np.arange(len(all_.role)), b.circuit[b.does == kind])[b.circuit]
           for kind in (DEAD, CLAMPED, FULLY_LIFTED)}
    # A pull on the instrument's board, or to ground, lasts on a dead module; a chip there may clamp it or not.
    lasting = ~all_.by_module[b.circuit] & ((role == FIXED_LOW) | (
        (role == FIXED_HIGH) & np.isfinite(all_.pull_i[b.circuit]) & ~all_.pull_i_switched[b.circuit]))
    dies = np.where(lasting, all_.clamp[b.circuit] * dead, dead)
    mortal = has[DEAD] | (all_.by_module[b.circuit] & (role == FIXED_HIGH))
    weight = np.where(mortal, 1 - dies, 1.0)
    share = b.dead_share / DEAD_RAIL_SHARE.sum() if rail < 0 else np.where(
        b.dead_rail == FED_RAIL, FED_SHARE, (1 - FED_SHARE) * (b.dead_rail == DEAD_RAIL_OHM[rail]))
    lost = b.does == DEAD
    weight[lost] = (dies * share)[lost]
    # A pull-up on the module's board dies with it; what is driven or pulled up elsewhere may be clamped or not.
    feeds = dead * np.where(up_from_module(all_), 1.0, all_.clamp)
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
    fallen = has[FULLY_LIFTED]
    weight[fallen & (b.does == DOWN)] = 1 - IS_LIFTED
    weight[fallen & np.isin(b.does, (FULLY_LIFTED, PARTLY_LIFTED))] = IS_LIFTED / 2
    clamped = b.does == CLAMPED
    weight[clamped] = (feeds * clamp_share)[clamped]
    return np.append(weight, 0.0).astype(np.float32)


@functools.cache
def _habit() -> NDArray[np.bool_]:
    """Return which circuits move by habit; one on a resistor alone moves because its rail dies."""
    all_ = circuits()
    return np.asarray(np.isin(all_.role, (STATE_LINE, SWITCHED, DATA)) & (
        (all_.driver != PULL) | np.isfinite(all_.down_ohm)))


@functools.cache
def movers() -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the circuits that must do two things (or one at least once), and which are open drains."""
    all_ = circuits()
    dies = (all_.role == FIXED_LOW) & all_.by_module
    moving = np.flatnonzero(np.isin(all_.role, (STATE_LINE, SWITCHED, DATA)) | dies)
    drain = (all_.driver != PULL) & (all_.role == STATE_LINE) & ~np.isfinite(all_.high_ohm)
    return moving, drain[moving]


def stays(blocks: list[tuple[Sums, Shares]], i_often: int, drain: NDArray[np.bool_],
          two_sided: NDArray[np.bool_]) -> tuple[Shares, Shares, Shares]:
    """Return the log likelihood over all states, and which shares of it resting and moving in all of them make.

    Parameters
    ----------
    blocks : what the circuits make of signatures, and how often each pad has each signature
    i_often : the habit
    drain, two_sided : bool, one a circuit: an open drain; it must both move and rest
    """
    whole, quiet, loud = (np.zeros((), np.float32) for _ in range(3))
    for sums, count in blocks:
        moved, rests = sums.at(i_often)
        whole = whole + logs(moved + rests, count)
        quiet = quiet + logs(rests, count)
        loud = loud + logs(sums.held(i_often, moved, drain)[two_sided], count)
    always = np.zeros_like(whole)
    always[:, two_sided] = np.exp(np.minimum(loud - whole[:, two_sided], 0))
    return whole, np.exp(np.minimum(quiet - whole, 0)), always


def logs(values: Shares, count: Shares) -> Shares:
    """Add up the logarithms of (n_circuits, n_signatures) over each pad's states: (n_pads, n_circuits)."""
    return np.asarray(count @ np.log(np.maximum(values, _TINY)).T, np.float32)
