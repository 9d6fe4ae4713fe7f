"""Options, part check, bench check, advice, words and pictures: computed from the plan, never canned."""

from __future__ import annotations

import json
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from tests.supply.plans import HERE, METER, SMALL, changed, plan

from tapwright.cli.main import main
from tapwright.core.errors import PlanError, UsageError
from tapwright.supply.answer import FAILS, Answer
from tapwright.supply.ask import ask, part_number
from tapwright.supply.bench import compare, read_measured, with_measured
from tapwright.supply.faults import advice
from tapwright.supply.options import Option, options
from tapwright.supply.parts import part_checks
from tapwright.supply.read import parse_plan
from tapwright.supply.report import report
from tapwright.supply.text import text

REFERENCE = Path(__file__).parents[2] / "docs" / "reference" / "supply.md"


def by_name(found: list[Option], name: str) -> Option:
    """Return one option."""
    return next(option for option in found if option.name == name)


def test_an_option_is_the_plan_written_that_way() -> None:
    """Boosting straight to the board's supply gives what a plan with 3.3 V and no regulator gives."""
    text_ = changed(METER, "output_v = 5.0", "output_v = 3.3")
    text_ = text_.replace("[regulator]\noutput_v = 3.3\ndropout_v = 0.3\nquiescent_a = 5e-6\n", "")
    alone = Answer(parse_plan(text_, HERE))
    option = by_name(options(plan(METER)), "boost straight to the board's supply")
    assert option.answer.run.hours == pytest.approx(alone.run.hours, rel=1e-9)
    assert option.answer.peak_input_a == pytest.approx(alone.peak_input_a, rel=1e-9)
    assert option.answer.verdict == alone.verdict


def test_capacitor_option_carries_the_mean() -> None:
    """The burst with the bulk capacitor is the mean current's."""
    option = by_name(options(plan(METER)), "capacitor for the bursts")
    alone = Answer(parse_plan(METER.replace("amps = 0.25\nseconds = 0.004\nevery_s = 0.1", "amps = 0.01"), HERE))
    assert option.answer.peak_input_a == pytest.approx(alone.peak_input_a, rel=1e-9)


@pytest.mark.slow
def test_options_are_sorted_by_what_is_wanted() -> None:
    """hours falling, sag rising, parts rising."""
    hours = [o.answer.run.hours for o in options(plan(METER), "hours")]
    assert hours == sorted(hours, reverse=True)
    sags = [o.answer.sag_v for o in options(plan(METER), "sag") if o.answer.sag_v is not None]
    assert sags == sorted(sags)
    parts = [len(o.parts) for o in options(plan(METER), "parts")]
    assert parts == sorted(parts)


def test_options_depend_on_the_plan() -> None:
    """No pulses: no capacitor and no slower pulses; never off: a switch is offered and mends the drain."""
    names = [o.name for o in options(plan(changed(METER, "seconds = 0.004\nevery_s = 0.1", "")))]
    assert "capacitor for the bursts" not in names
    assert "pulses half as often" not in names
    never_off = plan(re.sub(r"\[switch\].*?\n\[instrument\]", "[instrument]", METER, flags=re.DOTALL))
    assert Answer(never_off).verdict == FAILS
    assert by_name(options(never_off), "MOSFET before the converter").answer.verdict != FAILS


def test_part_check_gives_margin_and_the_condition() -> None:
    """A MOSFET rated 0.2 A before this boost: no; the needed rating is the peak, the burst that passes is the inverse."""
    small = plan(changed(changed(METER, 'kind = "enable"', 'kind = "mosfet"'), "max_a = 0.5\nohm = 1.8",
                         "max_a = 0.3\nohm = 0.0"))
    item = next(i for i in part_checks(small, ["switch"]) if i.check.name == "switch current")
    peak = Answer(small).peak_input_a
    assert peak is not None
    assert float(item.check.value) == pytest.approx(peak)
    assert ": no" in item.words
    assert f"at least {math.ceil(peak * 1e3)} mA" in item.passes
    burst = float(re.search(r"a burst of at most (\d+) mA", item.passes).group(1)) / 1e3  # type: ignore[union-attr]
    rescaled = (burst - 0.08 - 5e-6) / 0.25
    loads = (replace(small.load[0], amps=0.25 * rescaled), small.load[1])
    assert Answer(replace(small, load=loads)).peak_input_a == pytest.approx(0.3, rel=0.02)


def test_part_check_finds_the_cells_at_which_it_passes() -> None:
    """Input current over its limit on worn cells: the open volts from which on it holds."""
    worn = plan(changed(METER, "input_max_a = 2.5", "input_max_a = 0.8"))
    item = next(i for i in part_checks(worn, ["converter"]) if i.check.name == "converter input current")
    volts = float(re.search(r"cells at ([\d.]+) V open", item.passes).group(1))  # type: ignore[union-attr]
    string = Answer(worn).circuit.string
    scale = float(string.ohm_scale)  # the same cells, fuller: the same scale on their ohms
    fuller = replace(worn, cells=replace(worn.cells, open_v=volts, ohm=None, curve=tuple(
        (q, v, float(r) * scale) for q, v, r in worn.cells.curve or ())))
    assert Answer(fuller).peak_input_a == pytest.approx(0.8, rel=0.03)


def test_part_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--part lays numbers over the plan, is checked like the plan, and shows in both forms."""
    file = tmp_path / "supply.toml"
    file.write_text(METER, encoding="utf-8")
    assert main(["supply", str(file), "--json", "--part", "switch.kind=mosfet", "--part", "switch.max_a=0.2",
                 "--part", "switch.ohm=0.05"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert any(part["name"] == "switch current" and not part["ok"] and part["margin"] < 0 for part in document["part"])
    assert main(["supply", str(file), "--part", "switch.max_a=-1"]) == 2
    assert "switch.max_a" in capsys.readouterr().err
    for bad in ("switch", "switch.max_a", "moon.phase=1", "switch.max_a="):
        with pytest.raises(UsageError):
            part_number(bad)


def test_bench_expects_what_the_plan_says() -> None:
    """Start through the cells' ohms at the end of the run, peak at its lowest volts, off current."""
    said = report(plan(METER))
    start, peak, off = said.bench
    string = said.answer.circuit.string
    end = said.answer.run.drawn_mah
    assert start.set_v == pytest.approx(float(string.open_at(end)))
    assert start.through_ohm == pytest.approx(float(string.ohms_at(end)))
    assert start.expect == 1.8
    assert peak.set_v == pytest.approx(1.6, rel=1e-3)  # the instrument's low limit ends this run
    assert peak.expect == pytest.approx(5.0 * 0.330005 / 0.88 / (1.6 + 0.0) + 20e-6, rel=1e-3)
    assert off.expect == pytest.approx(1e-7)


def measured_file(folder: Path, words: str) -> Path:
    """Write a file of measured values."""
    file = folder / "measured.toml"
    file.write_text(words, encoding="utf-8")
    return file


def test_measured_values_update_the_verdict(tmp_path: Path) -> None:
    """A high off current and a late start turn a plan that works into one that fails."""
    file = measured_file(tmp_path, "start_v = 2.75\noff_a = 2e-3\n")
    said = report(plan(METER), measured=read_measured(file), measured_path=file)
    assert report(plan(METER)).answer.verdict != FAILS
    assert {check.name for check in said.answer.failing} == {"converter starts", "off-state drain"}
    assert float(said.answer.circuit.off_a) == pytest.approx(2e-3)
    assert [m.agrees for m in said.measured] == [False, False]


def test_measured_efficiency_and_ohms_come_back(tmp_path: Path) -> None:
    """Values that a plan with other numbers would show give those numbers back."""
    other = plan(changed(METER, "efficiency = 0.88", "efficiency = 0.75"))
    seen = 5.0 * 0.330005 / 0.75 / 2.2 + 20e-6
    file = measured_file(tmp_path, f"peak_a = {seen}\npeak_at_v = 2.2\nopen_v = 2.72\nloaded_v = 2.37\nloaded_a = 0.5\n")
    measured = read_measured(file)
    found = with_measured(plan(METER), measured, file)
    assert found.converter.efficiency == pytest.approx(0.75, rel=1e-3)
    assert found.cells.ohm == pytest.approx((0.7 - 0.1) / 2, rel=1e-9)
    assert Answer(found).run.hours == pytest.approx(Answer(other).run.hours, rel=5e-3)
    assert [m.key for m in compare(plan(METER), measured)] == ["peak_a", "open_v"]


@pytest.mark.parametrize("words", ["", "peak_a = 0.5", "loaded_v = 2.0\nopen_v=2.5", "off_a = -1", "start_v = nan",
                                   "offa = 1", "start_v = true", "start_v = [1, 2]", "x", "peak_a = 0.1\npeak_at_v = 2",
                                   "open_v = 2\nloaded_v = 3\nloaded_a = 1"])
def test_bad_measured_files(words: str, tmp_path: Path) -> None:
    """Missing partners, wrong types, more power out than in: an error with the file's name."""
    file = measured_file(tmp_path, words)
    with pytest.raises(PlanError, match=re.escape(str(file))):
        report(plan(METER), measured=read_measured(file), measured_path=file)


def said_of(text_: str) -> str:
    """Return all advice on a plan."""
    return "\n".join(advice(Answer(plan(text_))))


def test_advice_looks_at_the_plan() -> None:
    """Each fault is told where the plan has it, with its own numbers, and not where it has not."""
    diode = changed(METER, "load_disconnect = true", "load_disconnect = false")
    assert "through the converter's diode: 90.0 mA" in said_of(diode)
    assert "diode" not in said_of(METER)
    assert "pull" in said_of(METER) or "100 kΩ from enable to ground" in said_of(METER)
    assert "enable line floats" not in said_of(changed(METER, 'kind = "enable"', 'kind = "mosfet"'))
    assert "contact_ohm is 0" in said_of(changed(METER, "contact_ohm = 0.1", "contact_ohm = 0"))
    assert "contact_ohm is 0" not in said_of(METER)
    coil = changed(METER, "quiescent_a = 20e-6", "quiescent_a = 20e-6\ninductor_h = 4.7e-6\nfrequency_hz = 1e6")
    assert "The coil's peak is" in said_of(coil)
    assert "At start, charging" in said_of(METER)


def test_weak_cell_is_timed() -> None:
    """A plan that empties its cells says when a weak one is empty: after 80 % of the charge at a steady current."""
    steady = '[cells]\nseries = 3\ncurve = [[0, 1.5, 0.1], [1000, 1.4, 0.1]]\n[converter]\nkind = "none"\n[switch]\n' \
             'kind = "mosfet"\n[[load]]\namps = 0.1\n'
    assert "empty after 8 h of the 10 h" in said_of(steady)


def test_contacts_advice_is_the_plan_with_contacts() -> None:
    """What it says of 0.15 ohm is what the plan says with 0.15 ohm."""
    none = changed(METER, "contact_ohm = 0.1", "contact_ohm = 0")
    lowest = Answer(plan(changed(METER, "contact_ohm = 0.1", "contact_ohm = 0.15"))).lowest_cells_v
    assert f"{lowest:.2f} V" in said_of(none)


@pytest.mark.slow
def test_pictures_are_svg_with_every_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three pictures; the run shows each limit on the string's volts by name."""
    file = tmp_path / "supply.toml"
    file.write_text(METER, encoding="utf-8")
    assert main(["supply", str(file), "--plot", str(tmp_path / "pictures")]) == 0
    capsys.readouterr()
    for name in ("run", "burst", "energy"):
        ET.parse(tmp_path / "pictures" / f"{name}.svg")
    drawn = (tmp_path / "pictures" / "run.svg").read_text(encoding="utf-8")
    for words in ("low limit", "converter starts", "least input"):
        assert words in drawn
    assert sorted(p.name for p in (tmp_path / "pictures").iterdir()) == ["burst.svg", "energy.svg", "run.svg"]


@pytest.mark.slow
@pytest.mark.parametrize("source", [METER, SMALL, changed(METER, "amps = 0.25", "amps = 2.5"),
                                    changed(METER, "open_v = 2.72", "open_v = [2.4, 3.0]"),
                                    changed(SMALL, "amps = 1.0", "amps = 0")])
def test_words_are_never_numbers_gone_wrong(source: str) -> None:
    """No nan or inf in the text, in any state; the answer stands first, the next thing last."""
    words = text(report(plan(source), sag_v=0.2, draws=200))
    assert not re.search(r"\b(nan|inf|None)\b", words)
    assert words.split(":")[0] in ("works", "marginal", "fails")
    assert words.strip().splitlines()[-1].startswith(("Next:", "  "))
    assert max(map(len, words.splitlines())) <= 120


def test_next_names_what_is_not_known() -> None:
    """Fresh cells assumed: measure them; a range that moves the run: narrow it; a failing plan: what mends it."""
    fresh = plan(changed(METER, "open_v = 2.72\nohm = 0.3", ""))
    assert "open volts" in report(fresh).next
    ranged = plan(changed(METER, "open_v = 2.72", "open_v = [2.2, 3.1]"))
    assert "cells.open_v" in report(ranged, draws=500).next
    failing = plan(changed(METER, "low_v = 1.6", "low_v = 2.2"))
    assert "the option" in report(failing).next


def test_empty_cells_are_said_to_be_empty() -> None:
    """Open volts under the curve's last row: every check may hold, yet nothing runs, and the words say so."""
    empty = plan(changed(changed(METER, "open_v = 2.72", "open_v = 1.7"), "low_v = 1.6", "low_v = 0.1")
                 .replace("amps = 0.25", "amps = 0.02").replace("start_v = 1.8\n", "").replace("shutdown_a = 1e-7", "shutdown_a = 0"))
    said = report(empty)
    assert said.answer.verdict != FAILS
    assert (said.answer.run.hours, said.answer.run.because) == (0, "cells empty")
    assert "empty now" in text(said).splitlines()[0]
    assert "other cells" in said.next


def test_usage_errors(tmp_path: Path) -> None:
    """Options out of range name themselves."""
    file = tmp_path / "supply.toml"
    file.write_text(METER, encoding="utf-8")
    for bad in ({"wanted": "luck"}, {"sag_v": -1.0}, {"sag_v": float("nan")}, {"draws": 0}, {"seed": -1}):
        with pytest.raises(UsageError):
            ask(file, **bad)  # type: ignore[arg-type]


def test_job_folder_s_plan_is_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without PLAN.toml the job folder's supply.toml is read."""
    (tmp_path / "job.toml").write_text('name = "meter"\n', encoding="utf-8")
    (tmp_path / "supply.toml").write_text(METER, encoding="utf-8")
    assert main(["supply", "--job", str(tmp_path)]) == 0
    assert capsys.readouterr().out.startswith("works")


def test_every_option_and_key_is_documented() -> None:
    """The reference page names each long option and each key that a plan may hold."""
    from dataclasses import fields

    from tapwright.supply import plan as nouns

    page = REFERENCE.read_text(encoding="utf-8")
    for option in ("--for", "--part", "--measured", "--sag", "--plot", "--draws", "--seed", "--json", "--job"):
        assert option in page
    for noun in (nouns.Cells, nouns.Converter, nouns.Regulator, nouns.Board, nouns.Switch, nouns.Instrument, nouns.Load,
                 nouns.Capacitor, nouns.Use):
        for key in fields(noun):
            assert f"`{key.name}`" in page, (noun.__name__, key.name)
