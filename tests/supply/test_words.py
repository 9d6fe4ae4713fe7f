"""What a maker reads: reasons, limits rounded the safe way, no absurd figures, the share of drawn plans up front."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from tests.supply.plans import METER, changed, plan

from tapwright.cli.main import main
from tapwright.core.errors import TapwrightError, UsageError
from tapwright.supply.answer import Answer
from tapwright.supply.ask import ask
from tapwright.supply.draw import run_picture
from tapwright.supply.faults import advice
from tapwright.supply.parts import part_checks
from tapwright.supply.report import report
from tapwright.supply.text import text
from tapwright.supply.words import with_unit

COLLAPSES = METER.replace("low_v = 1.6\n", "").replace("input_min_v = 0.9\nstart_v = 1.8\n", "") \
    .replace("curve = [[0, 1.60, 0.15], [1000, 1.30, 0.2], [2500, 0.9, 0.6]]\n", "") \
    .replace("amps = 0.25\n", "amps = 0.35\n").replace("open_v = 2.72", "open_v = 3.0")


def test_a_run_that_ends_in_collapse_has_nothing_to_spare_at_its_end() -> None:
    """At the end of such a run the power left is rounding, and no charging time is worked out from it."""
    answer = Answer(plan(COLLAPSES))
    assert answer.run.because == "cells can deliver the burst"
    start = next(words for words in advice(answer) if words.startswith("At start"))
    assert "nothing to spare" in start
    assert "ms or more" not in start


def test_the_reason_of_an_end_is_said_as_a_failing_check() -> None:
    """A check's name says what should hold; alone it would read as if that had happened."""
    said = text(report(plan(COLLAPSES)))
    assert "then this check fails: cells can deliver the burst" in said.splitlines()[0]
    assert "; then: cells can" not in said


@pytest.mark.parametrize(("value", "up", "shown"), [
    (1.0949, True, "1.10 A"), (1.0949, False, "1.09 A"), (0.0949, True, "94.9 mA"), (1.09, True, "1.09 A"),
    (0.9996, True, "1.00 A"), (0.0, True, "0 A")])
def test_rounding_to_the_safe_side(value: float, up: bool, shown: str) -> None:
    """'At least' is rounded up and 'at most' down, so that the shown number really passes."""
    assert with_unit(value, "A", toward=1 if up else -1) == shown


def test_the_condition_of_a_part_passes_as_printed() -> None:
    """A limit taken from the printed condition makes the check hold."""
    failing = changed(METER, "input_max_a = 2.5", "input_max_a = 0.3")
    part = next(p for p in part_checks(plan(failing), ["converter"]) if p.check.name == "converter input current")
    found = re.search(r"a limit of at least ([0-9.]+) (m?)A", part.passes)
    assert found
    rating = float(found.group(1)) * (1e-3 if found.group(2) else 1)
    again = Answer(plan(changed(METER, "input_max_a = 2.5", f"input_max_a = {rating:.6g}")))
    assert next(c for c in again.checks if c.name == "converter input current").ok


@pytest.mark.parametrize(("old", "new", "words"), [
    ("max_v = 3.8", "max_v = 3.1", "a limit of at least 3.30 V"),
    ("min_v = 2.9", "min_v = 3.5", "a limit of at most 3.30 V")])
def test_the_condition_names_the_right_side_of_a_limit(old: str, new: str, words: str) -> None:
    """The board's volts have a limit on either side."""
    part = part_checks(plan(changed(METER, old, new)), ["board"])[0]
    assert not part.check.ok
    assert words in part.passes


def test_a_wrong_part_number_names_the_option_and_not_a_line_of_the_plan(tmp_path: Path) -> None:
    """The plan file is not at fault."""
    path = tmp_path / "supply.toml"
    path.write_text(METER, encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        ask(path, parts=("switch.maxa=0.5",))
    message = caught.value.message()
    assert message.startswith("--part, key switch.maxa: unknown key 'maxa'")
    assert message.endswith("Did you mean 'max_a'?")
    path.write_text(changed(METER, "max_a = 0.5", "max_a = -1"), encoding="utf-8")
    with pytest.raises(TapwrightError) as caught_plan:
        ask(path, parts=("switch.ohm=0.5",))
    assert str(path) in caught_plan.value.message()


@pytest.mark.parametrize(("volts", "word"), [("30", "above"), ("1.2", "below")])
def test_open_volts_off_the_curve_are_said(volts: str, word: str) -> None:
    """A slip of the point, or cells of another kind, must not pass as fresh or empty cells without a word."""
    off = advice(Answer(plan(changed(METER, "open_v = 2.72", f"open_v = {volts}"))))
    assert any(words.startswith("open_v") and word in words for words in off)
    assert not any(words.startswith("open_v") for words in advice(Answer(plan(METER))))


def test_a_failing_plan_that_no_option_mends_says_what_would() -> None:
    """A rating too small is told by the number that would do."""
    said = report(plan(changed(METER, "input_max_v = 5.5", "input_max_v = 1.0").replace(
        "output_max_a = 0.8", "output_max_a = 0.01")))
    assert "would pass with a limit of at least" in said.next


def test_the_first_line_tells_of_drawn_plans_that_fail(tmp_path: Path,
                                                       capsys: pytest.CaptureFixture[str]) -> None:
    """A plan that holds only at the middle of its ranges is not called working without a word."""
    path = tmp_path / "supply.toml"
    path.write_text(changed(METER, "low_v = 1.6", "low_v = [1.6, 2.3]"), encoding="utf-8")
    main(["supply", str(path)])
    first = capsys.readouterr().out.split("Checks,")[0]
    assert "at the middle of your ranges" in first
    assert re.search(r"\d % of the drawn plans fail", first)


def test_per_cent_has_its_space() -> None:
    """SI Brochure, 9th edition, 5.4.7."""
    assert not re.search(r"\d%", text(report(plan(METER))))


def test_the_run_picture_draws_the_collapse_and_the_run_ends_on_it() -> None:
    """A run that ends in collapse ends where the cells give their most, half their free volts (maximum power)."""
    answer = Answer(plan(COLLAPSES.replace("[instrument]\namps = 0.003", "[instrument]\namps = 0")
                         .replace("quiescent_a = 20e-6", "quiescent_a = 0")))
    assert answer.run.because == "cells can deliver the burst"
    half = answer.run.open_v / 2
    assert float(answer.run.curve_v[-1]) == pytest.approx(half, rel=0.01)
    picture = run_picture(answer)
    assert "most power, collapse beyond" in picture
    last = max(re.findall(r'points="([^"]+)"[^>]*stroke-dasharray="1 3"', picture), key=len).split()[-1]
    end = re.search(r'<circle cx="([0-9.]+)" cy="([0-9.]+)"', picture)
    assert end
    x, y = map(float, last.split(","))
    assert (x, y) == pytest.approx((float(end.group(1)), float(end.group(2))), abs=2)
