"""Guesses at when the module has its supply, and where its rail stands when it has none.

In: what each pad may be by itself. Out: `Feed` entries, to be weighed by all pads together.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tapwright.pins.circuits import STATE_LINE, SWITCHED
from tapwright.pins.moves import ALIVE, LOST, UNSURE
from tapwright.pins.signatures import Evidence

LIFTED = 0.03  # share of the supply over which a fallen rail counts as lifted by what feeds it
UP = 0.94  # nor is it up: a diode drop under a supply of 5 V leaves 0.9
MOST_SOURCES, MOST_LIFTED = 6, 3
HIDDEN = 0.03  # the module's supply is on none of the pads, but goes as one of them does
RAIL_STEP = 0.004
SAME = 0.02  # share of the supply within which two pads stand at one level
CLAMP_V = (0.45, 0.8)  # where a pad stands that feeds a dead rail near ground through a chip's clamp


@dataclass(frozen=True)
class Feed:
    """A guess at when the module has its supply: places in `DEAD_LEVELS` by state, and how likely the guess is.

    Parameters
    ----------
    rail : how hard its rail is held down then, a place in `DEAD_RAIL_OHM` (-1: not said)
    source : the pad that is the module's supply, -1 where that is not said
    rail_at : where the dead rail stands by state, share of the supply as `source` shows it; empty: at 0 in all
    """

    dead: NDArray[np.int64]
    share: float
    rail: int = -1
    source: int = -1
    rail_at: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


def guesses(evidence: Evidence, role: NDArray[np.float64], high: NDArray[np.float64], *, is_large: bool) -> list[Feed]:
    """Return the guesses: the main supply, each pad that looks like a switched supply, or one that none shows.

    Parameters
    ----------
    role, high : what each pad may be, by itself: shapes (n_pads, 8) and (n_pads, n_states)
    """
    alive = np.full(len(evidence.states), ALIVE)
    chance = role[:, SWITCHED]
    order = np.argsort(-chance, kind="stable")
    likely = [int(p) for p in order[:1 if is_large else MOST_SOURCES] if chance[p] > 0.05]
    lifted = [] if is_large else _lifted(evidence, role)
    feeds = [Feed(alive, 0.45 if likely or lifted else 0.97)]
    if not is_large:
        feeds.append(Feed(np.full(len(alive), UNSURE), 0.004))
    hidden = {alive.tobytes()}
    for p in likely:
        up = high[p] / max(float(chance[p] + role[p, STATE_LINE]), 1e-9)
        dead = np.where(up < 0.15, LOST, np.where(up > 0.85, ALIVE, UNSURE))
        if not any(feed.source == p for feed in lifted) and (dead != ALIVE).any():
            feeds.append(Feed(dead, 0.5, source=p))
        if dead.tobytes() not in hidden:
            hidden.add(dead.tobytes())
            feeds.append(Feed(dead, HIDDEN * float(chance[p])))
    for dead in _back_fed(evidence):
        if dead.tobytes() not in hidden and not is_large:
            hidden.add(dead.tobytes())
            feeds.append(Feed(dead, HIDDEN))
    return feeds + lifted


def _back_fed(evidence: Evidence) -> list[NDArray[np.int64]]:
    """Return when the module would be without supply by the pads that sit a diode drop over ground, and else higher."""
    found: dict[bytes, NDArray[np.int64]] = {}
    volts = evidence.plain * evidence.supply_v
    with np.errstate(invalid="ignore"):
        clamped, higher = (volts >= CLAMP_V[0]) & (volts <= CLAMP_V[1]), volts > 1.5 * CLAMP_V[1]
    for p in np.flatnonzero(clamped.any(1) & higher.any(1)).tolist():
        dead = np.where(clamped[p], LOST, np.where(higher[p], ALIVE, UNSURE))
        found.setdefault(dead.tobytes(), dead)
    return list(found.values())[:MOST_LIFTED]


def _lifted(evidence: Evidence, role: NDArray[np.float64]) -> list[Feed]:
    """Return the pads that stand at the supply in some states and lifted off the ground, yet lower, in others.

    A line that is high while the module is without supply feeds its rail through the clamp of a chip: the rail then
    stands a diode drop under the supply, or lower where it has more to feed. By itself that looks like a line that
    sends; that other pads stand where this one does, or a diode drop higher, tells.
    """
    feeds: list[Feed] = []
    chance = role[:, SWITCHED]
    for p in np.argsort(-chance, kind="stable").tolist():
        plain = _filled(evidence.plain, p)
        with np.errstate(invalid="ignore"):
            up, down = plain > UP + 0.03, plain < UP
            risen = down & (plain > LIFTED)
        if chance[p] < 1e-6 or not up.any() or not risen.any() or len(feeds) >= MOST_LIFTED:
            continue
        dead = np.where(up, ALIVE, np.where(down, LOST, UNSURE))
        at = np.where(risen, np.round(plain / RAIL_STEP) * RAIL_STEP, 0.0)
        feeds.append(Feed(dead, 0.5, source=p, rail_at=at))
    return feeds


def _filled(plain: NDArray[np.float64], p: int) -> NDArray[np.float64]:
    """Return a pad's readings, blanks taken from the pads that stand where it stands in all states that both know.

    What hangs on a rail by a resistor shows it as the rail itself does; a blank says nothing against either.
    """
    mine = plain[p].copy()
    apart = np.abs(plain - plain[p])
    between = (plain > LIFTED) & (plain < UP)
    alike = [(float(np.nanmax(apart[q])), q) for q in range(len(plain))
             if q != p and (between[q] & between[p]).any() and np.nanmax(apart[q]) <= SAME]
    for _, q in sorted(alike):
        mine = np.where(np.isnan(mine), plain[q], mine)
    return np.asarray(mine)
