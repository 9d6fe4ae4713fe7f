"""A pad that reads the same in every state: what its readings say together.

A grid point of the circuits stands for a whole cell of resistances, and a second supply or a line's average for a range
of volts. State by state each reading pays for that width anew, as though the resistance were another one in each; of
many readings alike the circuit with the narrowest cell would win by their sheer number. Here the width is paid once a
pad, and how the readings scatter about their middle is weighed by what would scatter so.

In: `Evidence`. Out: a log factor a pad and circuit, to be added to the product over the states.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.survey_cells import VOLTS
from tapwright.pins import likelihood
from tapwright.pins.circuits import FIXED_HIGH, FIXED_LOW, FLOATING, PULL, SENDING, branches, circuits
from tapwright.pins.moves import ALIVE, LOST
from tapwright.pins.predict import POINT, Forecast, Probe, forecast
from tapwright.pins.signatures import Evidence

# At the rails every cell is narrower than what the meter shows, and nothing is paid twice.
BETWEEN = (0.03, 0.985)
CLUSTER = 6.0  # readings of one pad within so many standard deviations of the meter may be one level
# How far the average of what a line sends moves from state to state, share, and how often: the same readings sent
# again make the same average.
WANDERS = ((0.0, 0.25), (0.003, 0.25), (0.01, 0.25), (0.03, 0.25))
SAME_FLOAT = 0.7  # how often a loose pad reads the same small voltage every time
REACH = 6.0  # standard deviations beyond which a branch explains nothing
SLIPPED = 10.0  # at worst one reading is simply wrong
ROOT = math.log(2 * math.pi)


@dataclass(frozen=True)
class Level:
    """Readings of one pad at one level: how many, their middle, what the meter makes of each, their sum of squares."""

    n: int
    at: float
    sd: float
    off: float


class Steadiness:
    """What every pad's steadiness over its states, or the want of it, says of each circuit."""

    def __init__(self, evidence: Evidence) -> None:
        self.known = ~np.isnan(evidence.plain)
        self.more = np.zeros((len(evidence.of_pad), len(circuits().role)))
        self.scatter = _scatter(evidence)
        middle = np.nansum(evidence.plain, 1) / np.maximum(self.known.sum(1), 1)
        self.between = (middle > BETWEEN[0]) & (middle < BETWEEN[1])
        cast = forecast(Probe(), supply_v=evidence.supply_v, meter_ohm=evidence.meter.ohm)
        width2 = cast.spread**2 + cast.shared**2
        for p in np.flatnonzero(self.between).tolist():
            level = _level(evidence, p)
            if level is not None:
                _add(self.more[p], level, cast, width2, evidence.shift)

    def factors(self, dead: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return what it adds to the log likelihood of each circuit, shape (n_pads, n_circuits).

        Parameters
        ----------
        dead : int, shape (n_states,): whether the module is without supply there (ALIVE, UNSURE, LOST)
        """
        # What hangs on the module does another thing without supply; that it comes to the same volts is a coincidence.
        lost = (self.known & (dead == LOST)).any(1)
        result = np.where(lost[:, None] & _lost_with_module(), 0.0, self.more) if lost.any() else self.more.copy()
        second, fixed = circuits().high_at < 1, np.isin(circuits().role, (FIXED_HIGH, FIXED_LOW))
        result[:, second] -= np.minimum(self.scatter, 40.0)[:, None]
        # One resistor and one driver cannot make several levels, unless the module's supply comes and goes.
        alive = self.between & ~(self.known & (dead != ALIVE)).any(1)
        result[np.ix_(alive, fixed)] -= np.minimum(self.scatter[alive], SLIPPED)[:, None]
        return result


@functools.cache
def _lost_with_module() -> NDArray[np.bool_]:
    """Return the circuits whose level is another one while the module is without supply."""
    all_ = circuits()
    return np.asarray(all_.by_module | np.isfinite(all_.pull_m) | ((all_.driver == PULL) & (all_.clamp > 0)))


def _scatter(evidence: Evidence) -> NDArray[np.float64]:
    """Return how unlikely each pad's scatter is where one level stands behind it, as a negative log: 0 if none."""
    n = np.maximum((~np.isnan(evidence.plain)).sum(1), 1)
    middle = np.nansum(evidence.plain, 1) / n
    sd = np.hypot(float(np.median(evidence.counts)), 2 * evidence.gain_sd)
    off = np.nansum((evidence.plain - middle[:, None]) ** 2, 1)
    return np.asarray(0.5 * np.maximum(off / sd**2 - n, 0))


def _level(evidence: Evidence, p: int) -> Level | None:
    readings = [reading for i in evidence.of_pad[p] for reading in evidence.signatures[i]
                if reading.kind == VOLTS and reading.test == Probe()]
    if len(readings) < 2 or any(reading.span for reading in readings):
        return None
    at = np.array([reading.at for reading in readings])
    middle, sd = float(at.mean()), math.sqrt(sum(reading.sd**2 for reading in readings) / len(at))
    if np.ptp(at) > CLUSTER * sd:
        return None
    return Level(len(at), middle, sd, float(((at - middle) ** 2).sum()))


def _add(factor: NDArray[np.float64], level: Level, cast: Forecast, width2: NDArray[np.float32], shift: float) -> None:
    circuit, n = branches().circuit, level.n
    near = ((level.at - cast.at)**2 < REACH**2 * (width2 + np.float32(level.sd**2))) & (cast.kind == POINT)
    # A circuit that explains the level by none of its branches keeps its product over the states.
    hit = np.zeros(len(factor), np.bool_)
    hit[circuit[near]] = True
    rows = np.flatnonzero(hit[circuit])
    mine = Forecast(cast.at[rows], cast.spread[rows], cast.shared[rows], cast.kind[rows], cast.source[rows])
    wide, circuit = np.sqrt(width2[rows].astype(np.float64) + level.sd**2), circuit[rows]
    sending, loose = branches().does[rows] == SENDING, circuits().role[circuit] == FLOATING
    at, sd, none = (np.full((1, 1), value, np.float32) for value in (level.at, level.sd, 0))
    spans = likelihood.span_shares(none, sd)[0, rows]
    once = -0.5 * ((level.at - mine.at) / wide) ** 2 - np.log(wide) - ROOT / 2 + n * np.log(spans)
    still = _scattered(level, level.sd)
    wanders = [math.log(share) + _scattered(level, math.hypot(level.sd, more)) for more, share in WANDERS]
    once += np.where(sending, np.logaddexp.reduce(wanders), still)
    once[loose] += np.logaddexp(math.log(SAME_FLOAT), math.log(1 - SAME_FLOAT) + _scattered(level, wide[loose]) - still)
    once[mine.kind != POINT] = -np.inf
    here = likelihood.middles(mine, at, sd, none, shift=shift)[0] * spans + likelihood.SLIP
    each = n * np.log(here.astype(np.float64)) - np.where(mine.kind == POINT, 0.5 * level.off / wide**2, 0)
    starts = np.flatnonzero(np.diff(circuit, prepend=-1))
    apart = _summed(each, starts)
    factor[circuit[starts]] = np.logaddexp(_summed(once, starts), apart) - apart


def _summed(logs: NDArray[np.float64], starts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the logarithms of the sums of every circuit's branches."""
    top = float(logs.max())
    return np.asarray(np.log(np.add.reduceat(np.exp(logs - top), starts) + 1e-300) + top)


def _scattered(level: Level, sd: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the log density of the readings about their own middle."""
    return np.asarray(-0.5 * (level.off / np.square(sd) + (level.n - 1) * (ROOT + 2 * np.log(sd))))
