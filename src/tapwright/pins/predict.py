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
    HIGH,
    INSTRUMENT,
    LOW,
    NOTHING,
    SENDING,
    Circuits,
    branches,
    circuits,
)

POINT, DRIFTING, ANYWHERE = range(3)
DIODE_V = (0.6, 0.06)  # a silicon clamp's drop at microamperes to a milliampere, and its spread: common practice
# How much of a branch's own spread is new in each reading, and how much all readings of a state share.
OWN_EACH, OWN_SHARED = 0.25, 0.97
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


@functools.lru_cache(maxsize=64)
def forecast(test: Probe, *, supply_v: float, meter_ohm: float) -> Forecast:
    """Return what each branch shows under a test.

    Parameters
    ----------
    supply_v : volts; scales the clamp's drop
    meter_ohm : the meter's input resistance
    """
    node = _Node(test, supply_v, meter_ohm)
    middle = node.solve()
    wide = np.zeros_like(middle)
    # A grid point stands for its whole cell: how far the reading moves over one standard deviation of the cell.
    for i, step in enumerate((node.all.drive_step, node.all.pull_step, node.all.down_step)):
        factor = [np.ones(len(middle)) for _ in range(3)]
        factor[i] = np.exp(np.log(step) * _STEP)
        wide += ((node.solve(_Factors(*factor)) - node.solve(_Factors(*(1 / each for each in factor)))) / 2) ** 2
    return Forecast(
        at=middle.astype(np.float32), spread=np.sqrt(wide + (OWN_EACH * node.own_spread) ** 2).astype(np.float32),
        shared=(OWN_SHARED * node.own_spread).astype(np.float32), kind=node.kind(),
        source=node.source_share().astype(np.float32))


@dataclass(frozen=True)
class _Factors:
    """By what to multiply every branch's driver, pulls and fallen supply."""

    drive: NDArray[np.float64] | float = 1.0
    pull: NDArray[np.float64] | float = 1.0
    down: NDArray[np.float64] | float = 1.0


_AS_IT_IS = _Factors()


@functools.cache
def _by_branch() -> Circuits:
    """Return the circuits' columns with one entry a branch."""
    columns: dict[str, Any] = {
        field.name: getattr(circuits(), field.name)[branches().circuit] for field in fields(Circuits)}
    return Circuits(**columns)


class _Node:
    """The circuit node of every branch at once."""

    def __init__(self, test: Probe, supply_v: float, meter_ohm: float) -> None:
        self.test, self.branch, self.all = test, branches(), _by_branch()
        self.meter_g, self.diode = 1 / meter_ohm, DIODE_V[0] / supply_v
        all_, branch = self.all, self.branch
        self.does = branch.does
        self.up = np.isin(branch.does, (HIGH, CLAMPED))
        self.fed = np.isin(branch.does, (DEAD, CLAMPED))
        self.lifted = self.fed & (branch.dead_rail == FED_RAIL)
        self.present = ~(all_.by_module & test.out)
        self.sends = self.present & (branch.does == SENDING) & ~(all_.waits & test.out)
        self.idle_high = all_.idle_high
        self.away = all_.duty
        self.floating = all_.role == FLOATING
        self.driven = np.isin(self.does, (HIGH, LOW, SENDING, CLAMPED)) & self.present
        self.swing = np.abs(self.level(self.idle_high) - self.level(~self.idle_high))
        self.own_spread = self._own_spread(supply_v)

    def solve(self, by: _Factors = _AS_IT_IS) -> NDArray[np.float64]:
        """Return the volts with every resistance multiplied by its factor."""
        sending = self.does == SENDING
        steady = self.level(self.up, by)
        if sending.any():
            away = np.clip(self.away, 0.0, 1.0)
            away = np.where(self.away < 0, 0.4, away)
            resting = self.level(self.idle_high, by)
            moved = self.level(~self.idle_high, by)
            steady = np.where(sending, np.where(self.sends, resting + (moved - resting) * away, resting), steady)
        resting_at = self.all.float_at
        if np.isinf(self.test.ohm):
            steady = np.where(self.floating, resting_at, steady)
        return steady

    def level(self, high: NDArray[np.bool_], by: _Factors = _AS_IT_IS) -> NDArray[np.float64]:
        """Return the volts of the branches taken as steady, `high` saying which way a driver drives."""
        g, pushed = self._conductances(high, by)
        volts = pushed / g
        dead = self.fed & (not self.test.out)
        if dead.any():
            over = np.maximum(volts - self.diode, 0)
            rail = np.where(dead, self.branch.dead_rail, 1.0)
            clamped = np.minimum(volts, self.diode) + over * rail / (rail + 1 / g)
            volts = np.where(dead, clamped, volts)
        return volts

    def _conductances(
        self, high: NDArray[np.bool_], by: _Factors,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        all_, does = self.all, self.does
        ohm = np.where(high, all_.high_ohm, all_.low_ohm) * by.drive
        down = does == DOWN
        driver_g = np.where(self.driven, 1 / ohm, 0.0)
        gone = down & self.test.out & ~all_.down_stays
        down_g = np.where(down & ~gone, 1 / (all_.down_ohm * by.down), 0.0)
        dead = does == DEAD
        inner_g = 1 / (all_.pull_i * by.pull)
        # A dead rail that another line feeds stands a diode drop under the supply, and the pulls to it with it.
        rail_at = np.where(self.lifted, max(1 - self.diode, 0.0), np.where(dead, 0.0, 1.0))
        inner_up = all_.pull_i_up * np.where(all_.pull_i_switched, rail_at, 1.0)
        outer_g = np.where(self.test.out, 0.0, 1 / (all_.pull_m * by.pull))
        outer_up = all_.pull_m_up * rail_at
        load_g = 0.0 if np.isinf(self.test.ohm) else 1 / self.test.ohm
        g = driver_g + down_g + inner_g + outer_g + load_g + self.meter_g
        down_at = np.where(self.test.out, 0.0, all_.down_at)
        pushed = (driver_g * high * all_.high_at + down_g * down_at + inner_g * inner_up + outer_g * outer_up
                  + load_g * self.test.to_supply)
        return g, pushed

    def source_share(self) -> NDArray[np.float64]:
        """Return the share of each reading that the load's own source makes."""
        if np.isinf(self.test.ohm) or not self.test.to_supply:
            return np.zeros(len(self.does))
        g, _ = self._conductances(self.up, _AS_IT_IS)
        return np.asarray(1 / self.test.ohm / g)

    def kind(self) -> NDArray[np.int8]:
        """Return POINT, DRIFTING or ANYWHERE for each branch."""
        all_ = self.all
        kind = np.full(len(self.does), POINT, np.int8)
        kind[self.sends & (self.away < 0) & (self.swing > 0.1)] = ANYWHERE
        if np.isinf(self.test.ohm):
            held = np.isfinite(all_.pull_i) | (np.isfinite(all_.pull_m) & (not self.test.out))
            high_z = (self.does == DOWN) & ((all_.down_ohm > 1e8) | (self.test.out & ~all_.down_stays))
            loose = ((self.does != DOWN) & ~self.driven & ~held) | high_z
            kind[(loose & ~self.floating) | (self.floating & all_.float_loose)] = DRIFTING
        return kind

    def _own_spread(self, supply_v: float) -> NDArray[np.float64]:
        all_ = self.all
        spread = np.full(len(self.does), 0.0)
        loaded = np.isfinite(self.test.ohm)
        wander = np.where(self.away < 0, 0.25, 0.25 * np.minimum(self.away, 1 - self.away) + 0.002)
        # It wanders with its average between the two levels that it has here.
        spread[self.sends] = (wander * self.swing)[self.sends]
        at = all_.float_at
        width = 0.003 + 0.16 * at
        leak = min(self.test.ohm / 5e6, 0.3) if loaded else 0.0
        spread[self.floating] = (leak * (0.2 + at) + 0.001 if loaded else width)[self.floating]
        # As wide as a line's that sends, so that many readings alike do not speak for the one or the other.
        second = all_.high_at < 1
        spread[second] = (0.25 * np.minimum(all_.high_at, 1 - all_.high_at) + 0.002)[second]
        down = (self.does == DOWN) & (all_.down_at > 0)
        spread[down] = 0.08
        if not self.test.out:
            dead = self.fed
            up = dead & (self.level(self.up) > self.diode * 0.9)
            spread[up] = np.where(
                (self.branch.dead_rail[up] > 1e6) & ~self.lifted[up], 0.01, DIODE_V[1] / supply_v + 0.05)
        return spread


def class_of_branches() -> NDArray[np.int64]:
    """Return role times 4 plus driver for each branch, floats being role 7 and driver "nothing"."""
    all_, j = circuits(), branches().circuit
    assert ((all_.driver[j] == NOTHING) == (all_.role[j] == FLOATING)).all()
    assert INSTRUMENT == 0
    return all_.role[j].astype(np.int64) * 4 + all_.driver[j]
