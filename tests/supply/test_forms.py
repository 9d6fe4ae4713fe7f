"""Closed forms: published equations and worked numbers, each with its source."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tests.supply.plans import METER, SMALL, changed, plan

from tapwright.supply.answer import FAILS, MARGINAL, WORKS, Answer, number
from tapwright.supply.checks import coil_peak_a

# E V, R ohm, P W, Pmax W, V and I on the running branch; None where nothing runs. Source: V = (E + sqrt(E^2 - 4RP))/2,
# Pmax = E^2/4R (maximum power theorem, several texts); numbers computed apart, check values section E.
CONSTANT_POWER = [
    (3.0, 0.6, 1.0, 3.75, 2.784523, 0.359128),
    (3.0, 0.6, 3.75, 3.75, 1.5, 2.5),
    (2.4, 0.8, 1.0, 1.80, 2.0, 0.5),
    (2.0, 1.2, 0.8, 0.833333, 1.2, 0.666667),
    (2.0, 1.2, 0.9, 0.833333, None, None),
    (3.2, 0.4, 0.66, 6.4, 3.115256, 0.211861),
]


def answer(text: str) -> Answer:
    """Answer a plan from text."""
    return Answer(plan(text))


def check(found: Answer, name: str) -> tuple[float | None, float | None, bool]:
    """Return a check's value, limit and whether it holds."""
    one = next(c for c in found.checks if c.name == name)
    return number(one.value), number(one.limit), bool(one.ok)


@pytest.mark.parametrize(("e", "r", "p", "most", "v", "i"), CONSTANT_POWER)
def test_constant_power_behind_a_resistance(e: float, r: float, p: float, most: float, v: float | None,
                                            i: float | None) -> None:
    """The running branch, and collapse where E^2 < 4RP."""
    text = changed(SMALL, "[[0, 3.0, 0.6], [1000, 2.9999, 0.6]]", f"[[0, {e}, {r}], [1000, {e - 1e-4}, {r}]]")
    found = answer(changed(text, "amps = 1.0", f"amps = {p}"))
    value, limit, ok = check(found, "cells can deliver the burst")
    assert value == pytest.approx(p, rel=1e-9)
    assert limit == pytest.approx(most, rel=1e-6)
    assert ok == (v is not None)
    assert found.lowest_cells_v == (None if v is None else pytest.approx(v, rel=1e-6))
    assert found.peak_input_a == (None if i is None else pytest.approx(i, rel=2e-6))


@pytest.mark.parametrize(("vin", "efficiency", "iout", "peak", "mean"), [
    (1.8, 0.80, 0.20, 0.56626, 0.45833), (2.4, 0.90, 0.35, 0.62292, 0.53472)])
def test_boost_coil_peak(vin: float, efficiency: float, iout: float, peak: float, mean: float) -> None:
    """TI SLVA372 (rev. D, 2022), switch current: 3.3 V, 1 MHz, 4.7 uH (check values section E, recomputed there)."""
    found = answer(f"""
[cells]
series = 1
curve = [[0, {vin}, 1e-9], [1000, {vin - 1e-6}, 1e-9]]
[converter]
kind = "boost"
output_v = 3.3
efficiency = {efficiency}
inductor_h = 4.7e-6
frequency_hz = 1e6
inductor_peak_a = 0.6
[[load]]
amps = {iout}
""")
    assert found.peak_input_a == pytest.approx(mean, rel=1e-4)
    coil = coil_peak_a(found.state)
    assert coil is not None
    assert float(coil) == pytest.approx(peak, rel=1e-4)
    assert check(found, "inductor peak current")[2] == (peak <= 0.6)


def test_mean_of_a_burst_load_and_run_time() -> None:
    """350 mA for 2 ms in 100 ms, else 20 mA: 26.6 mA; two NiMH of 1.205 Wh at 97.5 mW: 24.71 h.

    Source: arithmetic on a measured energy (a 1050 mAh type at 0.2 A), check values section E.
    """
    volts = 1.205 / 0.991  # the measured energy over the measured charge of that cell
    found = answer(f"""
[cells]
series = 2
curve = [[0, {volts + 1e-6}, 0], [991, {volts - 1e-6}, 0]]
[converter]
kind = "boost"
output_v = 3.3
efficiency = 0.90
[[load]]
amps = 0.33
seconds = 0.002
every_s = 0.1
[[load]]
amps = 0.02
""")
    assert float(found.circuit.currents.mean_a) == pytest.approx(0.0266, rel=1e-9)
    assert float(found.circuit.average_input_w) == pytest.approx(0.09753, rel=1e-3)
    assert found.run.hours == pytest.approx(24.71, rel=1e-3)
    assert found.run.because == "cells empty"


def test_off_state_drain_of_ten_microamperes() -> None:
    """10 uA takes 87.66 mAh in a year of 8766 h (arithmetic, check values section E)."""
    found = answer(changed(changed(SMALL, "amps = 1.0", "amps = 0.1"), 'kind = "enable"',
                           'kind = "mosfet"\noff_a = 10e-6'))
    assert float(found.circuit.off_days) == pytest.approx(365.25 * 1000 / 87.66, rel=1e-4)


def test_two_fresh_alkaline_cells_never_hold_a_linear_3_3_volts() -> None:
    """A linear regulator works only from its output plus dropout up; 3.2 V does not hold 3.3 V (arithmetic)."""
    found = answer("""
[cells]
chemistry = "alkaline"
series = 2
[converter]
kind = "none"
[regulator]
output_v = 3.3
dropout_v = 0.1
[[load]]
amps = 0.05
""")
    assert found.verdict == FAILS
    assert found.run.because == "regulator headroom"
    assert found.run.hours == 0


def test_droop_of_a_capacitor() -> None:
    """150 mA for 2 ms from 1000 uF droops 0.300 V (I t / C, check values section E)."""
    text = changed(METER, "amps = 0.25\nseconds = 0.004", "amps = 0.15\nseconds = 0.002")
    found = answer(changed(changed(text, "output_v = 5.0", "output_v = 3.9"), "dropout_v = 0.3", "dropout_v = 0.3"))
    assert float(found.circuit.bulk_f) == pytest.approx(1000e-6, rel=1e-9)


def test_every_check_of_the_contract_in_its_order() -> None:
    """The table's names and order; a boost plan with a mosfet and a regulator has all but the enable threshold."""
    text = METER.replace('kind = "enable"', 'kind = "mosfet"')
    assert [c.name for c in answer(text).checks] == [
        "cells can deliver the burst", "converter starts", "converter input current", "converter output current",
        "switch current", "switch is fully on", "regulator headroom", "board volts in range", "converter input volts",
        "instrument stays above its low limit", "off-state drain"]
    assert "enable threshold" in [c.name for c in answer(METER).checks]


def test_left_out_tables_leave_out_checks() -> None:
    """Only what the plan gives is checked."""
    assert [c.name for c in answer(SMALL).checks] == ["cells can deliver the burst", "off-state drain"]


def test_collapse_gives_no_figures() -> None:
    """Where the cells cannot deliver the burst, peak and lowest volts are null and what needs them is not ok."""
    found = answer(changed(METER, "amps = 0.25", "amps = 0.5"))
    assert found.peak_input_a is None
    assert found.lowest_cells_v is None
    assert found.run.hours == 0
    assert found.run.because == "cells can deliver the burst"
    assert check(found, "converter input current") == (None, 2.5, False)
    assert check(found, "instrument stays above its low limit")[2] is False


def test_input_minimum_cuts_the_deliverable_power() -> None:
    """m (V - m) / R where V/2 < m: 3 V behind 0.6 ohm with at least 2.8 V at the input gives 0.9333 W."""
    found = answer(changed(SMALL, "efficiency = 1.0", "efficiency = 1.0\ninput_min_v = 2.8"))
    assert check(found, "cells can deliver the burst")[1] == pytest.approx(2.8 * 0.2 / 0.6, rel=1e-9)
    assert found.verdict == FAILS


def test_marginal_has_less_than_a_tenth_in_hand() -> None:
    """A limit met with 9 % in hand is marginal, with 11 % works."""
    text = changed(METER, "input_max_a = 2.5", "input_max_a = {}")
    peak = answer(METER).peak_input_a
    assert peak is not None
    assert answer(METER).verdict == WORKS
    assert answer(text.format(peak / 0.91)).verdict == MARGINAL
    assert answer(text.format(peak / 0.89)).verdict == WORKS
    assert answer(text.format(peak / 1.01)).verdict == FAILS


def test_rounding_does_not_fail_a_limit() -> None:
    """3.3 V less 3.0 V holds a dropout of 0.3 V, though not in binary."""
    text = changed(changed(METER, "output_v = 5.0", "output_v = 3.3"), "[regulator]\noutput_v = 3.3",
                   "[regulator]\noutput_v = 3.0")
    assert check(answer(text), "regulator headroom")[2]


def test_boost_passes_cells_above_its_output() -> None:
    """Two fresh primary lithium cells stand above a 3.3 V boost (IEC 60086-2: up to 1.83 V each)."""
    text = """
[cells]
chemistry = "lithium"
series = 2
[converter]
kind = "boost"
output_v = 3.3
efficiency = 0.9
[board]
max_v = 3.5
[[load]]
amps = 0.1
"""
    value, limit, ok = check(answer(text), "board volts in range")
    assert (value, limit, ok) == (pytest.approx(3.6, rel=1e-6), 3.5, False)
    assert check(answer(changed(text, '"boost"', '"buck-boost"')), "board volts in range")[2]


def test_no_load_disconnect_feeds_the_board_through_the_diode() -> None:
    """Off, the mean output current flows besides: the cells are empty in days, not decades."""
    found = answer(changed(METER, "load_disconnect = true", "load_disconnect = false"))
    mean = 0.08 + 0.25 * 0.04 + 5e-6
    assert float(found.circuit.off_a) == pytest.approx(1e-7 + mean, rel=1e-9)
    assert found.verdict == FAILS
    assert found.run.hours > 0


def test_nothing_drawn_off_is_no_failure() -> None:
    """off_days is null and ok where nothing leaks."""
    found = answer(changed(METER, 'kind = "enable"', 'kind = "mosfet"'))
    value, _, ok = check(found, "off-state drain")
    assert value is None
    assert ok


def test_run_days_counts_the_hours_off() -> None:
    """run_days = run_h / (hours_per_day + (24 - hours_per_day) x off / mean)."""
    found = answer(changed(METER, "shutdown_a = 1e-7", "shutdown_a = 1e-3"))
    string = found.circuit.string
    mean = (found.run.drawn_mah - float(string.drawn_mah)) / 1e3 / found.run.hours
    assert found.run_days == pytest.approx(found.run.hours / (0.5 + 23.5 * 1e-3 / mean), rel=1e-9)
    assert answer(changed(METER, "hours_per_day = 0.5", "")).run_days is None


def test_energy_is_conserved() -> None:
    """What the cells gave, integrated over their open volts, is what the parts took."""
    from tapwright.supply.run import energy_wh

    found = answer(METER)
    parts = energy_wh(found.circuit, found.run)
    string = found.circuit.string
    drawn = np.linspace(float(string.drawn_mah), found.run.drawn_mah, 20001)
    given = float(np.trapezoid(string.open_at(drawn), drawn)) / 1e3
    assert sum(wh for name, wh in parts.items() if name != "left in the cells") == pytest.approx(given, rel=1e-5)
    assert math.isclose(parts["regulator"] / parts["board"], 1.7 / 3.3, rel_tol=1e-3)
