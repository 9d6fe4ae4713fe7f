"""A string of cells against charge drawn: open volts, ohms, what a drain takes out of them.

Comes in: the `cells` table of a plan. Goes out: a `String`, whose open volts and ohms are straight lines between the
rows of one curve. Built-in curves come from `cells.csv`, where each value stands beside its published source.
"""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass
from importlib import resources

import numpy as np

from tapwright.supply.plan import Cells
from tapwright.supply.quantity import Array, Quantity, interpolate, is_plain, stack

# Drains over which a built-in cell's charge is tabulated; beyond them the ends hold.
_DRAINS_A = np.geomspace(0.005, 3.0, 48)


@dataclass(frozen=True, kw_only=True)
class Table:
    """A built-in cell, as the data file gives it.

    Parameters
    ----------
    mah : charge drawn at the rows, the last one empty, at the least drain that was published
    open_v, ohm : open volts, and ohms under a load that lasts
    pulse_share : ohms against a load of a second or less, as a share of `ohm`
    capacities : rows of (drain in A, mAh delivered, down to these volts)
    ohm_factor, capacity_factor : rows of (degrees Celsius, factor)
    """

    mah: Array
    open_v: Array
    ohm: Array
    pulse_share: float
    capacities: tuple[tuple[float, float, float], ...]
    ohm_factor: tuple[tuple[float, float], ...]
    capacity_factor: tuple[tuple[float, float], ...]


@functools.cache
def built_in(chemistry: str, size: str) -> Table:
    """Return a built-in cell: alkaline, nimh or lithium; AA or AAA."""
    rows: dict[str, list[tuple[float, float]]] = {}
    capacities = []
    with resources.files(__package__).joinpath("cells.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["chemistry"] != chemistry or row["size"] not in (size, "*"):
                continue
            if row["quantity"].startswith("capacity_mah@"):
                capacities.append((float(row["at"]) / 1e3, float(row["value"]), float(row["quantity"].split("@")[1])))
            else:
                rows.setdefault(row["quantity"], []).append((float(row["at"] or 0), float(row["value"])))
    shares, open_v = np.array(rows["open_v"]).T
    ohm_at, ohms = np.array(rows["ohm"]).T
    return Table(
        mah=shares * capacities[0][1], open_v=open_v, ohm=np.interp(shares, ohm_at, ohms),
        pulse_share=rows["pulse_share"][0][1], capacities=tuple(capacities),
        ohm_factor=tuple(rows["ohm_factor"]), capacity_factor=tuple(rows["capacity_factor"]),
    )


@functools.cache
def _rate_factors(chemistry: str, size: str) -> Array:
    """Return, for each of `_DRAINS_A`, how much of the curve a delivered mAh uses up.

    A curve with ohms alone gives more charge at a middling drain than makers publish. At each drain the curve is walked
    down to the end volts; the charge there over the published charge is the factor. Between published drains charge
    and drain are taken on straight lines of their logarithms.
    """
    table = built_in(chemistry, size)
    at, charge, end_v = np.array(table.capacities).T
    delivered = np.exp(np.interp(np.log(_DRAINS_A), np.log(at), np.log(charge)))
    ends = np.interp(np.log(_DRAINS_A), np.log(at), end_v)
    fine = np.linspace(table.mah[0], table.mah[-1], 2001)
    volts, ohms = np.interp(fine, table.mah, table.open_v), np.interp(fine, table.mah, table.ohm)
    held = volts - ohms * _DRAINS_A[:, None] >= ends[:, None]
    reached = np.where(held.all(axis=1), fine[-1], fine[np.maximum(np.argmin(held, axis=1) - 1, 1)])
    factor = np.maximum(reached / delivered, 1.0)  # a delivered mAh uses up one at least
    # Beyond the published drains the ends hold.
    return np.asarray(np.interp(np.clip(_DRAINS_A, at[0], at[-1]), _DRAINS_A, factor))


@dataclass(frozen=True, kw_only=True)
class String:
    """Cells in series as the plan has them.

    Parameters
    ----------
    series : number of cells
    mah, open_v, ohm : a cell's curve, shape (n_rows,) or (n_rows, n_draws, 1)
    ohm_scale : factor on `ohm`
    contact_ohm : clips and leads, for the whole string
    drawn_mah : charge drawn by now
    rates : for `_DRAINS_A`, curve mAh used up by a delivered one; None for a curve of the user's own
    lasting_ratio : the drain at which the cells are worked over the mean drain: 1, more with long pulses
    capacity_factor : of temperature; 1 for a curve of the user's own
    """

    series: int
    mah: Array
    open_v: Array
    ohm: Array
    ohm_scale: Quantity
    contact_ohm: Quantity
    drawn_mah: Quantity
    rates: Array | None
    lasting_ratio: Quantity
    capacity_factor: Quantity

    @property
    def empty_mah(self) -> Quantity:
        """Charge drawn at the last row."""
        last: Quantity = self.mah[-1]
        return last

    @property
    def left_mah(self) -> Quantity:
        """Charge left now, down to the last row."""
        return np.maximum(self.empty_mah - self.drawn_mah, 0.0)

    @property
    def fresh_v(self) -> Quantity:
        """Open volts of fresh cells."""
        volts: Quantity = self.series * self.open_v[0]
        return volts

    def open_at(self, drawn_mah: Quantity) -> Array:
        """Return the string's open volts after this much charge."""
        return self.series * interpolate(drawn_mah, self.mah, self.open_v)

    def ohms_at(self, drawn_mah: Quantity) -> Array:
        """Return the string's ohms, contacts included, after this much charge."""
        return self.series * interpolate(drawn_mah, self.mah, self.ohm) * self.ohm_scale + self.contact_ohm

    def used_up_a(self, amps: Quantity) -> Quantity:
        """Return how fast a current moves along the curve, in A (mAh of curve per mh).

        For a curve of the user's own that is the current itself.
        """
        if self.rates is None:
            return amps
        factor = np.interp(np.log(np.maximum(amps * self.lasting_ratio, 1e-9)), np.log(_DRAINS_A), self.rates)
        return amps * factor / self.capacity_factor


def string(cells: Cells, *, pulse_weight: Quantity = 0.0, lasting_ratio: Quantity = 1.0) -> String:
    """Return the string of a plan.

    Parameters
    ----------
    pulse_weight : 0 where the highest current lasts, towards 1 where it comes in short pulses far above the mean; a
        built-in cell's ohms go from those under a lasting load to those of a pulse
    lasting_ratio : see `String`
    """
    if cells.curve is not None:
        mah, open_v, ohm = (stack([row[i] for row in cells.curve]) for i in range(3))
        if mah.ndim > 1 or open_v.ndim > 1:
            # Rows drawn apart may cross: keep the charge rising and the volts falling.
            mah, open_v = np.maximum.accumulate(mah), np.minimum.accumulate(open_v)
        scale: Quantity = 1.0
        rates: Array | None = None
        capacity_factor: Quantity = 1.0
    else:
        assert cells.chemistry is not None
        table = built_in(cells.chemistry, cells.size)
        mah, open_v, ohm = table.mah, table.open_v, table.ohm
        scale = (table.pulse_share * pulse_weight + 1.0 - pulse_weight) * _at(table.ohm_factor, cells.temperature_c)
        rates = _rate_factors(cells.chemistry, cells.size)
        capacity_factor = _at(table.capacity_factor, cells.temperature_c)
    drawn = mah[0] if cells.open_v is None else _drawn(cells.open_v / cells.series, mah, open_v)
    if cells.ohm is not None:
        here = interpolate(drawn, mah, ohm)
        # A curve without ohms has no shape to scale: it takes the given ohms everywhere.
        ohm = np.where(here > 0, ohm, 1.0) if is_plain(here) else np.where(here > 0, _spread(ohm, here), 1.0)
        scale = cells.ohm / np.where(here > 0, here, 1.0)
    return String(series=cells.series, mah=mah, open_v=open_v, ohm=ohm, ohm_scale=scale,
                  contact_ohm=cells.contact_ohm, drawn_mah=drawn, rates=rates, lasting_ratio=lasting_ratio,
                  capacity_factor=capacity_factor)


def _spread(rows: Array, like: Array) -> Array:
    return rows if rows.ndim > 1 else rows.reshape(-1, *([1] * np.ndim(like)))


def _drawn(volts: Quantity, mah: Array, open_v: Array) -> Array:
    return interpolate(-np.asarray(volts), -open_v, mah)


def _at(rows: tuple[tuple[float, float], ...], temperature_c: Quantity) -> Quantity:
    at, factor = np.array(rows).T
    value: Quantity = np.interp(temperature_c, at, factor)
    return value
