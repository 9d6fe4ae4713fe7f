"""The sag in a burst against a circuit simulator, and against closed forms."""

from __future__ import annotations

import math
import random
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.supply.plans import METER, changed, plan

from tapwright.supply.answer import Answer
from tapwright.supply.burst import burst_in_time, farad_for_sag
from tapwright.supply.sag import Rail, current_burst, farad_for, power_burst

N_CIRCUITS = 20
SAG = 0.02  # of the sag, as the issue asks


def circuits(seed: int) -> list[tuple[Rail, str, float, float, float]]:
    """Draw circuits: rail, kind of load, load before and in the burst, seconds."""
    r, found = random.Random(seed), []
    for i in range(N_CIRCUITS):
        rail = Rail(open_v=r.uniform(2.0, 3.3), ohm=r.uniform(0.2, 1.2), farad=10 ** r.uniform(-4.3, -2.5),
                    esr_ohm=r.uniform(0.01, 0.15))
        seconds = 10 ** r.uniform(-3.3, -1.5)
        if i % 2:
            most = rail.open_v**2 / 4 / rail.ohm
            found.append((rail, "power", most * r.uniform(0.02, 0.2), most * r.uniform(0.4, 0.85), seconds))
        else:
            found.append((rail, "current", r.uniform(0.01, 0.1), r.uniform(0.2, 0.7) * rail.open_v / rail.ohm / 2, seconds))
    return found


def netlist(drawn: list[tuple[Rail, str, float, float, float]]) -> str:
    """Write all circuits into one deck; each has its own nodes, the burst begins at 1 ms."""
    lines = ["bursts"]
    for i, (rail, kind, before, during, seconds) in enumerate(drawn):
        step = f"({before} + ({during} - {before}) * (time >= 1m) * (time <= {1e-3 + seconds}))"
        load = f"{step} / v(n{i})" if kind == "power" else step
        lines += [f"v{i} e{i} 0 {rail.open_v}", f"r{i} e{i} n{i} {rail.ohm}", f"rs{i} n{i} k{i} {rail.esr_ohm}",
                  f"c{i} k{i} 0 {rail.farad}", f"b{i} n{i} 0 i = {load}", f".nodeset v(n{i})={rail.open_v}"]
    last = 1e-3 + max(seconds for *_, seconds in drawn) * 1.05
    lines += [".options reltol=1e-5", f".tran 2u {last} 0 4u", ".control", "run"]
    lines += [f"meas tran low{i} min v(n{i}) from=1.0u to={1e-3 + seconds - 4e-6}\nmeas tran top{i} find v(n{i}) at=0.9m"
              for i, (*_, seconds) in enumerate(drawn)]
    return "\n".join([*lines, "quit", ".endc", ".end"]) + "\n"


@pytest.mark.slow
def test_twenty_circuits_against_ngspice(tmp_path: Path) -> None:
    """Lowest volts of ten current and ten power bursts, within 2 % of the sag."""
    if shutil.which("ngspice") is None:
        pytest.skip("needs ngspice")
    drawn = circuits(7)
    deck = tmp_path / "bursts.cir"
    deck.write_text(netlist(drawn), encoding="utf-8")
    out = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=120, check=False).stdout
    said = {name: float(value) for name, value in re.findall(r"^(low\d+|top\d+)\s*=\s*([-+0-9.e]+)", out, re.MULTILINE)}
    assert len(said) == 2 * N_CIRCUITS, out[-2000:]
    for i, (rail, kind, before, during, seconds) in enumerate(drawn):
        ours = (power_burst(rail, before_w=before, during_w=during, seconds=seconds) if kind == "power"
                else current_burst(rail, before_a=before, during_a=during, seconds=seconds))
        assert ours.lowest_v is not None
        sag = said[f"top{i}"] - said[f"low{i}"]
        assert said[f"top{i}"] - ours.lowest_v == pytest.approx(sag, rel=SAG), (i, kind, rail)


def test_capacitor_alone_droops_by_charge_over_farads() -> None:
    """150 mA for 2 ms from 1000 uF: 0.300 V; 350 mA through 50 mohm: 17.5 mV (check values section E)."""
    alone = Rail(open_v=3.0, ohm=1e9, farad=1000e-6)
    assert 3.0 - (current_burst(alone, before_a=0, during_a=0.15, seconds=2e-3).lowest_v or 0) == pytest.approx(0.3, 1e-3)
    through = Rail(open_v=3.0, ohm=1e9, farad=1e3, esr_ohm=0.05)
    assert 3.0 - (current_burst(through, before_a=0, during_a=0.35, seconds=1e-6).lowest_v or 0) == pytest.approx(
        17.5e-3, 1e-4)


def test_long_burst_ends_at_the_resistive_value() -> None:
    """After many time constants the rail stands where it would without a capacitor."""
    rail = Rail(open_v=3.0, ohm=0.6, farad=1e-3, esr_ohm=0.05)
    assert power_burst(rail, before_w=0, during_w=1.0, seconds=0.05).volts[-1] == pytest.approx(2.784523, rel=1e-5)
    assert current_burst(rail, before_a=0, during_a=0.5, seconds=0.05).volts[-1] == pytest.approx(2.7, rel=1e-6)


def test_too_much_power_collapses_in_time_not_at_once() -> None:
    """Above E^2/4R the capacitor holds the rail for a while; then it collapses."""
    rail = Rail(open_v=3.0, ohm=0.6, farad=10e-3, esr_ohm=0.02)
    assert power_burst(rail, before_w=0, during_w=4.5, seconds=1e-3).lowest_v is not None
    assert power_burst(rail, before_w=0, during_w=4.5, seconds=1.0).lowest_v is None


@pytest.mark.slow
@settings(max_examples=50, deadline=None)
@given(amps=st.floats(1e-3, 2), seconds=st.floats(1e-4, 1), sag_v=st.floats(0.01, 2), esr=st.floats(0, 1))
def test_farad_for_a_sag_is_its_inverse(amps: float, seconds: float, sag_v: float, esr: float) -> None:
    """The capacitance for a sag sags by it; none where the ESR alone takes more."""
    farad = farad_for(amps=amps, seconds=seconds, sag_v=sag_v, esr_ohm=esr)
    if farad is None:
        assert amps * esr >= sag_v
    else:
        assert amps * seconds / farad + amps * esr == pytest.approx(sag_v, rel=1e-9)


def test_plan_with_a_capacitor() -> None:
    """A plan's capacitor lessens the sag on the cells' side; on the output's side it droops by the bound."""
    with_c = METER + "[capacitor]\nfarad = 2.2e-3\nesr_ohm = 0.05\nat = \"input\"\n"
    burst = burst_in_time(Answer(plan(with_c)))
    assert burst is not None
    assert burst.lowest_v is not None
    assert burst.capacitor_lowest_v is not None
    assert burst.lowest_v < burst.capacitor_lowest_v < (burst.steady_v or math.inf)
    out = burst_in_time(Answer(plan(changed(with_c, '"input"', '"output"'))))
    assert out is not None
    assert out.capacitor_lowest_v == pytest.approx(5.0 - 0.25 * (0.004 / 2.2e-3 + 0.05), rel=1e-9)
    assert burst_in_time(Answer(plan(changed(METER, "seconds = 0.004\nevery_s = 0.1", "")))) is None
    assert farad_for_sag(Answer(plan(METER)), 0.3) == pytest.approx(0.25 * 0.004 / 0.3, rel=1e-9)


def test_leak_counts_on_and_off() -> None:
    """A capacitor's leak on the cells' side is drawn on and off."""
    leaky = METER + "[capacitor]\nfarad = 2.2e-3\nleak_a = 50e-6\nat = \"input\"\n"
    tight, drained = Answer(plan(METER)).circuit, Answer(plan(leaky)).circuit
    assert float(drained.off_a) == pytest.approx(float(tight.off_a) + 50e-6, rel=1e-12)
    assert float(drained.beside_a) == pytest.approx(float(tight.beside_a) + 50e-6, rel=1e-12)
    assert np.all(drained.off_days < tight.off_days)
