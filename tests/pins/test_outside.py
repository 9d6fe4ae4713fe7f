"""Arithmetic against what stands outside the project: ngspice, handbook formulas, published thresholds."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from tapwright.core.errors import UsageError
from tapwright.pins.advise import e12_at_least, load_ohms
from tapwright.pins.circuits import HIGH, LOW, RELEASED, branches, circuits
from tapwright.pins.levels import FAMILIES, board_drives, board_reads, divider, family
from tapwright.pins.predict import Probe, forecast

GOLDEN = Path(__file__).parents[1] / "golden" / "levels.csv"
TESTS = (Probe(), Probe(False, 3300.0, False), Probe(False, 1e4, True), Probe(True, 1e5, False), Probe(True, 1e4, True))


def netlist(chosen: list[int], supply_v: float) -> str:
    """Return twenty circuits with their loads as one netlist; written from the circuit's meaning, not its equations."""
    all_, b = circuits(), branches()
    lines = ["twenty pads", f"vs rail 0 {supply_v}"]
    for i, branch in enumerate(chosen):
        test, j, node = TESTS[i % len(TESTS)], int(b.circuit[branch]), f"n{i}"
        lines.append(f"rm{i} {node} 0 10meg")
        if not np.isinf(test.ohm):
            lines.append(f"rl{i} {node} {'rail' if test.to_supply else '0'} {test.ohm}")
        if b.does[branch] in (HIGH, LOW) and not (all_.by_module[j] and test.out):
            high = b.does[branch] == HIGH
            lines.append(f"rd{i} {node} {'rail' if high else '0'} {all_.high_ohm[j] if high else all_.low_ohm[j]}")
        for name, ohm, up, there in (("i", all_.pull_i[j], all_.pull_i_up[j], True),
                                     ("m", all_.pull_m[j], all_.pull_m_up[j], not test.out)):
            if np.isfinite(ohm) and there:
                lines.append(f"rp{name}{i} {node} {'rail' if up else '0'} {ohm}")
    return "\n".join([*lines, ".op", ".control", "set filetype=ascii", "op",
                      *(f"print v(n{i})" for i in range(len(chosen))), "quit", ".endc", ".end"]) + "\n"


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_forecasts_agree_with_spice_operating_points(tmp_path: Path) -> None:
    """Divider and loading arithmetic on 20 circuits, against ngspice's operating point (to 0.1 mV)."""
    b, all_ = branches(), circuits()
    held = np.isfinite(all_.pull_i[b.circuit]) | np.isfinite(all_.pull_m[b.circuit])
    usable = np.flatnonzero((np.isin(b.does, (HIGH, LOW)) | ((b.does == RELEASED) & held)) & (all_.role[b.circuit] < 6)
                            & ~all_.pull_i_switched[b.circuit])
    chosen = np.random.default_rng(6).choice(usable, 20, replace=False).tolist()
    path = tmp_path / "pads.cir"
    path.write_text(netlist(chosen, 3.0), encoding="utf-8")
    done = subprocess.run(["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=60, check=False)
    seen = {int(k): float(v) for k, v in re.findall(r"v\(n(\d+)\) = ([-+.\deE]+)", done.stdout)}
    assert len(seen) == 20, done.stdout + done.stderr
    for i, branch in enumerate(chosen):
        cast = forecast(TESTS[i % len(TESTS)], supply_v=3.0, meter_ohm=10e6)
        assert 3.0 * float(cast.at[branch]) == pytest.approx(seen[i], abs=1e-4)


@pytest.mark.slow
def test_meter_loading_follows_the_handbook_formula() -> None:
    """A meter of Rm on a source R shows E Rm / (Rm + R) (low level measurements handbooks; IEC 61010 terms aside)."""
    b, all_ = branches(), circuits()
    for branch in np.flatnonzero((b.does == RELEASED) & b.is_high)[:30].tolist():
        j = int(b.circuit[branch])
        ohm = min(all_.pull_i[j], all_.pull_m[j])
        for meter in (1e6, 10e6):
            at = float(forecast(Probe(), supply_v=3.0, meter_ohm=meter).at[branch])
            assert at == pytest.approx(meter / (meter + ohm), rel=1e-4)


def test_thresholds_are_the_published_ones() -> None:
    """Families against tests/golden/levels.csv (JESD8C.01, JESD8-5A.01, JESD8-7A, -11A.01, -12A.01)."""
    names = {"LVTTL 3.3 V": "3.3v", "LVCMOS 2.5 V": "2.5v", "LVCMOS 1.8 V": "1.8v", "LVCMOS 1.5 V": "1.5v",
             "LVCMOS 1.2 V": "1.2v", "5 V TTL": "5v ttl", "5 V CMOS": "5v cmos"}
    with GOLDEN.open(encoding="utf-8") as file:
        rows = {row["family"]: row for row in csv.DictReader(file)}
    for golden, name in names.items():
        row, ours = rows[golden], FAMILIES[name]
        vdd = float(row["vdd_nom_V"])
        for column, value in (("vil_max_V", ours.low_max_v), ("vih_min_V", ours.high_min_v),
                              ("vol_max_V", ours.out_low_v), ("voh_min_V", ours.out_high_v)):
            assert value == pytest.approx(volts(row[column], vdd), abs=1e-6), (golden, column)


def volts(text: str, vdd: float) -> float:
    """Evaluate `0.65*VDD`, `VDD-0.45` or a plain number."""
    if "*" in text:
        return float(text.partition("*")[0]) * vdd
    return vdd - float(text.partition("-")[2]) if text.startswith("VDD-") else float(text)


def test_what_the_standards_imply() -> None:
    """A 1.8 V output misses a 3.3 V input; a 2.5 V one just reaches it, with no margin (check-values, section B)."""
    low = board_reads("5", family("3.3v"), fresh_v=FAMILIES["1.8v"].out_high_v, worn_v=FAMILIES["1.8v"].out_high_v)
    assert (low.how, low.high_margin_v) == ("level shifter", pytest.approx(-0.65))
    just = board_reads("5", family("3.3v"), fresh_v=2.0, worn_v=FAMILIES["2.5v"].out_high_v, low_v=0.4)
    assert (just.how, just.high_margin_v) == ("direct", pytest.approx(0.0))


def test_dividers_keep_both_ends() -> None:
    """A 5 V line into 3.3 V inputs: never above the supply at fresh cells, still high at worn ones."""
    fit = board_reads("5", family("3.3v"), fresh_v=5.0, worn_v=4.0, source_ohm=100)
    assert fit.how == "divider"
    assert fit.upper_ohm
    assert fit.lower_ohm
    assert 5.0 * fit.lower_ohm / (fit.upper_ohm + fit.lower_ohm + 100) <= 3.3
    assert 4.0 * fit.lower_ohm / (fit.upper_ohm + fit.lower_ohm + 100) >= 2.0
    upper, lower = divider(5.0, 3.3, 100.0)
    assert (upper, lower) == (fit.upper_ohm, fit.lower_ohm)
    assert board_drives("4", family("3.3v"), fresh_v=3.0, worn_v=2.6).how in ("series resistor", "divider")


def test_margins_behind_a_divider_are_those_of_the_divided_levels() -> None:
    """4.5 V and 0.5 V over 11k and 10k, against 0.7 of 3 V and 0.3 of 2.4 V, by hand."""
    fit = board_drives("4", family("5v cmos"), fresh_v=3.0, worn_v=2.4)
    assert (fit.how, fit.upper_ohm, fit.lower_ohm) == ("divider", 11e3, 10e3)
    assert fit.high_margin_v == pytest.approx(4.5 * 10 / 21 - 2.1, abs=1e-3)
    assert fit.low_margin_v == pytest.approx(0.72 - 0.5 * 10 / 21, abs=1e-3)


def test_wrong_families_are_refused() -> None:
    """An unknown name and thresholds that contradict each other."""
    with pytest.raises(UsageError, match="no logic family"):
        family("9v")
    with pytest.raises(UsageError, match="thresholds"):
        family("3.3v", low_max_v=2.5)


@pytest.mark.parametrize("supply", [1.2, 1.8, 2.7, 3.0, 3.3, 5.0, 9.0, 12.0, 24.0])
def test_loads_keep_the_current_under_a_milliampere(supply: float) -> None:
    """Every resistor offered leaves supply over R under 1 mA, and is an E12 value (IEC 60063)."""
    for ohm in load_ohms(supply):
        assert supply / ohm < 1e-3
        digits = ohm / 10 ** np.floor(np.log10(ohm))
        assert min(abs(digits - value) for value in (1, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)) < 1e-6
    assert e12_at_least(3300) > 3300
