"""How likely each measurement is on each branch: the meter's own accuracy against the forecast.

In: readings as shares of the supply with their standard deviations. Out: densities, one row a reading and one column a
branch (or a circuit, for ohms), relative to one unit of the supply. No density is ever zero: a slip of the pen is
always possible.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.pins.circuits import (
    DATA,
    DOWN,
    FIXED_HIGH,
    FIXED_LOW,
    FLOATING,
    GROUND,
    MODULE,
    PULL,
    SENDING,
    STATE_LINE,
    SUPPLY,
    SWITCHED,
    branches,
    circuits,
)
from tapwright.pins.predict import ANYWHERE, DRIFTING, POINT, Forecast

SLIP = 3e-4  # density of a reading that is simply wrong
TAIL = (0.05, 3.5)  # share and width of the readings that are worse than the meter's book says
# A pad that nothing holds: mostly at zero through the meter, or up by leakage; (share, scale) of exponentials, the rest
# anywhere.
DRIFT = ((0.62, 0.0003), (0.12, 0.006), (0.1, 0.04), (0.08, 0.15))
_ROOT = np.float32(np.sqrt(2 * np.pi))
Array = NDArray[np.float32]


class Joint:
    """The density of several readings in one state, where a branch is off in all of them together.

    Source: the matrix determinant lemma and Sherman-Morrison formula for a diagonal covariance plus one shared term.
    """

    def __init__(self, n_signatures: int) -> None:
        shape = (n_signatures, len(branches().does))
        self.square, self.cross, self.weight, self.log, self.n = (np.zeros(shape, np.float32) for _ in range(5))
        self.tail = np.ones(shape, np.float32)

    def add(self, i: int, cast: Forecast, at: float, sd: float, span: float, *, shift: float) -> NDArray[np.bool_]:
        """Add a reading of signature `i`; return the branches for which it is taken up here."""
        mine: NDArray[np.bool_] = (cast.shared > 0) & (cast.kind == POINT)
        # Whole rows, and a factor of 0 where it is not taken up: much faster than picking them.
        taken = mine.astype(np.float32)
        scale2 = cast.spread**2 + (np.float32(shift) * cast.source) ** 2 + np.float32((sd + span / 2) ** 2)
        off = np.float32(at) - cast.at
        over = taken / scale2
        self.square[i] += off**2 * over
        self.cross[i] += off * cast.shared * over
        self.weight[i] += cast.shared**2 * over
        self.log[i] += taken * np.log(scale2)
        self.n[i] += taken
        wide = (scale2 + cast.shared**2) * np.float32(TAIL[1] ** 2)
        tail = np.exp(-0.5 * off**2 / wide) / np.sqrt(wide) / _ROOT + np.float32(SLIP)
        self.tail[i] *= np.where(mine, tail, np.float32(1))
        return mine

    def density(self) -> Array:
        """Return the density of everything added, shape (n_signatures, n_branches)."""
        more = 1 + self.weight
        log = -0.5 * (self.square - self.cross**2 / more + self.log + np.log(more)) - self.n * np.log(_ROOT)
        share = np.float32(TAIL[0])
        return np.asarray((1 - share) * np.exp(log) + share * self.tail)


def volts(cast: Forecast, at: Array, sd: Array, span: Array, *, shift: float) -> Array:
    """Return the density of DC readings on every branch.

    Parameters
    ----------
    cast : the forecast for the test
    at, sd, span : float32, shape (n_readings, 1): middle, standard deviation and width of what was seen
    shift : how far the load's source may stand from the supply, share

    Returns
    -------
    float32, shape (n_readings, n_branches)
    """
    density = middles(cast, at, sd, span, shift=shift)
    density *= span_shares(span, sd)
    return np.asarray(density + np.float32(SLIP))


def middles(cast: Forecast, at: Array, sd: Array, span: Array, *, shift: float) -> Array:
    """Return the density of the middles of what was seen on the forecast's branches, slips and ranges left out."""
    density = _point(cast, at, sd, span, shift)
    odd = cast.kind == ANYWHERE
    if odd.any():
        density[:, odd] = _anywhere(at)
    odd = cast.kind == DRIFTING
    if odd.any():
        density[:, odd] = _drifting(at, np.asarray(sd + span / 2, np.float32))
    return density


def ac(share: Array) -> Array:
    """Return the density of AC readings, `share` of the supply, shape (n, 1), on every branch."""
    steady = np.exp(-share / 0.01) / 0.01 + 0.02
    sending = np.exp(-share / 0.3) / 0.3
    drifting = 0.5 * steady + 0.5 * np.exp(-share / 0.1) / 0.1
    return np.concatenate([steady, drifting, sending], 1)[:, _steadiness()].astype(np.float32)


def hertz(value: Array) -> Array:
    """Return the share of hertz readings, shape (n, 1): above 1 Hz something moves."""
    moves = value > 1
    return np.where(moves, [[0.03, 0.3, 0.85]], [[0.97, 0.7, 0.15]])[:, _steadiness()].astype(np.float32)


def off_volts(at: float) -> NDArray[np.float64]:
    """Return the share of a reading with the instrument off, a number a circuit: only the roles matter."""
    role, driver = circuits().role, circuits().driver
    up = np.array([0.01, 0.5, 0.06, 0.04, 0.01, 0.03, 0.04, 0.02])[role]
    up = np.where((role == FIXED_HIGH) & (driver == PULL), 0.2, up)
    return np.asarray(up if at > 0.7 else np.ones_like(up) if at > 0.1 else 1 - up)


def ohms(value: float) -> NDArray[np.float64]:
    """Return the density, a decade, of ohms to ground with the cells out and the module in, a number a circuit.

    With the cells out no driver drives: what is left is links, pulls, and chips without supply.
    """
    all_ = circuits()
    role, driver = all_.role, all_.driver
    over = not np.isfinite(value)
    decades = np.log10(max(value, 0.01)) if not over else 9.0

    def near(ohm: NDArray[np.float64], spread: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return np.asarray(np.exp(-0.5 * ((decades - np.log10(ohm)) / spread) ** 2) / (spread * 2.5066))

    def between(low: float, high: float) -> float:
        return 1 / (high - low) if low <= decades <= high and not over else 0.0

    # A chip without supply: open, or anything a leaking clamp shows.
    density = np.full(len(role), 0.7 * over + 0.24 * between(5, 8) + 0.06 * between(2.5, 5))
    density[role == GROUND] = 0.95 * float(near(np.array([0.35]), 0.5)[0]) + 0.05 * between(-2, 0.7)
    link = np.isin(role, (FIXED_LOW,)) & (driver == MODULE) & (all_.low_ohm < 2)
    density[link] = 0.95 * float(near(np.array([0.35]), 0.5)[0])
    rails = np.isin(role, (SUPPLY, SWITCHED))
    density[rails] = 0.25 * over + 0.75 * between(1.5, 7.5)
    density[role == FLOATING] = 0.93 * over + 0.07 * between(5.5, 8.5)
    pull = np.where(np.isfinite(all_.pull_i), all_.pull_i, all_.pull_m)
    up = np.where(np.isfinite(all_.pull_i), all_.pull_i_up, all_.pull_m_up)
    held = np.isfinite(pull) & ~rails
    cell = np.hypot(0.08, 1.2 * np.log10(all_.pull_step) / np.sqrt(12))
    to_ground = near(np.where(held, pull, 1.0), cell)
    density = np.where(held & ~up, 0.85 * to_ground + 0.15 * density, density)
    above = (10**decades > pull * 0.8) & ~(over & (pull < 0))
    through_rail = np.where(above, 0.55 * to_ground + 0.3 * between(2, 7.5) + 0.15 * over, 0.02)
    density = np.where(held & up, 0.8 * through_rail + 0.2 * density, density)
    busy = np.isin(role, (STATE_LINE, DATA))
    return np.asarray(np.where(busy, 0.97 * density, density) + 0.004)


def _point(cast: Forecast, at: Array, sd: Array, span: Array, shift: float) -> Array:
    moved = np.float32(shift) * cast.source
    scale = np.sqrt(cast.spread**2 + cast.shared**2 + moved**2 + (sd + span / 2) ** 2)
    z2 = ((at - cast.at) / scale) ** 2
    share, width = np.float32(TAIL[0]), np.float32(TAIL[1])
    bell = (1 - share) * np.exp(-0.5 * z2) + share / width * np.exp(-0.5 * z2 / width**2)
    return np.asarray(bell / (scale * _ROOT), np.float32)


def _anywhere(at: Array) -> Array:
    inside = np.clip(np.minimum(at - 0.005, 0.995 - at) / 0.02, 0.01, 1)
    return np.asarray(inside, np.float32)


def _drifting(at: Array, sd: Array) -> Array:
    total = np.where((at > -0.02) & (at < 1.02), 1 - sum(share for share, _ in DRIFT), 0.0)
    for share, scale in DRIFT:
        wide = scale + sd
        total = total + share * np.exp(-np.abs(at) / wide) / (wide * (1 + (at < 0)))
    return np.asarray(total, np.float32)


def _steadiness() -> NDArray[np.int64]:
    """Return 0 for branches that stand still, 1 for those that drift, 2 for those that send."""
    branch = branches()
    loose = circuits().role[branch.circuit] == FLOATING
    return np.where(branch.does == SENDING, 2, np.where(loose | (branch.does == DOWN), 1, 0))


def span_shares(span: Array, sd: Array) -> Array:
    """Return the share of a reading being written as a range this wide, or as none, on every branch."""
    wide = span > 0
    steady = np.where(wide, 0.02 * np.exp(-((span / (6 * sd)) ** 2)) + 1e-4, 0.98)
    drifting = np.where(wide, 0.1, 0.9)
    sending = np.where(wide, 0.2, 0.8)
    return np.concatenate([steady, drifting, sending], 1)[:, _steadiness()].astype(np.float32)
