"""Run time: the cells drained until the first check fails, and where the energy went.

With the current a function of charge drawn alone, time is the integral of charge over current: the end is searched on
a grid of charge and refined, then time and energies are Gauss-Legendre sums between the curve's rows. No time steps.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.supply.checks import checks, state_at
from tapwright.supply.circuit import Circuit
from tapwright.supply.quantity import Array

EMPTY, NOTHING = "cells empty", "nothing is drawn"
_STEPS, _REFINE, _ROUNDS = 96, 33, 4
# Three-point Gauss-Legendre on (0, 1).
_GAUSS_X, _GAUSS_W = (np.polynomial.legendre.leggauss(3)[0] + 1) / 2, np.polynomial.legendre.leggauss(3)[1] / 2


@dataclass(frozen=True, kw_only=True)
class Run:
    """A run on one charge of the cells.

    Parameters
    ----------
    hours : switched on without a break; infinite where nothing is drawn
    because : the check that fails first, or that the cells are empty
    drawn_mah : charge drawn at its end (on the curve's scale)
    stranded_mah : charge left in each cell at its end
    curve_h, curve_v, curve_mah : on-hours, the string's volts in the burst, charge drawn
    open_v : the string's open volts at its end
    """

    hours: float
    because: str
    drawn_mah: float
    stranded_mah: float
    curve_h: Array
    curve_v: Array
    curve_mah: Array
    open_v: float


def run(circuit: Circuit) -> Run:
    """Drain the cells of a plan of plain numbers from now on."""
    string = circuit.string
    start, empty = float(string.drawn_mah), float(string.empty_mah)
    rows = np.asarray(string.mah)
    edges = np.array([start, *rows[(rows > start) & (rows < empty)], *([empty] if empty > start else [])])
    per_row = max(1, -(-_STEPS // max(len(edges) - 1, 1)))
    grid = np.concatenate([np.linspace(a, b, per_row, endpoint=False) for a, b in itertools.pairwise(edges)]
                          + [edges[-1:]])
    end, because = _end(circuit, grid)
    grid = np.append(grid[grid < end], end)
    hours = _hours(circuit, grid)
    volts = circuit.point(circuit.currents.burst_a, grid).string_v
    kept = np.isfinite(volts) & np.isfinite(hours)
    total = float(hours[-1])
    return Run(
        hours=total, because=because if np.isfinite(total) else NOTHING, drawn_mah=end, stranded_mah=empty - end,
        curve_h=hours[kept], curve_v=volts[kept], curve_mah=grid[kept], open_v=float(string.open_at(end)),
    )


def _end(circuit: Circuit, grid: Array) -> tuple[float, str]:
    """Return the charge at which the first check fails, and its name."""
    holds, because = _holds(circuit, grid)
    if holds.all():
        return float(grid[-1]), EMPTY
    first = int(np.argmin(holds))
    if first == 0:
        return float(grid[0]), because[0]
    low, high, name = grid[first - 1], grid[first], because[first]
    for _ in range(_ROUNDS):
        fine = np.linspace(low, high, _REFINE)
        holds, because = _holds(circuit, fine)
        if holds.all():
            break
        at = max(int(np.argmin(holds)), 1)
        low, high, name = fine[at - 1], fine[at], because[at]
    return float(low), name


def _holds(circuit: Circuit, drawn_mah: Array) -> tuple[NDArray[np.bool_], list[str]]:
    """Return whether every check holds at each charge, and the name of the first that does not."""
    found = checks(state_at(circuit, drawn_mah), running=True)
    oks = np.stack([np.broadcast_to(check.ok, drawn_mah.shape) for check in found])
    names = [check.name for check in found]
    return np.asarray(oks.all(axis=0)), [names[i] for i in np.argmin(oks, axis=0)]


def _nodes(grid: Array) -> Array:
    return np.asarray(grid[:-1, None] + np.diff(grid)[:, None] * _GAUSS_X)


def _hours(circuit: Circuit, grid: Array) -> Array:
    """Return the hours at which each charge of the grid is reached."""
    if len(grid) < 2:
        return np.zeros(len(grid))
    nodes = _nodes(grid)
    amps = circuit.string.used_up_a(circuit.mean_input_a(nodes.ravel()) + circuit.beside_a)
    with np.errstate(divide="ignore"):
        pace = (1.0 / (1e3 * np.asarray(amps))).reshape(nodes.shape)
    return np.concatenate([[0.0], np.cumsum((pace * _GAUSS_W).sum(axis=1) * np.diff(grid))])


def energy_wh(circuit: Circuit, ran: Run) -> dict[str, float]:
    """Return the watt-hours of a run by where they went; `left in the cells` is at their open volts."""
    grid, empty_mah = ran.curve_mah, float(circuit.string.empty_mah)
    names = ("board", "regulator", "converter", "switch", "cells and contacts", "instrument")
    string, plan = circuit.string, circuit.plan
    beyond = np.linspace(ran.drawn_mah, empty_mah, 65)
    left = float(np.trapezoid(string.open_at(beyond), beyond)) / 1e3
    if len(grid) < 2:
        return dict.fromkeys(names, 0.0) | {"left in the cells": left}
    nodes = _nodes(grid).ravel()
    point = circuit.combinations(nodes)
    input_a = point.input_a
    string_a = input_a + circuit.beside_a
    amps = string.used_up_a(circuit.averaged(input_a) + circuit.beside_a)
    weight = (_GAUSS_W * np.diff(grid)[:, None]).ravel() / (1e3 * amps)  # hours that each node stands for
    output_a = circuit.currents.combination_a[:, None]
    rail = point.input_v if plan.converter.kind == "none" else np.broadcast_to(plan.converter.output_v,  # type: ignore[arg-type]
                                                                               input_a.shape)
    regulator = plan.regulator
    board_v = rail if regulator is None else np.minimum(regulator.output_v, rail)
    board_a = output_a - (0.0 if regulator is None else regulator.quiescent_a)
    watts = (
        board_v * board_a,
        rail * output_a - board_v * board_a,
        point.input_v * input_a - rail * output_a,
        circuit.switch_ohm * input_a**2,
        string.ohms_at(nodes) * string_a**2,
        point.string_v * circuit.beside_a,
    )
    wh = {name: float(np.sum(circuit.averaged(np.broadcast_to(w, input_a.shape)) * weight))
          for name, w in zip(names, watts, strict=True)}
    return wh | {"left in the cells": left}
