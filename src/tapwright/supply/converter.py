"""The converter between a string with resistance and its loads: efficiency, and the running operating point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.supply.plan import Converter
from tapwright.supply.quantity import Array, Quantity, interpolate, stack

_ROUNDS, _SAMPLES, _HALVINGS, _SETTLED_V = 10, 33, 34, 1e-10


@dataclass(frozen=True, kw_only=True)
class Point:
    """Where string and converter settle; NaN in the volts and amps where the string cannot deliver it.

    Parameters
    ----------
    delivered : whether the string can, with the converter's input at its least volts or more
    need, most : what is asked and the most that can be given; W for a switching converter, else A
    input_v, input_a : at the converter's input, its own quiescent current included
    string_v : at the string's ends, before a MOSFET switch
    """

    delivered: NDArray[np.bool_]
    need: Array
    most: Array
    input_v: Array
    input_a: Array
    string_v: Array


class Efficiency:
    """A converter's efficiency, a number or a table: bilinear inside, held outside."""

    def __init__(self, given: Quantity | tuple[tuple[Quantity, Quantity, Quantity], ...]) -> None:
        self.constant: Quantity | None = None if isinstance(given, tuple) else given
        if not isinstance(given, tuple):
            return
        # The grid's own coordinates are plain numbers (read.py keeps ranges out of them).
        cells = {(float(np.max(v)), float(np.max(a))): e for v, a, e in given}
        self.volts = np.array(sorted({v for v, _ in cells}))
        self.amps = np.array(sorted({a for _, a in cells}))
        grid = stack([cells[v, a] for v in self.volts for a in self.amps])
        self.grid = grid.reshape(len(self.volts), len(self.amps), *grid.shape[1:])

    def over_volts(self, output_a: Quantity) -> tuple[Array, Array]:
        """Return the table's line of efficiency against input volts at an output current: volts, efficiencies.

        Efficiencies have shape (n_volts, ...), the rest as `output_a` and drawn efficiencies broadcast.
        """
        if len(self.amps) == 1:
            i = np.zeros(np.shape(output_a), dtype=np.intp)
            return self.volts, self._column(i)
        i = np.clip(np.searchsorted(self.amps, output_a, side="right") - 1, 0, len(self.amps) - 2)
        share = np.clip((output_a - self.amps[i]) / (self.amps[i + 1] - self.amps[i]), 0.0, 1.0)
        low, high = self._column(i), self._column(i + 1)
        return self.volts, np.asarray(low + (high - low) * share)

    def _column(self, i: NDArray[np.intp]) -> Array:
        if self.grid.ndim == 2:
            return np.asarray(self.grid[:, i])
        return np.asarray(self.grid[:, i, np.arange(self.grid.shape[2])[:, None], 0])

    def at(self, input_v: Quantity, output_a: Quantity) -> Array:
        """Return the efficiency, 0 to 1, at an input voltage and an output current."""
        if self.constant is not None:
            return np.broadcast_to(self.constant, np.broadcast_shapes(
                np.shape(input_v), np.shape(output_a), np.shape(self.constant)))
        return interpolate(input_v, *self.over_volts(output_a))


def settle(converter: Converter, efficiency: Efficiency | None, *, open_v: Quantity, string_ohm: Quantity,
           switch_ohm: Quantity, beside_a: Quantity, output_a: Quantity) -> Point:
    """Return the operating point on the running branch.

    Parameters
    ----------
    open_v, string_ohm : the string
    switch_ohm : of a MOSFET between string and converter
    beside_a : drawn from the string by others (the instrument)
    output_a : the converter's output current

    Source: power P at volts V behind open volts E and R ohm draws P / V, so V^2 - E V + R P = 0; the running branch is
    V = (E + sqrt(E^2 - 4 R P)) / 2, and E^2 / 4R is the most that can be had (maximum power theorem).
    """
    least_v = 0.0 if converter.input_min_v is None else converter.input_min_v
    ohm = np.asarray(string_ohm + switch_ohm)
    own_a = 0.0 if converter.kind == "none" else converter.quiescent_a
    free_v = np.asarray(open_v - string_ohm * beside_a - ohm * own_a)
    if converter.switching:
        assert efficiency is not None
        assert converter.output_v is not None
        return _constant_power(efficiency, free_v, ohm, np.asarray(least_v), own_a, output_a,
                               output_w=converter.output_v * output_a, string_ohm=string_ohm, open_v=open_v,
                               beside_a=beside_a)
    current = np.asarray(output_a + own_a)
    most = _ratio(free_v - least_v, ohm)
    delivered = current <= most
    input_v = free_v - ohm * output_a
    # A linear part's own current is in `current` already; `free_v` has its drop, as for the other kinds.
    return _point(delivered, current, most, input_v, current, open_v, string_ohm, beside_a)


def _constant_power(efficiency: Efficiency, free_v: Array, ohm: Array, least_v: Array, own_a: Quantity,
                    output_a: Quantity, *, output_w: Quantity, string_ohm: Quantity, open_v: Quantity,
                    beside_a: Quantity) -> Point:
    half_v = np.maximum(free_v, 0.0) / 2.0
    edge_v = np.maximum(half_v, least_v)
    most = np.where(ohm > 0, edge_v * (np.maximum(free_v, 0.0) - edge_v) / np.where(ohm > 0, ohm, 1.0),
                    np.where(free_v >= least_v, np.inf, -np.inf))
    if efficiency.constant is not None:
        need = np.asarray(output_w / efficiency.constant)
        root = free_v**2 - 4.0 * ohm * need
        input_v = np.where(root >= 0, (free_v + np.sqrt(np.maximum(root, 0.0))) / 2.0, np.nan)
    else:
        input_v = _running_v(efficiency, free_v, ohm, output_w, output_a)
        at_v = np.where(np.isnan(input_v), edge_v, input_v)
        need = np.asarray(output_w / efficiency.at(at_v, output_a))
    delivered = (need <= most) & ~np.isnan(input_v) & (free_v > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        current = need / input_v + own_a
    return _point(delivered, need, most, input_v, current, open_v, string_ohm, beside_a)


def _running_v(efficiency: Efficiency, free_v: Array, ohm: Array, output_w: Quantity, output_a: Quantity) -> Array:
    """Return the highest input volts, at or above half of `free_v`, at which a table's efficiency closes the loop."""
    volts, line = efficiency.over_volts(output_a)
    free, r, w = np.broadcast_arrays(np.maximum(free_v, 0.0), ohm, output_w)
    # Nearly always the loop is a strong contraction: a few rounds settle it to the last digits.
    v = free
    for _ in range(_ROUNDS):
        root = free**2 - 4.0 * r * w / interpolate(v, volts, line)
        new = (free + np.sqrt(np.maximum(root, 0.0))) / 2.0
        open_, v = np.abs(new - v) > _SETTLED_V, new
        if not open_.any():
            break
    out = np.where(root >= 0, v, np.nan)
    if open_.any():
        rows = np.broadcast_to(line.reshape(len(volts), *([1] * (out.ndim - line.ndim + 1)), *line.shape[1:]),
                               (len(volts), *out.shape))[:, open_]
        out[open_] = _searched_v(volts, rows, free[open_], r[open_] * w[open_])
    return out


def _searched_v(volts: Array, line: Array, free: Array, loss: Array) -> Array:
    """Search for the same from the top down; for the few points near collapse. `loss` is ohms times output watts."""

    def spare(v: Array) -> Array:
        """Return what the string gives at these volts less what the converter takes, times the ohms."""
        return np.asarray(v * (free - v) - loss / interpolate(v, volts, line))

    low, high, found = free / 2.0, free.copy(), np.zeros(free.shape, dtype=bool)
    above = free
    for share in np.linspace(1.0, 0.5, _SAMPLES)[1:]:
        below = free * share
        hit = ~found & (spare(below) >= 0)
        low, high = np.where(hit, below, low), np.where(hit, above, high)
        found |= hit
        above = below
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        good = spare(middle) >= 0
        low, high = np.where(good, middle, low), np.where(good, high, middle)
    return np.where(found, low, np.nan)


def _point(delivered: NDArray[np.bool_], need: Array, most: Array, input_v: Array, current: Array,
           open_v: Quantity, string_ohm: Quantity, beside_a: Quantity) -> Point:
    current = np.where(delivered, current, np.nan)
    return Point(delivered=np.asarray(delivered), need=np.asarray(need), most=np.asarray(most),
                 input_v=np.where(delivered, input_v, np.nan), input_a=current,
                 string_v=np.asarray(open_v - string_ohm * (beside_a + current)))


def _ratio(volts: Array, ohm: Array) -> Array:
    return np.where(ohm > 0, volts / np.where(ohm > 0, ohm, 1.0), np.where(volts >= 0, np.inf, -np.inf))
