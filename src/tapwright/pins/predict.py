"""What a meter should show on each branch under each test, and how far off it may be.

In: a `Probe` (module in or out, a resistor to ground or to the supply). Out: a `Forecast`, one entry a branch, in
shares of the supply. A reading's likelihood and the worth of a test not made yet both come from it.

Source: superposition over the conductances at one node (Kirchhoff's current law); the meter's 10 Mohm is one of them.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapwright.pins.circuits import (
    CLAMPED,
    DEAD,
    DOWN,
    FED_RAIL,
    FLOATING,
    FULLY_LIFTED,
    HIGH,
    INSTRUMENT,
    LOW,
    NOTHING,
    PARTLY_LIFTED,
    SENDING,
    Circuits,
    branches,
    circuits,
)

POINT, DRIFTING, ANYWHERE = range(3)
DIODE_V = (0.6, 0.06)  # a silicon clamp's drop at microamperes to a milliampere, and its spread: common practice
# How much of a branch's own spread is new in each reading, and how much all readings of a state share.
OWN_EACH, OWN_SHARED = 0.25, 0.97
# A fallen supply that a line feeds through a clamp: how far under the supply, and how softly.
LIFT_V, LIFTS_OHM = (0.64, 0.09), 1e3
LIFTED = (FULLY_LIFTED, PARTLY_LIFTED)
CELL_OF_RAIL = 1.6 / np.sqrt(12)  # a step of the grid of dead rails, and its standard deviation, as a logarithm
_STEP = 1 / np.sqrt(12)


@dataclass(frozen=True)
class Probe:
    """How a pad is measured: `ohm` (inf: no load) to the supply or to ground, with the module in or out."""

    out: bool = False
    ohm: float = np.inf
    to_supply: bool = False


@dataclass(frozen=True)
class Forecast:
    """One entry a branch: `at`, `spread` and `shared` in shares of the supply.

    `spread` is each reading's own, `shared` the part by which all readings in one state are off together: how hard a
    dead rail is held, what a line's average is.
    `kind`: POINT (near `at`), DRIFTING (nothing holds it: low, leaking), ANYWHERE (an average never seen yet).
    `source` is how much of it comes from the load's own source, 0 to 1. `idle_at` is where a line that waits for the
    module rests when the module is out.
    """

    at: NDArray[np.float32]
    spread: NDArray[np.float32]
    shared: NDArray[np.float32]
    kind: NDArray[np.int8]
    source: NDArray[np.float32]


@functools.lru_cache(maxsize=256)
def forecast(test: Probe, *, supply_v: float, meter_ohm: float, rail_at: float = 0.0) -> Forecast:
    """Return what each branch shows under a test.

    Parameters
    ----------
    supply_v : volts; scales the clamp's drop
    meter_ohm : the meter's input resistance
    rail_at : where the rail of a module without supply is known to stand, share of the supply (0: at ground, not
        lifted by anything that is known)
    """
    node = _Node(test, supply_v, meter_ohm, rail_at)
    middle = node.solve()
    wide = np.zeros_like(middle)
    # A grid point stands for its whole cell: how far the reading moves over one standard deviation of the cell.
    for name, step in (("drive", node.all.drive_step), ("pull", node.all.pull_step), ("down", node.all.down_step)):
        factor = np.exp(np.log(step) * _STEP)
        wide += ((node.solve(**{name: factor}) - node.solve(**{name: 1 / factor})) / 2) ** 2
    return Forecast(
        at=middle.astype(np.float32), spread=np.sqrt(wide + (OWN_EACH * node.own_spread) ** 2).astype(np.float32),
        shared=(OWN_SHARED * node.own_spread).astype(np.float32), kind=node.kind(),
        source=node.source_share().astype(np.float32))


@functools.cache
def _by_branch() -> Circuits:
    """Return the circuits' columns with one entry a branch."""
    columns: dict[str, Any] = {
        field.name: getattr(circuits(), field.name)[branches().circuit] for field in fields(Circuits)}
    return Circuits(**columns)


@functools.cache
def _doing(*what: int) -> NDArray[np.bool_]:
    """Return which branches do one of these."""
    return np.isin(branches().does, what)


class _Node:
    """The circuit node of every branch at once: conductances to where they push it, set up once a test."""

    def __init__(self, test: Probe, supply_v: float, meter_ohm: float, rail_at: float) -> None:
        self.test, self.branch, self.all = test, branches(), _by_branch()
        self.diode, self.rail_at = DIODE_V[0] / supply_v, rail_at
        self.load_g = 0.0 if np.isinf(test.ohm) else 1 / test.ohm
        all_ = self.all
        self.up, self.fed, self.sending = _doing(HIGH, CLAMPED), _doing(DEAD, CLAMPED), _doing(SENDING)
        self.rows = np.flatnonzero(self.sending)
        self.lifted = self.fed & (self.branch.dead_rail == FED_RAIL)
        present = ~(all_.by_module & test.out)
        self.sends = present & self.sending & ~(all_.waits & test.out)
        self.floating = all_.role == FLOATING
        self.driven = _doing(HIGH, LOW, SENDING, CLAMPED) & present
        self._set_up(meter_ohm, min(LIFT_V[0] / supply_v, 1.0))
        idle_high = all_.idle_high[self.rows]
        self.swing = np.zeros(len(self.up))
        self.swing[self.rows] = np.abs(self.level(idle_high, self.rows) - self.level(~idle_high, self.rows))
        self.own_spread = self._own_spread(supply_v)

    def _set_up(self, meter_ohm: float, lift: float) -> None:
        all_, out = self.all, self.test.out
        self.high_g = np.where(self.driven, 1 / all_.high_ohm, 0.0)
        self.low_g = np.where(self.driven, 1 / all_.low_ohm, 0.0)
        fallen, lifted = _doing(DOWN, *LIFTED), _doing(*LIFTED) & (not out)
        there = fallen & (all_.down_stays | (not out))
        self.down_g = np.where(there, 1 / np.where(lifted, LIFTS_OHM, all_.down_ohm), 0.0)
        self.down_push = self.down_g * (0.0 if out else np.where(lifted, 1 - lift, all_.down_at))
        # A dead rail that another line feeds stands a diode drop under the supply, and the pulls to it with it; with
        # the module its clamps are gone.
        rail_at = np.where(self.lifted, max(1 - self.diode, 0.0), np.where(self.fed, 0.0, 1.0))
        if self.rail_at:
            rail_at = np.where(self.fed, self.rail_at, 1.0)
        if out:
            rail_at = np.where(self.fed, 0.0, 1.0)
        inner_g = np.where(fallen, 0.0, 1 / all_.pull_i)  # a pull to a fallen supply is a part of `down_ohm`
        outer_g = np.zeros_like(inner_g) if out else 1 / all_.pull_m
        self.pull_g = inner_g + outer_g
        self.pull_push = inner_g * all_.pull_i_up * np.where(all_.pull_i_switched, rail_at, 1.0) + (
            outer_g * all_.pull_m_up * rail_at)
        self.rest_g = self.load_g + 1 / meter_ohm
        self.rest_push = self.load_g * self.test.to_supply

    def solve(self, *, drive: NDArray[np.float64] | None = None, pull: NDArray[np.float64] | None = None,
              down: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Return the volts with every driver, pull or fallen supply multiplied by its factor."""
        steady = self.level(self.up, drive=drive, pull=pull, down=down)
        rows = self.rows
        away = np.where(self.all.duty[rows] < 0, 0.4, self.all.duty[rows])
        idle_high = self.all.idle_high[rows]
        resting, moved = (self.level(high, rows, drive=drive, pull=pull, down=down) for high in (idle_high, ~idle_high))
        steady[rows] = np.where(self.sends[rows], resting + (moved - resting) * away, resting)
        if not self.load_g:
            steady = np.where(self.floating, self.all.float_at, steady)
        return steady

    def level(self, high: NDArray[np.bool_], rows: NDArray[np.int64] | None = None, *,
              drive: NDArray[np.float64] | None = None, pull: NDArray[np.float64] | None = None,
              down: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Return the volts of the branches, or the chosen rows, taken as steady; `high`: which way a driver drives."""
        def at(table: NDArray[Any]) -> NDArray[Any]:
            return table if rows is None else table[rows]

        driver_g = np.where(high, at(self.high_g), at(self.low_g))
        pull_g, pull_push, down_g, down_push = (
            at(table) for table in (self.pull_g, self.pull_push, self.down_g, self.down_push))
        if drive is not None:
            driver_g = driver_g / at(drive)
        if pull is not None:
            pull_g, pull_push = pull_g / at(pull), pull_push / at(pull)
        if down is not None:
            down_g, down_push = down_g / at(down), down_push / at(down)
        g = driver_g + down_g + pull_g + self.rest_g
        pushed = driver_g * high * at(self.all.high_at) + down_push + pull_push + self.rest_push
        volts = pushed / g
        if rows is None and not self.test.out:
            volts = np.where(self.fed, self._clamped(volts, g, pushed), volts)
        return np.asarray(volts)

    def _clamped(self, volts: NDArray[np.float64], g: NDArray[np.float64],
                 pushed: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the volts with a chip's clamp to the dead rail beside."""
        rail_ohm = np.where(self.fed, self.branch.dead_rail, 1.0)
        base = np.full(len(volts), self.rail_at + self.diode)
        if self.rail_at:
            # Where the rail is known to stand holds already what flows into it while the pad has no load.
            free = pushed - self.rest_push - base * (g - self.load_g)
            base -= rail_ohm * np.maximum(free, 0.0)
        return np.asarray(np.minimum(volts, (base + rail_ohm * g * volts) / (1 + rail_ohm * g)))

    def source_share(self) -> NDArray[np.float64]:
        """Return the share of each reading that the load's own source makes."""
        if not self.rest_push:
            return np.zeros(len(self.up))
        g = np.where(self.up, self.high_g, self.low_g) + self.down_g + self.pull_g + self.rest_g
        return np.asarray(self.load_g / g)

    def kind(self) -> NDArray[np.int8]:
        """Return POINT, DRIFTING or ANYWHERE for each branch."""
        all_ = self.all
        kind = np.full(len(self.up), POINT, np.int8)
        kind[self.sends & (all_.duty < 0) & (self.swing > 0.1)] = ANYWHERE
        if not self.test.out:
            kind[_doing(PARTLY_LIFTED)] = ANYWHERE
        if not self.load_g:
            held = np.isfinite(all_.pull_i) | (np.isfinite(all_.pull_m) & (not self.test.out))
            fallen = _doing(DOWN, *LIFTED)
            let_go = (all_.down_ohm > 1e8) | (self.test.out & ~all_.down_stays)
            high_z = (fallen if self.test.out else _doing(DOWN)) & let_go
            loose = (~fallen & ~self.driven & ~held) | high_z
            kind[(loose & ~self.floating) | (self.floating & all_.float_loose)] = DRIFTING
        return kind

    def _own_spread(self, supply_v: float) -> NDArray[np.float64]:
        all_ = self.all
        spread = np.zeros(len(self.up))
        loaded = self.load_g > 0
        wander = np.where(all_.duty < 0, 0.25, 0.25 * np.minimum(all_.duty, 1 - all_.duty) + 0.002)
        # It wanders with its average between the two levels that it has here.
        spread[self.sends] = (wander * self.swing)[self.sends]
        at = all_.float_at
        width = 3e-4 + 0.22 * at
        leak = min(self.test.ohm / 5e6, 0.3) if loaded else 0.0
        spread[self.floating] = (leak * (0.2 + at) + 0.001 if loaded else width)[self.floating]
        # As wide as a line's that sends, so that many readings alike do not speak for the one or the other.
        second = all_.high_at < 1
        lifted = _doing(DOWN) & (all_.down_at > 0)
        for chosen, level in ((second, all_.high_at), (lifted, all_.down_at)):
            spread[chosen] = (0.25 * np.minimum(level, 1 - level) + 0.002)[chosen]
        if not self.test.out:
            spread[_doing(FULLY_LIFTED)] = 0.1 if loaded else LIFT_V[1] / supply_v + 0.005
            spread[self.fed] = self._fed_spread(supply_v)[self.fed]
        return spread

    def _fed_spread(self, supply_v: float) -> NDArray[np.float64]:
        """Return how far a clamp's drop and a grid step of the dead rail's hardness move the pads that feed it."""
        g = np.where(self.up, self.high_g, 0.0) + self.pull_g + self.rest_g
        pushed = np.where(self.up, self.high_g, 0.0) + self.pull_push + self.rest_push
        over = pushed / g - self.rail_at - self.diode
        drop = DIODE_V[1] / supply_v + 0.01
        if self.rail_at:
            return np.where(over > 0, drop, 0.004)
        hard = 1 / (1 + np.where(self.fed, self.branch.dead_rail, 1.0) * g)
        cell = CELL_OF_RAIL * (1 - hard) * hard * np.maximum(over, 0.0)
        clamped = np.hypot(drop * hard, cell) + 0.002
        soft = np.where(self.lifted, DIODE_V[1] / supply_v + 0.05, 0.01)
        return np.where(over > -0.1 * self.diode, np.where(self.branch.dead_rail > 1e6, soft, clamped), 0.0)


def class_of_branches() -> NDArray[np.int64]:
    """Return role times 4 plus driver for each branch, floats being role 7 and driver "nothing"."""
    all_, j = circuits(), branches().circuit
    assert ((all_.driver[j] == NOTHING) == (all_.role[j] == FLOATING)).all()
    assert INSTRUMENT == 0
    return all_.role[j].astype(np.int64) * 4 + all_.driver[j]
