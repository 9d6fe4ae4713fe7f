"""A plan resolved into a circuit: for any charge drawn, what the string gives in the burst, steadily, on average."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tapwright.supply.cells import String, string
from tapwright.supply.converter import Efficiency, Point, settle
from tapwright.supply.load import MOST_PULSES, Currents, currents
from tapwright.supply.plan import Plan
from tapwright.supply.quantity import Array, Quantity

_DROOP_SHARE = 0.05  # of the output, where no regulator's headroom says what droop may be had (contract)
# A cell's ohms grow from those of a pulse (published: 0.1 to 0.3 s) to the lasting ones over a minute or so; common
# practice, no source. The service tests of IEC 60086-2 with pulses of 2 s to 4 min are the check (tests/supply).
_LASTING_S = 75.0


@dataclass(frozen=True)
class Circuit:
    """A plan and what follows from it alone; `most_pulses` bounds the work over combinations of pulses."""

    plan: Plan
    most_pulses: int = MOST_PULSES

    @cached_property
    def currents(self) -> Currents:
        """The converter's output currents."""
        besides: Quantity = 0.0 if self.plan.regulator is None else self.plan.regulator.quiescent_a
        capacitor = self.plan.capacitor
        if capacitor is not None and capacitor.at == "output":
            besides = besides + capacitor.leak_a
        return currents(self.plan.load, besides, self.most_pulses)

    @cached_property
    def string(self) -> String:
        """The cells."""
        return string(self.plan.cells, pulse_weight=self._pulse_weight, lasting_ratio=self._lasting_ratio)

    @cached_property
    def efficiency(self) -> Efficiency | None:
        """The converter's efficiency, None for linear and none."""
        given = self.plan.converter.efficiency
        return Efficiency(given) if given is not None and self.plan.converter.switching else None

    @property
    def beside_a(self) -> Quantity:
        """What is drawn from the string besides the converter, in use."""
        capacitor = self.plan.capacitor
        leak = capacitor.leak_a if capacitor is not None and capacitor.at == "input" else 0.0
        return self.plan.instrument.amps + leak

    @property
    def switch_ohm(self) -> Quantity:
        """Ohms between string and converter."""
        switch = self.plan.switch
        return switch.ohm if switch is not None and switch.kind == "mosfet" else 0.0

    def point(self, output_a: Quantity, drawn_mah: Quantity | None = None) -> Point:
        """Return the operating point for an output current, now or after some charge."""
        at = self.string.drawn_mah if drawn_mah is None else drawn_mah
        return settle(self.plan.converter, self.efficiency, open_v=self.string.open_at(at),
                      string_ohm=self.string.ohms_at(at), switch_ohm=self.switch_ohm, beside_a=self.beside_a,
                      output_a=output_a)

    def idle_v(self, drawn_mah: Quantity | None = None) -> Array:
        """Return the string's volts with only the instrument on."""
        at = self.string.drawn_mah if drawn_mah is None else drawn_mah
        return np.asarray(self.string.open_at(at) - self.string.ohms_at(at) * self.beside_a)

    def combinations(self, drawn_mah: Quantity | None = None) -> Point:
        """Return the operating point of every combination of pulses, combinations first."""
        amps = self.currents.combination_a
        # Whatever else was drawn has axes of its own behind that of the combinations.
        axes = np.ndim(self.point(self.currents.burst_a, drawn_mah).input_v)
        return self.point(amps.reshape(*amps.shape, *([1] * (axes + 1 - amps.ndim))), drawn_mah)

    def averaged(self, values: Array) -> Array:
        """Return values of combinations averaged over time."""
        weight = self.currents.weight
        ndim = max(weight.ndim, values.ndim)
        weight, values = (x.reshape(*x.shape, *([1] * (ndim - x.ndim))) for x in (weight, values))
        return np.asarray(np.sum(np.where(weight > 0, values * weight, 0.0), axis=0))

    def mean_input_a(self, drawn_mah: Quantity | None = None) -> Array:
        """Return the converter's input current averaged over time; NaN where a combination cannot be delivered."""
        return self.averaged(self.combinations(drawn_mah).input_a)

    @cached_property
    def average_input_w(self) -> Array:
        """The converter's input power averaged over time, cells as now."""
        point = self.combinations()
        return self.averaged(point.input_v * point.input_a)

    @cached_property
    def off_a(self) -> Array:
        """What is drawn when switched off, in A; NaN where it cannot be computed."""
        plan = self.plan
        capacitor = plan.capacitor
        besides: Quantity = plan.instrument.off_a
        if capacitor is not None and capacitor.at == "input" and (plan.switch is None or plan.switch.kind == "enable"):
            besides = besides + capacitor.leak_a
        if plan.switch is None:
            return np.asarray(self.mean_input_a() + besides)
        if plan.switch.kind == "mosfet":
            return np.asarray(plan.switch.off_a + besides)
        fed = 0.0 if plan.converter.load_disconnect else self.currents.mean_a
        return np.asarray(plan.converter.shutdown_a + fed + besides)

    @cached_property
    def off_days(self) -> Array:
        """Days until the cells are empty when switched off; infinite where nothing is drawn, NaN where not known."""
        off_a = self.off_a
        left = np.asarray(self.string.left_mah)
        days = left / 1e3 / np.where(off_a > 0, off_a, 1.0) / 24.0
        return np.where(np.isnan(off_a), np.nan, np.where(off_a > 0, days, np.inf))

    @cached_property
    def bulk_f(self) -> Array:
        """The capacitance that carries every pulse alone; NaN where there is no droop to be had."""
        charge = sum((load.amps * load.seconds for load in self.plan.load if load.seconds is not None), start=0.0)
        droop = self.droop_v
        with np.errstate(divide="ignore", invalid="ignore"):
            farad = charge / droop
        return np.where(np.asarray(charge) <= 0, 0.0, np.where(droop > 0, farad, np.nan))

    @cached_property
    def droop_v(self) -> Array:
        """Volts by which the converter's output may droop in a burst."""
        plan = self.plan
        if plan.converter.kind == "none":
            if plan.regulator is None:
                return _DROOP_SHARE * self.string.open_at(self.string.drawn_mah)
            rail: Quantity = self.point(self.currents.steady_a).input_v
        else:
            assert plan.converter.output_v is not None
            rail = plan.converter.output_v
            if plan.regulator is None:
                return np.asarray(_DROOP_SHARE * rail)
        return np.asarray(rail - plan.regulator.output_v - plan.regulator.dropout_v)

    @cached_property
    def _lasting_a(self) -> Quantity:
        """What the cells take for a lasting load: the mean, and long pulses nearly whole. In A at the output."""
        lasting: Quantity = self.beside_a + self.currents.mean_a
        for load in self.plan.load:
            if load.seconds is not None:
                lasting = lasting + load.amps * (1.0 - load.duty) * (1.0 - np.exp(-load.seconds / _LASTING_S))
        return lasting

    @property
    def _pulse_weight(self) -> Quantity:
        """How much of the burst is short pulses: 0 where it lasts."""
        whole = self.beside_a + self.currents.burst_a
        return np.where(whole > 0, 1.0 - self._lasting_a / np.where(whole > 0, whole, 1.0), 0.0)

    @property
    def _lasting_ratio(self) -> Quantity:
        """The lasting load over the mean, 1 or more."""
        mean = self.beside_a + self.currents.mean_a
        return np.where(mean > 0, self._lasting_a / np.where(mean > 0, mean, 1.0), 1.0)
