"""The small circuits that a pad can be, as rows of numbers: what is on it, on which board, and what it does in a state.

A *circuit* is one family (say "module drives it, open drain, pull-up on the instrument's board") with one set of
resistances from a coarse logarithmic grid; `Circuits` holds all of them as columns. A *branch* is one thing such a
circuit can do in one state of the instrument: drive high or low, let go, lose its supply, or send data. Volts are
shares of the supply: 0 is ground, 1 the supply.

Source of the resistance ranges: under 1 kohm a driven output, 5 to 200 kohm a pull, above 1 Mohm floating (common
practice, no source); E-series resistors spread evenly over decades (IEC 60063).
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

ROLES = ("ground", "supply", "switched supply", "fixed high", "fixed low", "state line", "data", "floating")
DRIVERS = ("instrument", "module", "pull", "nothing")
GROUND, SUPPLY, SWITCHED, FIXED_HIGH, FIXED_LOW, STATE_LINE, DATA, FLOATING = range(8)
INSTRUMENT, MODULE, PULL, NOTHING = range(4)

# What a branch does. DEAD: the module is without supply, its chip clamps the line a diode drop over its own rail.
# CLAMPED: the instrument drives high, or an open drain of it lets its pull-up, into such a chip and feeds its rail.
# FULLY_LIFTED, PARTLY_LIFTED: a switched supply that is down, yet fed by some line through the clamp of a chip on it.
HIGH, LOW, RELEASED, DEAD, SENDING, DOWN, CLAMPED, FULLY_LIFTED, PARTLY_LIFTED = range(9)

ROLE_PRIOR = (0.12, 0.12, 0.10, 0.13, 0.13, 0.17, 0.12, 0.11)
DRIVER_OHM = np.geomspace(8.0, 1300.0, 8)
RAIL_OHM = np.array([0.03, 0.15, 0.6, 2.0, 5.0])
PULL_OHM = np.geomspace(1.2e3, 1.5e6, 17)
FEW_PULLS = PULL_OHM[1:13:2]
# How hard the rail of a module without supply is held down: by its own parts, by little, by nothing at all. The last:
# another line feeds it through its clamp, so that it stands a diode drop under the supply; that goes state by state.
FED_RAIL, FED_SHARE = 1e12, 0.1
DEAD_RAIL_OHM = np.array([30.0, 160.0, 800.0, 4e3, 2e4, 1.2e5, 1e9, FED_RAIL])
DEAD_RAIL_SHARE = np.array([0.18, 0.15, 0.15, 0.16, 0.14, 0.1, 0.12, FED_SHARE])
SOFT_DOWN = 2e3  # what holds a fallen supply harder than this, ohms, is not lifted
CLAMPED_RAILS = 6  # the first so many are hard enough to pull a high line down by what a meter shows
# Averages of a line that sends, as the share by which it leaves its idle level; the last stands for "any, changing".
DUTY = np.array([0.01, 0.025, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, -1.0])
DUTY_SHARE = np.array([0.015, 0.03, 0.07, 0.12, 0.16, 0.16, 0.12, 0.06, 0.265])
# A pad that nothing holds mostly reads the same small voltage every time: at ground, or up by leakage.
FLOAT_AT = np.array([0.0, *np.geomspace(1e-3, 0.75, 14)])
FLOAT_SHARE = np.where(FLOAT_AT > 0, 0.45 / 14 / (1 + (FLOAT_AT / 0.15) ** 2), 0.55)
# Whether a chip of the module clamps what the instrument drives or a resistor holds; one thing for all states.
CLAMPS = ((1.0, 0.55), (0.0, 0.45))
SECOND_SUPPLY = 0.02  # beside the supply itself
NONE = np.inf


@dataclass(frozen=True)
class Circuits:
    """Every circuit; all arrays have one entry a circuit, resistances in ohms (inf: not there).

    `high_at` is what a high driver drives to. `pull_i`, `pull_m` are on the instrument's and the module's board, `*_up`
    says toward a supply; `pull_i_switched` that the instrument's pull goes to its switched supply, the module's too.
    `down_ohm`, `down_at`, `down_stays` describe a switched supply when down, or what a pull to one meets then. `duty`
    is the share that a line that sends spends away from idle (-1: changing); with the module out one that `waits` for
    it rests. `drive_step`, `pull_step`, `down_step` are the ratios between neighbours of the grids that the resistances
    come from: a grid point stands for its cell.
    `clamp` is the chance, in each state by itself, that a chip of the module clamps what is driven or held elsewhere.
    """

    role: NDArray[np.int8]
    driver: NDArray[np.int8]
    share: NDArray[np.float64]
    by_module: NDArray[np.bool_]
    high_at: NDArray[np.float64]
    high_ohm: NDArray[np.float64]
    low_ohm: NDArray[np.float64]
    pull_i: NDArray[np.float64]
    pull_i_up: NDArray[np.bool_]
    pull_i_switched: NDArray[np.bool_]
    pull_m: NDArray[np.float64]
    pull_m_up: NDArray[np.bool_]
    down_ohm: NDArray[np.float64]
    down_at: NDArray[np.float64]
    down_stays: NDArray[np.bool_]
    duty: NDArray[np.float64]
    waits: NDArray[np.bool_]
    idle_high: NDArray[np.bool_]
    float_at: NDArray[np.float64]
    float_loose: NDArray[np.bool_]
    clamp: NDArray[np.float64]
    drive_step: NDArray[np.float64]
    pull_step: NDArray[np.float64]
    down_step: NDArray[np.float64]


@dataclass(frozen=True)
class Branches:
    """What each circuit can do in a state; one entry a branch, sorted by circuit.

    Parameters
    ----------
    circuit : int, place in `Circuits`
    does : HIGH, LOW, RELEASED, DEAD, SENDING, DOWN or CLAMPED
    is_high : the level counts as high (for DEAD and CLAMPED the volts decide)
    dead_rail : ohms from the dead module's rail to ground (DEAD and CLAMPED; FED_RAIL: another line feeds it)
    dead_share : share of each among the DEAD or CLAMPED branches of one circuit
    starts : first branch of each circuit
    """

    circuit: NDArray[np.int64]
    does: NDArray[np.int8]
    is_high: NDArray[np.bool_]
    dead_rail: NDArray[np.float64]
    dead_share: NDArray[np.float64]
    starts: NDArray[np.int64]


_FIELDS: dict[str, float] = {
    "by_module": False, "high_at": 1.0, "high_ohm": NONE, "low_ohm": NONE, "pull_i": NONE, "pull_i_up": False,
    "pull_i_switched": False, "pull_m": NONE, "pull_m_up": False, "down_ohm": NONE, "down_at": 0.0,
    "down_stays": False, "duty": 0.0, "waits": False, "idle_high": False, "float_at": 0.0, "float_loose": False,
    "clamp": 0.5, "drive_step": float(DRIVER_OHM[1] / DRIVER_OHM[0]), "pull_step": float(PULL_OHM[1] / PULL_OHM[0]),
    "down_step": 4.0,
}
_Row = dict[str, float]


@functools.cache
def circuits() -> Circuits:
    """Return every circuit with its prior share (they sum to 1)."""
    rows: list[_Row] = []
    for role, families in enumerate((_ground(), _supply(), _switched(), _fixed(True), _fixed(False), _state_lines(),
                                     _data(), _floating())):
        members = [(family_share, list(family)) for family_share, family in families]
        whole = sum(family_share for family_share, _ in members)
        for family_share, family in members:
            inner = sum(float(row["share"]) for row in family)
            for row in family:
                share = float(row["share"]) / inner * family_share / whole * ROLE_PRIOR[role]
                rows.append({**_FIELDS, **row, "role": role, "share": share})
    columns: dict[str, Any] = {name: np.array([row[name] for row in rows], dtype=kind) for name, kind in (
        ("role", np.int8), ("driver", np.int8), ("share", np.float64), ("by_module", np.bool_), ("high_at", np.float64),
        ("high_ohm", np.float64), ("low_ohm", np.float64), ("pull_i", np.float64), ("pull_i_up", np.bool_),
        ("pull_i_switched", np.bool_), ("pull_m", np.float64), ("pull_m_up", np.bool_), ("down_ohm", np.float64),
        ("down_at", np.float64), ("down_stays", np.bool_), ("duty", np.float64), ("waits", np.bool_),
        ("idle_high", np.bool_),
        ("float_at", np.float64), ("float_loose", np.bool_), ("clamp", np.float64),
        ("drive_step", np.float64), ("pull_step", np.float64), ("down_step", np.float64))}
    return Circuits(**columns)


@functools.cache
def branches() -> Branches:
    """Return the branches of every circuit."""
    all_ = circuits()
    rows: list[tuple[int, int, bool, float, float]] = []
    for j in range(len(all_.role)):
        rows += [(j, *branch) for branch in _branches_of(all_, j)]
    circuit = np.array([row[0] for row in rows])
    return Branches(
        circuit=circuit, does=np.array([row[1] for row in rows], np.int8), is_high=np.array([row[2] for row in rows]),
        dead_rail=np.array([row[3] for row in rows]), dead_share=np.array([row[4] for row in rows]),
        starts=np.searchsorted(circuit, np.arange(len(all_.role))))


def _branches_of(all_: Circuits, j: int) -> Iterator[tuple[int, bool, float, float]]:
    role, by_module = int(all_.role[j]), bool(all_.by_module[j])
    if role == FLOATING:
        yield RELEASED, False, NONE, 0.0
    elif role == SWITCHED:
        yield HIGH, True, NONE, 0.0
        yield DOWN, False, NONE, 0.0
        if all_.down_at[j] == 0 and all_.down_ohm[j] > SOFT_DOWN:
            yield FULLY_LIFTED, False, NONE, 0.0
            yield PARTLY_LIFTED, False, NONE, 0.0
    elif role == DATA:
        yield SENDING, False, NONE, 0.0
        yield _at_level(all_, j, high=bool(all_.idle_high[j]))
    elif role in (GROUND, SUPPLY, FIXED_HIGH, FIXED_LOW):
        yield _at_level(all_, j, high=role in (SUPPLY, FIXED_HIGH))
    else:
        if all_.driver[j] == PULL:
            yield RELEASED, True, NONE, 0.0
            if np.isfinite(all_.down_ohm[j]):
                yield DOWN, False, NONE, 0.0
                return
        else:
            yield _at_level(all_, j, high=True)
            yield _at_level(all_, j, high=False)
    # A pull may lose its rail, or be clamped. A driven line stays fixed high on a dead module only by a pull-up.
    mortal = by_module or all_.driver[j] == PULL
    held_up = np.isfinite(all_.pull_i[j]) and bool(all_.pull_i_up[j])
    if mortal and (role in (STATE_LINE, DATA, FIXED_LOW) or (role == FIXED_HIGH and (held_up or not by_module))):
        for ohm, share in zip(DEAD_RAIL_OHM, DEAD_RAIL_SHARE, strict=True):
            yield DEAD, False, float(ohm), float(share)
    goes_high = all_.driver[j] == INSTRUMENT and (np.isfinite(all_.high_ohm[j]) or up_from_module(all_)[j] or held_up)
    if goes_high and (role in (FIXED_HIGH, STATE_LINE) or (role == DATA and all_.idle_high[j])):
        n_rails = len(DEAD_RAIL_OHM) if up_from_module(all_)[j] else CLAMPED_RAILS
        for ohm in DEAD_RAIL_OHM[:n_rails]:
            yield CLAMPED, True, float(ohm), 1 / n_rails


def up_from_module(all_: Circuits) -> NDArray[np.bool_]:
    """Return which circuits hang on a pull-up of the module's board, which dies with it."""
    return np.asarray(np.isfinite(all_.pull_m) & all_.pull_m_up)


def _at_level(all_: Circuits, j: int, *, high: bool) -> tuple[int, bool, float, float]:
    driven = np.isfinite(all_.high_ohm[j] if high else all_.low_ohm[j])
    return (HIGH if high else LOW) if driven else RELEASED, high, NONE, 0.0


def _log_normal(ohms: NDArray[np.float64], middle: float, spread: float) -> NDArray[np.float64]:
    return np.exp(-0.5 * (np.log(ohms / middle) / spread) ** 2) + 0.01


def _drivers(ohms: NDArray[np.float64] = DRIVER_OHM) -> list[tuple[float, float]]:
    return list(zip(ohms.tolist(), _log_normal(ohms, 90, 1.1).tolist(), strict=True))


def _pulls(ohms: NDArray[np.float64] = PULL_OHM) -> list[tuple[float, float]]:
    return list(zip(ohms.tolist(), _log_normal(ohms, 33e3, 1.5).tolist(), strict=True))


def _ground() -> Iterator[tuple[float, Iterator[_Row]]]:
    yield 1.0, ({"driver": INSTRUMENT, "share": 1.0, "low_ohm": ohm} for ohm in (0.03, 0.2, 1.0))


def _supply() -> Iterator[tuple[float, Iterator[_Row]]]:
    shares = (1.0, 1.0, 1.0, 0.8, 0.3)
    yield 1.0, ({"driver": INSTRUMENT, "share": share, "high_ohm": ohm, "drive_step": 4.0}
                for ohm, share in zip(RAIL_OHM.tolist(), shares, strict=True))
    # A second supply below the first: a meter cannot tell it from a line that sends in every state, so that it is
    # weighed such that neither is claimed until the meter's AC volts or hertz have told.
    yield SECOND_SUPPLY, ({"driver": INSTRUMENT, "share": 1.0, "high_ohm": 1.0, "high_at": at, "drive_step": 8.0}
                          for at in np.linspace(0.3, 0.94, 17).tolist())


def _switched() -> Iterator[tuple[float, Iterator[_Row]]]:
    ups = ((0.4, 1.0), (4.0, 0.5), (16.0, 0.12))
    # It gives way to a load: what holds it down is no driver, so hardly ever less than a kilohm or two.
    downs = [*np.geomspace(500.0, 8e5, 15).tolist(), 1e9]
    yield 0.8, ({"driver": INSTRUMENT, "share": share * (1.0 if down > 2e3 else 0.3), "high_ohm": up,
                  "down_ohm": down, "down_stays": stays, "drive_step": 6.0, "down_step": downs[1] / downs[0]}
                 for (up, share), down, stays in product(ups, downs, (False, True)))
    # Back-fed through the clamp of some chip on it by the same line in all states: up to a diode drop under the supply.
    lifts = ((0.05, 0.5), (0.12, 0.5), (0.25, 0.5), (0.45, 0.5), (0.65, 1.0), (0.76, 2.0), (0.83, 2.0), (0.88, 1.0))
    yield 0.2, ({"driver": INSTRUMENT, "share": share * lift_share, "high_ohm": up, "down_ohm": down, "down_at": at,
                 "drive_step": 6.0, "down_step": 10.0}
                for (up, share), down, (at, lift_share) in product(ups[:2], (1e3, 1e4), lifts))


def _sides(ohms: list[tuple[float, float]], *, up: bool) -> Iterator[tuple[_Row, float]]:
    for ohm, share in ohms:
        yield {"pull_i": ohm, "pull_i_up": up}, share
        yield {"pull_m": ohm, "pull_m_up": up}, share


def _none_or_pull(ohms: NDArray[np.float64]) -> list[tuple[_Row, float]]:
    step = float(ohms[1] / ohms[0])
    pulled: list[tuple[_Row, float]] = [({"pull_i": ohm, "pull_i_up": up, "pull_step": step}, 0.25 / len(ohms))
                                        for ohm in ohms.tolist() for up in (True, False)]
    return [({}, 0.5), *pulled]


def _fixed(high: bool) -> Iterator[tuple[float, Iterator[_Row]]]:
    name = "high_ohm" if high else "low_ohm"
    yield 0.36, ({"driver": INSTRUMENT, "share": share * clamp_share, name: ohm, "clamp": clamp}
                 for (ohm, share), (clamp, clamp_share) in product(_drivers(), CLAMPS if high else CLAMPS[:1]))
    yield 0.28, ({"driver": MODULE, "by_module": True, "share": share * pull_share, name: ohm, **pull}
                 for (ohm, share), (pull, pull_share) in product(_drivers(), _none_or_pull(FEW_PULLS)))
    yield 0.34, ({"driver": PULL, "share": share * clamp_share, "clamp": clamp, **pull}
                 for (pull, share), (clamp, clamp_share) in product(_sides(_pulls(), up=high), CLAMPS))
    if high:
        # To a switched supply that some line lifts whenever it is down, so that the level stays high.
        yield 0.006, ({"driver": PULL, "share": share, "pull_i": ohm, "pull_i_up": True, "pull_i_switched": True,
                       "pull_step": float(FEW_PULLS[1] / FEW_PULLS[0])} for ohm, share in _pulls(FEW_PULLS))
    # A link on the module's board straight to a rail.
    yield 0.015, ({"driver": MODULE, "by_module": True, "share": 1.0, name: ohm} for ohm in (0.1, 0.6))


def _state_lines() -> Iterator[tuple[float, Iterator[_Row]]]:
    few = _drivers(DRIVER_OHM[1:7])
    pulls = _pulls(PULL_OHM)
    ratios = ((0.1, 0.12), (0.32, 0.23), (1.0, 0.3), (3.2, 0.23), (10.0, 0.12))
    yield 0.36, ({"driver": INSTRUMENT, "share": share * ratio_share * clamp_share, "high_ohm": ohm,
                  "low_ohm": ohm * ratio, "clamp": clamp}
                 for (ohm, share), (ratio, ratio_share), (clamp, clamp_share) in product(_drivers(), ratios, CLAMPS)
                 if ohm * ratio < 1500)
    yield 0.27, ({"driver": MODULE, "by_module": True, "share": share * pull_share, "high_ohm": ohm, "low_ohm": ohm,
                  **pull} for (ohm, share), (pull, pull_share) in product(_drivers(), _none_or_pull(FEW_PULLS)))
    yield 0.09, ({"driver": MODULE, "by_module": True, "share": share * ratio_share, "high_ohm": ohm,
                  "low_ohm": ohm * ratio} for (ohm, share), (ratio, ratio_share) in product(_drivers(), ratios)
                 if ratio != 1 and ohm * ratio < 1500)
    for driver, one_sided in product((INSTRUMENT, MODULE), ("low_ohm", "high_ohm")):
        # High side alone by the instrument is all but a switched supply, and hardly ever built otherwise.
        yield (0.07 if one_sided == "low_ohm" else 0.02 if driver == MODULE else 0.006), (
            {"driver": driver, "by_module": driver == MODULE, "share": share * pull_share, one_sided: ohm,
             "drive_step": float(few[2][0] / few[0][0]), **pull}
            for (ohm, share), (pull, pull_share) in product(few[::2], _sides(pulls, up=one_sided == "low_ohm")))
    yield 0.09, ({"driver": PULL, "share": share, **pull} for pull, share in _sides(pulls, up=True))
    yield 0.05, ({"driver": PULL, "share": share, "pull_i": ohm, "pull_i_up": True, "pull_i_switched": True}
                 for ohm, share in pulls)
    # To a switched supply that is not the module's: when down, a path to ground through the pull and the rail's parts.
    yield 0.03, ({"driver": PULL, "share": share, "pull_i": ohm, "pull_i_up": True, "down_ohm": ohm + down,
                  "down_stays": True, "down_step": 4.0, "pull_step": float(FEW_PULLS[1] / FEW_PULLS[0])}
                 for (ohm, share), down in product(_pulls(FEW_PULLS), np.geomspace(1e3, 1e6, 5).tolist()))


def _data() -> Iterator[tuple[float, Iterator[_Row]]]:
    # Rarely a line that rests low sends so little that its average stays near ground: a loose pad looks like that.
    duties = [(duty, share, high) for high, part in ((True, 0.8), (False, 0.2)) for duty, share in zip(
        DUTY.tolist(), (DUTY_SHARE * (part if high else np.where((DUTY > 0) & (DUTY < 0.08), 0.02, part))).tolist(),
        strict=True)]
    pull_step = float(FEW_PULLS[1] / FEW_PULLS[0])
    few: list[tuple[_Row, float]] = [({}, 0.5), ({"pull_i": 8e3, "pull_i_up": True}, 0.18),
                                     ({"pull_i": 6e4, "pull_i_up": True}, 0.22), ({"pull_i": 3e4}, 0.1)]
    for driver, form_share in ((INSTRUMENT, 0.55), (MODULE, 0.33)):
        pulls = few if driver == MODULE else [({}, 1.0)]
        drivers = _drivers(DRIVER_OHM[1::2])
        yield form_share, (
            {"driver": driver, "by_module": driver == MODULE, "share": share * duty_share * pull_share, "waits": waits,
             "high_ohm": ohm, "low_ohm": ohm, "duty": duty, "idle_high": idle_high,
             "drive_step": drivers[1][0] / drivers[0][0], "pull_step": 6.0, **pull}
            for (ohm, share), (duty, duty_share, idle_high), (pull, pull_share), waits
            in product(drivers, duties, pulls, (False, True) if driver == INSTRUMENT else (False,)))
        yield form_share * 0.15, (
            {"driver": driver, "by_module": driver == MODULE, "low_ohm": 60.0,
             # Through a pull-up an average so near to idle tells nothing: the pull's own sag looks the same.
             "share": duty_share * pull_share * (0.1 if 0 < duty < 0.08 else 1.0),
             "waits": waits, "duty": duty, "idle_high": True, "drive_step": 30.0, "pull_step": pull_step, **pull}
            for (duty, duty_share, _), (pull, pull_share), waits
            in product(duties[:len(DUTY)], _sides(_pulls(FEW_PULLS[:5]), up=True),
                       (False, True) if driver == INSTRUMENT else (False,)))


def _floating() -> Iterator[tuple[float, Iterator[_Row]]]:
    yield 0.72, ({"driver": NOTHING, "share": share, "float_at": at}
                 for at, share in zip(FLOAT_AT.tolist(), FLOAT_SHARE.tolist(), strict=True))
    yield 0.28, iter([{"driver": NOTHING, "share": 1.0, "float_loose": True}])
