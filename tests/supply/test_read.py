"""Reading PLAN.toml: what is wrong is said with table, key and line, and exit 2; nothing else is ever raised."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.supply import blind
from tests.supply.plans import HERE, METER, changed, plan

from tapwright.cli.main import main
from tapwright.core.errors import PlanError
from tapwright.supply.read import parse_plan

BAD = [
    ("series = 2", "series = 2\nserie = 2", "cells.serie", "did you mean 'series'"),
    ("[converter]", "[convertor]", "convertor", "Did you mean 'converter'"),
    ("series = 2", "", "cells.series", "missing"),
    ("series = 2", "series = 0", "cells.series", "whole number from 1"),
    ("series = 2", "series = 1.5", "cells.series", "whole number from 1"),
    ("series = 2", "series = true", "cells.series", "whole number from 1"),
    ("series = 2", 'series = "2"', "cells.series", "whole number from 1"),
    ('kind = "boost"', "", "converter.kind", "missing"),
    ('kind = "boost"', 'kind = "bost"', "converter.kind", "one of boost"),
    ("output_v = 5.0", "", "converter.output_v", "missing"),
    ("output_v = 5.0", "output_v = -5.0", "converter.output_v", "over 0"),
    ("efficiency = 0.88", "", "converter.efficiency", "missing"),
    ("efficiency = 0.88", "efficiency = 1.01", "converter.efficiency", "at most 1"),
    ("efficiency = 0.88", "efficiency = 0", "converter.efficiency", "over 0"),
    ("efficiency = 0.88", "efficiency = true", "converter.efficiency", "number"),
    ("efficiency = 0.88", "efficiency = nan", "converter.efficiency", "NaN"),
    ("efficiency = 0.88", "efficiency = [[2.0, 0.1, 0.8], [3.0, 0.4, 0.9]]", "converter.efficiency", "full grid"),
    ("efficiency = 0.88", "efficiency = [[2.0, 0.1, 0.8], [2.0, 0.1, 0.9]]", "converter.efficiency", "two rows"),
    ("efficiency = 0.88", "efficiency = [[2.0, 0.1, 1.8]]", "converter.efficiency", "at most 1"),
    ("efficiency = 0.88", 'efficiency = "0.96 ± 5 %"', "converter.efficiency", "at most 1"),
    ("quiescent_a = 20e-6", "quiescent_a = inf", "converter.quiescent_a", "infinite"),
    ("quiescent_a = 20e-6", "quiescent_a = -1e-6", "converter.quiescent_a", "0 or more"),
    ("load_disconnect = true", "load_disconnect = 1", "converter.load_disconnect", "true or false"),
    ("[regulator]\noutput_v = 3.3", "[regulator]", "regulator.output_v", "missing"),
    ("min_v = 2.9", "min_v = 4.9", "board.min_v", "at most max_v"),
    ('[switch]\nkind = "enable"', "[switch]", "switch.kind", "missing"),
    ("seconds = 0.004", "seconds = 0.4", "load.0.seconds", "no longer than its period"),
    ("every_s = 0.1", "", "load.0.every_s", "missing"),
    ("amps = 0.08", "", "load.1.amps", "missing"),
    ("amps = 0.08", "amps = -0.08", "load.1.amps", "0 or more"),
    ("amps = 0.08", "amps = [0.1, 0.05]", "load.1.amps", "low, high"),
    ("amps = 0.08", 'amps = "0.08"', "load.1.amps", "number"),
    ("amps = 0.08", "amps = 1979-05-27", "load.1.amps", "number"),
    ("hours_per_day = 0.5", "hours_per_day = 25", "use.hours_per_day", "at most 24"),
    ("[1000, 1.30, 0.2]", "[0, 1.30, 0.2]", "cells.curve", "rising"),
    ("[1000, 1.30, 0.2]", "[1000, 1.60, 0.2]", "cells.curve", "falling"),
    ("[1000, 1.30, 0.2]", "[1000, 1.30]", "cells.curve", "open volts"),
    ("[1000, 1.30, 0.2]", "[1000, 1.30, -0.2]", "cells.curve", "0 or more"),
    (", [1000, 1.30, 0.2], [2500, 0.9, 0.6]]", "]", "cells.curve", "two rows"),
    ('chemistry = "alkaline"', 'chemistry = "lead"', "cells.chemistry", "one of alkaline"),
    ("open_v = 2.72", "open_v = 0", "cells.open_v", "over 0"),
    ("[instrument]", "[[instrument]]", "instrument", "table"),
]


@pytest.mark.parametrize(("old", "new", "key", "words"), BAD)
def test_bad_plan_names_table_key_and_line(old: str, new: str, key: str, words: str, tmp_path: Path,
                                           capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, nothing on standard output, one line of words that names file, line and key."""
    file = tmp_path / "supply.toml"
    file.write_text(changed(METER, old, new), encoding="utf-8")
    assert main(["supply", str(file), "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert str(file) in err
    assert f"key {key}" in err
    assert words.lower() in err.lower()
    if new and key.split(".")[0] in METER:
        assert ", line " in err


def test_line_is_the_key_s_own() -> None:
    """The line counted in the text is the one in the error."""
    text = changed(METER, "efficiency = 0.88", "efficiency = 1.5")
    with pytest.raises(PlanError) as caught:
        parse_plan(text, HERE)
    assert caught.value.line == text.splitlines().index("efficiency = 1.5") + 1


@pytest.mark.parametrize("text", ["", "x", "[cells]\n", "[cells]\nseries = 1\nchemistry = \"alkaline\"\n[converter]\n"
                                  "kind = \"none\"\n", "load = 3\n[cells]\nseries=1\nchemistry=\"nimh\"\n[converter]\n"
                                  "kind=\"none\"\n"])
def test_thin_plans_are_refused(text: str) -> None:
    """A plan without its needed tables is an error, not a traceback."""
    with pytest.raises(PlanError):
        parse_plan(text, HERE)


def test_smallest_plan_is_enough() -> None:
    """Chemistry, count, kind and one load are enough: AA, fresh, nothing else known."""
    from tapwright.supply.answer import Answer

    found = Answer(parse_plan('[cells]\nchemistry = "nimh"\nseries = 3\n[converter]\nkind = "none"\n[[load]]\namps = 0.1\n',
                              HERE))
    assert found.run.hours == pytest.approx(1916 / 100, rel=0.01)
    assert found.run.because == "cells empty"


def test_ranges_in_both_forms() -> None:
    """[low, high] and nominal ± percent give the middle and note the range."""
    found = plan(changed(changed(METER, "open_v = 2.72", "open_v = [2.5, 3.0]"), "amps = 0.08",
                         'amps = "0.08 ± 25 %"'))
    assert found.cells.open_v == pytest.approx(2.75)
    assert found.load[1].amps == pytest.approx(0.08)
    assert found.ranges["cells.open_v"] == (2.5, 3.0)
    assert found.ranges["load.1.amps"] == pytest.approx((0.06, 0.1))


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_a_written_plan_comes_back(seed: int) -> None:
    """Every number of a drawn plan is where it was put."""
    drawn = blind.plan(seed)
    found = parse_plan(blind.toml(drawn), HERE)
    assert [list(row) for row in found.cells.curve or ()] == drawn["cells"]["curve"]
    for name in ("converter", "regulator", "switch", "instrument", "use"):
        for key, value in drawn.get(name, {}).items():
            read = getattr(getattr(found, name), key)
            assert [list(row) for row in read] == value if isinstance(value, list) else read == value


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_damaged_plans_only_raise_plan_errors(data: st.DataObject) -> None:
    """Cut anywhere, with a piece put in: it parses, or it is a PlanError."""
    at = data.draw(st.integers(0, len(METER)))
    to = data.draw(st.integers(at, min(at + 30, len(METER))))
    piece = data.draw(st.one_of(st.text(max_size=8), st.sampled_from(
        ["nan", "-1", "[", "]]", "[1, 2]", "true", '"', "1e999", "[[load]]", "\n", "=", "9" * 400, "'1 ± 2 %'"])))
    try:
        parse_plan(METER[:at] + piece + METER[to:], HERE)
    except PlanError:
        return


def test_json_is_the_whole_standard_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 0 for a plan that works, 1 for one that fails; one JSON document."""
    file = tmp_path / "supply.toml"
    for text, code in ((METER, 0), (changed(METER, "low_v = 1.6", "low_v = 2.6"), 1)):
        file.write_text(text, encoding="utf-8")
        assert main(["supply", str(file), "--json"]) == code
        document = json.loads(capsys.readouterr().out)
        assert document["verdict"] == ("works", "fails")[code]
        assert {"checks", "peak_input_a", "lowest_cells_v", "run_h", "run_days", "ends_because", "off_days", "bulk_f",
                "average_input_w", "options", "curve"} <= document.keys()
        assert all(set(check) == {"name", "ok", "value", "limit", "unit", "why"} for check in document["checks"])
