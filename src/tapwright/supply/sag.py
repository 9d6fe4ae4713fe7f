"""How far a rail sags in a burst with a capacitor beside it.

The source is open volts behind ohms, the capacitor has a series resistance, the load is a step of current or of
power. One first-order equation; the current step has a closed form, the power step is integrated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tapwright.supply.quantity import Array

_STEPS, _MANY_TAU = 400, 20.0


@dataclass(frozen=True, kw_only=True)
class Rail:
    """A source with a capacitor across it: open volts, ohms behind them, farad, the capacitor's series ohms."""

    open_v: float
    ohm: float
    farad: float
    esr_ohm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Burst:
    """A rail in a burst: seconds from its start and the rail's volts; `lowest_v` is None where it collapses."""

    seconds: Array
    volts: Array
    lowest_v: float | None


def current_burst(rail: Rail, *, before_a: float, during_a: float, seconds: float) -> Burst:
    """Return the rail in a burst of constant current.

    Source: first-order circuit; the capacitor's volts go from E - R I0 to E - R I1 with time constant (R + ESR) C, and
    the rail stands at (Vc R + E ESR - R ESR I1) / (R + ESR).
    """
    t = np.linspace(0.0, seconds, _STEPS + 1)
    start, end = rail.open_v - rail.ohm * before_a, rail.open_v - rail.ohm * during_a
    both = rail.ohm + rail.esr_ohm
    decay = np.exp(-t / (both * rail.farad)) if both * rail.farad > 0 else np.zeros_like(t)
    inner = end + (start - end) * decay
    volts = (inner * rail.ohm + (rail.open_v - rail.ohm * during_a) * rail.esr_ohm) / both if both > 0 else inner
    return Burst(seconds=t, volts=volts, lowest_v=float(np.min(volts)))


def power_burst(rail: Rail, *, before_w: float, during_w: float, seconds: float) -> Burst:
    """Return the rail in a burst of constant power (what a switching converter draws).

    The rail's volts v follow from the capacitor's: current balance (E - v) / R + (Vc - v) / ESR = P / v, upper root.
    """
    start = _settled(rail, before_w)
    t = np.linspace(0.0, seconds, _STEPS + 1)
    if start is None:
        return Burst(seconds=t, volts=np.full_like(t, np.nan), lowest_v=None)
    volts, inner, step = np.full_like(t, np.nan), start, seconds / _STEPS
    for i in range(len(t)):
        at = _rail_v(rail, inner, during_w)
        if at is None:
            return Burst(seconds=t, volts=volts, lowest_v=None)
        volts[i] = at
        stepped = _step(rail, inner, during_w, step)
        if stepped is None:
            return Burst(seconds=t, volts=volts, lowest_v=None if i + 1 < len(t) else float(np.nanmin(volts)))
        inner = stepped
    return Burst(seconds=t, volts=volts, lowest_v=float(np.min(volts)))


def farad_for(*, amps: float, seconds: float, sag_v: float, esr_ohm: float = 0.0) -> float | None:
    """Return the capacitance that alone carries a current for a time with a stated sag; None where ESR takes it all.

    Source: sag = I t / C + I ESR.
    """
    left = sag_v - amps * esr_ohm
    return amps * seconds / left if left > 0 else None


def _settled(rail: Rail, watts: float) -> float | None:
    root = rail.open_v**2 - 4 * rail.ohm * watts
    return (rail.open_v + math.sqrt(root)) / 2 if root >= 0 else None


def _rail_v(rail: Rail, inner_v: float, watts: float) -> float | None:
    """Return the rail's volts for the capacitor's volts."""
    if rail.esr_ohm == 0:
        return inner_v if inner_v > 0 else None
    if rail.ohm == 0:
        return rail.open_v
    both = rail.ohm * rail.esr_ohm / (rail.ohm + rail.esr_ohm)
    free = (rail.open_v * rail.esr_ohm + inner_v * rail.ohm) / (rail.ohm + rail.esr_ohm)
    root = free**2 - 4 * both * watts
    return (free + math.sqrt(root)) / 2 if root >= 0 else None


def _step(rail: Rail, inner_v: float, watts: float, step_s: float) -> float | None:
    """Advance the capacitor's volts by one step (fourth-order Runge-Kutta in substeps below a tenth of RC)."""
    tau = max((rail.ohm + rail.esr_ohm) * rail.farad, 1e-12)
    if step_s > _MANY_TAU * tau:  # long over: the rail stands where it would without the capacitor
        return _settled(rail, watts)
    rounds = max(1, math.ceil(10 * step_s / tau))
    h = step_s / rounds
    for _ in range(rounds):
        slopes: list[float] = []
        for part in (0.0, 0.5, 0.5, 1.0):
            slope = _slope(rail, inner_v + part * h * (slopes[-1] if slopes else 0.0), watts)
            if slope is None:
                return None
            slopes.append(slope)
        inner_v += h * (slopes[0] + 2 * slopes[1] + 2 * slopes[2] + slopes[3]) / 6
    return inner_v


def _slope(rail: Rail, inner_v: float, watts: float) -> float | None:
    at = _rail_v(rail, inner_v, watts)
    if at is None:
        return None
    if rail.esr_ohm > 0:
        return (at - inner_v) / (rail.esr_ohm * rail.farad)
    return ((rail.open_v - at) / rail.ohm - watts / at) / rail.farad if rail.ohm > 0 else 0.0
