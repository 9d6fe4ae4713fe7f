"""The command from outside: forms of files, units, exit codes, and every kind of bad input."""

from __future__ import annotations

import contextlib
import io
import json
import re
import tempfile
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.cli.main import main

SPEC = """\
[[range]]
from = 0
to = 6
unit = "V"
percent_of_reading = 0.5
counts = 2
resolution = 0.001
"""
REFERENCE = "point,value,unit\n1,1.000,V\n2,2.000,V\n3,3.000,V\n4,4.000,V\n"
METER = "point,value,unit\n1,1.001,V\n2,2.003,V\n3,3.002,V\n4,4.006,V\n"


class Command:
    """Runs `tapwright agree` in a folder and keeps what it printed."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.out = self.err = ""

    def file(self, name: str, text: str | bytes) -> str:
        """Write a file; return its path."""
        path = self.folder / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return str(path)

    def run(self, *args: str) -> int:
        """Run the command; return its exit code."""
        code = main(["agree", *args])
        self.out, self.err = self.capsys.readouterr()
        return code

    def both(self, reference: str, meter: str, *args: str, spec: str | None = None) -> tuple[int, dict[str, object]]:
        """Compare two texts; return the exit code and the document."""
        more = [] if spec is None else ["--spec", self.file("spec.toml", spec)]
        code = self.run(self.file("reference.csv", reference), self.file("meter.csv", meter), *more, *args, "--json")
        return code, json.loads(self.out) if code != 2 else {}

    def refuses(self, *parts: str) -> None:
        """Check that the last run was refused with a message that holds these words, and printed nothing else."""
        assert self.out == ""
        assert "Traceback" not in self.err
        for part in parts:
            assert part in self.err


@pytest.fixture
def command(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """Return a runner in a fresh folder."""
    monkeypatch.chdir(tmp_path)
    return Command(tmp_path, capsys)


def numbers(document: dict[str, object], key: str) -> list[float]:
    """Return one column of the points."""
    points = document["points"]
    assert isinstance(points, list)
    return [point[key] for point in points]


# Pairing


def test_points_are_matched_by_name_in_any_order(command: Command) -> None:
    """The reference's order is kept, and names on one side only are listed."""
    code, document = command.both("point,value\nb,2\na,1\nlost,9\nc,4\n",
                                  "point,value\na,1.1\nextra,7\nc,4\nb,2.3\n")
    assert code == 0
    assert numbers(document, "difference") == [0.3, 0.1, 0.0]
    assert document["unmatched"] == ["lost", "extra"]
    assert document["verdict"] is None
    assert document["unit"] == ""


def test_repeats_are_paired_in_order(command: Command) -> None:
    """A point twice on both sides gives two pairs, first with first."""
    _, document = command.both("point,value\na,1\nb,5\na,2\n", "point,value\na,1.5\na,2.25\nb,5\n")
    assert numbers(document, "difference") == [0.5, 0.0, 0.25]


@pytest.mark.parametrize(("reference", "meter"), [
    ("a,1\na,2\nb,3\n", "a,1\nb,3\n"), ("a,1\nb,3\n", "a,1\nb,3\nb,4\n"), ("a,1\nb,3\nc,2\n", "a,1\nb,3\nd,4\nd,5\n")])
def test_a_point_repeated_on_one_side_is_refused(command: Command, reference: str, meter: str) -> None:
    """Which reading belongs to which cannot be told."""
    assert command.both("point,value\n" + reference, "point,value\n" + meter)[0] == 2
    command.refuses("times here and", "line")


def test_prefixes_are_converted_to_the_reference(command: Command) -> None:
    """1.5 mV beside 1000 µV is 500 µV too much; spellings of one unit are one unit."""
    _, document = command.both("point,value,unit,u\na,1000,uV,5\nb,2000,µV,5\n",
                               "point,value,unit,u\na,1.5,mV,0.001\nb,0.0021,V,0\n")
    assert document["unit"] == "µV"
    assert numbers(document, "difference") == [500.0, 100.0]
    assert numbers(document, "u") == pytest.approx([np.hypot(5, 1), 5])


def test_a_missing_unit_is_the_other_sides(command: Command) -> None:
    """Missing in a row or a whole file, on either side."""
    _, document = command.both("point,value\na,1\nb,2\n", "point,value,unit\na,1,kΩ\nb,2,kΩ\n")
    assert document["unit"] == "kΩ"
    _, document = command.both("point,value,unit\na,1,kΩ\nb,2,\n", "point,value,unit\na,1,\nb,2100,Ω\n")
    assert document["unit"] == "kΩ"
    assert numbers(document, "reference") == [1.0, 0.002]  # b is in ohms, as the meter says


def test_litres_are_litres_however_written(command: Command) -> None:
    """mg/l and mg/L are one unit (SI Brochure table 8 allows both letters)."""
    code, document = command.both("point,value,unit\na,1,mg/L\nb,2,mg/L\n", "point,value,unit\na,1,mg/l\nb,2,mg/l\n")
    assert code == 0
    assert document["unit"] == "mg/L"


@pytest.mark.parametrize(("one", "two"), [("V", "A"), ("°C", "K"), ("mg/L", "%"), ("V", "mΩ")])
def test_other_units_are_refused(command: Command, one: str, two: str) -> None:
    """Nothing is compared across kinds."""
    code, _ = command.both(f"point,value,unit\na,1,{one}\nb,2,{one}\n", f"point,value,unit\na,1,{two}\nb,2,{two}\n")
    assert code == 2
    command.refuses(two, "meter.csv, line 2", one)


def test_time_series_are_interpolated(command: Command) -> None:
    """numpy.interp is the check; rows outside are dropped, the ends belong to the inside."""
    t = np.array([-0.5, 0.0, 0.25, 1.5, 2.0, 2.5])
    meter = "t_s,value,unit\n" + "".join(f"{x},{7 + x},mV\n" for x in t)
    code, document = command.both("t_s,value,unit\n0,5,mV\n1,7,mV\n2,3,mV\n", meter)
    assert code == 0
    inside = t[1:5]
    assert numbers(document, "reference") == pytest.approx(np.interp(inside, [0, 1, 2], [5, 7, 3]).tolist())
    assert [float(point) for point in numbers(document, "point")] == inside.tolist()
    assert document["unmatched"] == []
    assert document["pairs"] == 4
    assert document["left_out"] == 2


def test_time_series_convert_prefixes_row_by_row(command: Command) -> None:
    """A meter that changes its range in mid-recording still reads one quantity."""
    _, document = command.both("t_s,value,unit\n0,0.5,V\n2,2.5,V\n", "t_s,value,unit\n0.5,1000,mV\n1,1.5,V\n1.5,2010,mV\n")
    assert numbers(document, "difference") == pytest.approx([0.0, 0.0, 0.01])


def test_correlated_readings_are_said_to_be(command: Command) -> None:
    """A wandering difference: few effective pairs, a warning, and wider honest intervals."""
    rng = np.random.default_rng(8)
    d = np.zeros(400)
    for i in range(1, 400):
        d[i] = 0.95 * d[i - 1] + rng.normal(0, 0.01)
    rows = "".join(f"{i},{5 + x:.5f}\n" for i, x in enumerate(d))
    flat = "".join(f"{i},5\n" for i in range(400))
    code, document = command.both("t_s,value\n" + flat, "t_s,value\n" + rows, "--margin", "0.1")
    assert code in (0, 1)
    assert document["pairs_effective"] < 60  # type: ignore[operator]
    assert any("correlated" in words for words in document["advice"])  # type: ignore[attr-defined]
    wide, narrow = document["effective"]["bias_ci"], document["bias_ci"]  # type: ignore[index]
    assert wide[1] - wide[0] > 2 * (narrow[1] - narrow[0])  # type: ignore[index]


def test_readings_that_are_none_are_left_out(command: Command) -> None:
    """A recording's overload row is no reading; the reference is not interpolated across it."""
    reference = "t_s,value,unit,status\n0,1,V,ok\n1,1,V,ok\n2,,V,overload\n3,9,V,ok\n4,9,V,ok\n"
    _, document = command.both(reference, "t_s,value,unit\n0.5,1,V\n2.5,5,V\n3.5,9,V\n3.75,9,V\n")
    assert [float(p) for p in numbers(document, "point")] == [0.5, 3.5, 3.75]
    assert document["left_out"] == 2


def test_one_hand_typed_table_holds_both_sides(command: Command) -> None:
    """point,reference,meter is the same as two files."""
    path = command.file("table.csv", "point,reference,meter,unit,u\na,1,1.1,V,0.01\nb,2,2.3,V,0.01\n")
    assert command.run(path, "--json") == 0
    document = json.loads(command.out)
    assert numbers(document, "difference") == [0.1, 0.3]
    assert numbers(document, "u") == [0.01, 0.01]


# Verdicts


def test_the_limit_itself_passes_whatever_binary_makes_of_it(command: Command) -> None:
    """5.005 - 5 and 0.3 - 0.1 are not what they are in decimals; at the limit is inside, a digit more is not."""
    spec = 'decision = "simple"\n' + SPEC.replace("0.5\n", "0\n").replace("counts = 2", "counts = 5")
    code, document = command.both("point,value\na,5\nb,1.1\nc,0.3\nd,4.35\n",
                                  "point,value\na,5.005\nb,1.105\nc,0.295\nd,4.355\n", spec=spec)
    assert (code, document["verdict"]) == (0, "pass")
    code, document = command.both("point,value\na,5\nb,1.1\n", "point,value\na,5.006\nb,1.105\n", spec=spec)
    assert (code, document["verdict"]) == (1, "fail")


def test_guarded_and_simple_differ_near_the_limit(command: Command) -> None:
    """Limit 0.0120 V at 2 V, U 0.004 V: an error of 0.010 V is undecided when guarded, a pass when simple."""
    reference = "point,value,unit,u\na,2,V,0.002\nb,1,V,0.002\n"
    meter = "point,value,unit\na,2.010,V\nb,1,V\n"
    code, document = command.both(reference, meter, spec=SPEC)
    assert (code, document["verdict"]) == (1, "undecided")
    code, document = command.both(reference, meter, spec='decision = "simple"\n' + SPEC)
    assert (code, document["verdict"]) == (0, "pass")
    code, document = command.both(reference, meter, spec="coverage_factor = 0.4\n" + SPEC)
    assert (code, document["verdict"]) == (0, "pass")


def test_ilac_guard_band_example(command: Command) -> None:
    """A calibration guide's example (seen): limit ± 0.003 mm, U 0.0010 mm; 0.0017 conforms, 0.0025 does not yet."""
    spec = ('[[range]]\nfrom = 0\nto = 100\nunit = "mm"\npercent_of_reading = 0\ncounts = 30\nresolution = 0.0001\n')
    u = "point,value,unit,u\na,25,mm,0.0005\nb,50,mm,0.0005\n"
    code, document = command.both(u, "point,value,unit\na,25.0017,mm\nb,50.0025,mm\n", spec=spec)
    assert [p["verdict"] for p in document["points"]] == ["pass", "undecided"]  # type: ignore[attr-defined]
    assert numbers(document, "U") == pytest.approx([0.0010, 0.0010], rel=0.005)
    assert code == 1


def test_the_first_range_that_holds_a_value_counts(command: Command) -> None:
    """600 mV stands in the range to 0.6 V, written in another prefix; the reference's value chooses, not the meter's."""
    spec = ('[[range]]\nfrom = 0\nto = 600\nunit = "mV"\npercent_of_reading = 0\ncounts = 1\nresolution = 0.1\n'
            + SPEC.replace("counts = 2", "counts = 9"))
    _, document = command.both("point,value,unit\na,0.6,V\nb,-0.61,V\n", "point,value,unit\na,0.7,V\nb,-0.59,V\n",
                               spec=spec)
    assert numbers(document, "limit") == pytest.approx([0.0001, 0.009 + 0.005 * 0.59])


def test_the_references_own_accuracy(command: Command) -> None:
    """[[reference]] gives limit / sqrt 3 where a row has no u, and the row's u counts where it has one."""
    spec = SPEC + SPEC.replace("[[range]]", "[[reference]]").replace("0.5\n", "0.1\n")
    _, document = command.both("point,value,unit,u\na,2,V,\nb,3,V,0.05\n", "point,value,unit\na,2,V\nb,3,V\n", spec=spec)
    step = 0.001**2 / 12
    assert numbers(document, "u") == pytest.approx([np.sqrt(0.004**2 / 3 + step), np.sqrt(0.05**2 + step)])


def test_no_range_for_a_reading_is_refused(command: Command) -> None:
    """Neither among the meter's ranges nor, where given, among the reference's."""
    reference, meter = "point,value,unit\na,7,V\nb,1,V\n", "point,value,unit\na,7,V\nb,1,V\n"
    assert command.both(reference, meter, spec=SPEC)[0] == 2
    command.refuses("no [[range]] holds point 'a' at 7 V", "0 to 6 V")
    wide = SPEC.replace("to = 6", "to = 9") + SPEC.replace("[[range]]", "[[reference]]")
    assert command.both(reference, meter, spec=wide)[0] == 2
    command.refuses("no [[reference]] holds point 'a'")


def test_equivalence_decides_the_exit_code(command: Command) -> None:
    """Shown is 0, not shown is 1; a failing specification is 1 whatever the margin says."""
    assert command.both(REFERENCE, METER, "--margin", "0.02")[0] == 0
    code, document = command.both(REFERENCE, METER, "--margin", "0.002")
    assert code == 1
    assert document["equivalence"]["equivalent"] is False  # type: ignore[index]
    assert command.both(REFERENCE, METER.replace("4.006", "4.5"), "--margin", "3", spec=SPEC)[0] == 1


def test_equal_differences_are_undecided(command: Command) -> None:
    """Zero spread says nothing of the next reading: no equivalence is claimed, and that is said."""
    meter = "point,value,unit\n1,1.1,V\n2,2.1,V\n3,3.1,V\n4,4.1,V\n"
    code, document = command.both(REFERENCE, meter, "--margin", "0.5")
    assert code == 1
    assert document["spread"] == 0
    assert document["verdict"] == "undecided"
    assert document["equivalence"]["p"] is None  # type: ignore[index]
    assert document["equivalence"]["equivalent"] is False  # type: ignore[index]
    assert command.run("reference.csv", "meter.csv", "--margin", "0.5") == 1
    assert "undecided" in command.out


def test_few_pairs_are_said_to_be_few(command: Command) -> None:
    """Two pairs have no slope; one pair is refused."""
    code, document = command.both("point,value\na,1\nb,2\n", "point,value\na,1\nb,2.5\n")
    assert code == 0
    assert document["slope"] is None
    assert document["verdict"] == "undecided"
    assert any("only 2 pairs" in words for words in document["advice"])  # type: ignore[attr-defined]
    assert command.both("point,value\na,1\nb,2\n", "point,value\na,1\nc,2.5\n")[0] == 2
    command.refuses("1 pair with reference.csv", "at least 2")


def test_a_poor_ratio_is_warned_of(command: Command) -> None:
    """Limit 0.012 V over U 0.006 V is under 4; without any stated uncertainty the reference is taken as perfect."""
    reference = "point,value,unit,u\na,2,V,0.003\nb,1,V,0.0001\n"
    _, document = command.both(reference, "point,value,unit\na,2,V\nb,1.001,V\n", spec=SPEC)
    assert any("under 4 at 1 of 2 points (a;" in words for words in document["advice"])  # type: ignore[attr-defined]
    _, document = command.both(REFERENCE, METER, spec=SPEC)
    assert any("taken as perfect" in words for words in document["advice"])  # type: ignore[attr-defined]


def test_an_outlier_is_named_and_kept(command: Command) -> None:
    """Twelve pairs, one far off: it is named, and counts in every figure."""
    rng = np.random.default_rng(0)
    off = rng.normal(0, 0.001, 12)
    off[7] = 0.2
    reference = "point,value\n" + "".join(f"p{i},{i + 1}\n" for i in range(12))
    meter = "point,value\n" + "".join(f"p{i},{i + 1 + x:.4f}\n" for i, x in enumerate(off))
    _, document = command.both(reference, meter)
    assert document["outliers"] == ["p7"]
    assert document["bias"] == pytest.approx(off.round(4).mean(), abs=1e-6)


def test_ranges_are_told_apart(command: Command) -> None:
    """Each range's own bias, and limits in per cent where the levels differ tenfold."""
    spec = SPEC.replace("to = 6", "to = 2") + SPEC.replace("from = 0", "from = 2")
    _, document = command.both("point,value\na,0.1\nb,1\nc,3\nd,5\n", "point,value\na,0.101\nb,1.01\nc,3.03\nd,5.05\n",
                               spec=spec)
    groups = document["groups"]
    assert isinstance(groups, list)
    assert [(g["range"], g["pairs"]) for g in groups] == [("0 to 2 V", 2), ("2 to 6 V", 2)]
    assert document["percent"]["bias"] == pytest.approx(1.0)  # type: ignore[index]


# Files that are wrong

BAD_TABLES = {
    "empty": ("", "an empty file"),
    "header only": ("point,value\n", "a header and no row"),
    "no key": ("name,value\na,1\n", "neither a column 'point' nor 't_s'"),
    "no value": ("point,volts\na,1\n", "no column 'value'"),
    "both keys": ("point,t_s,value\na,0,1\n", "both 'point' and 't_s'"),
    "twice": ("point,value,value\na,1,1\n", "two columns named 'value'"),
    "no number": ("point,value\na,1\nb,x1\n", "line 3: 'x1' under 'value'"),
    "decimal comma": ("point,value\na,1\nb,1,5\n", "line 3: 3 cells"),
    "empty value": ("point,value\na,1\nb,\n", "an empty cell under 'value'"),
    "nan": ("point,value\na,1\nb,nan\n", "'nan' under 'value'"),
    "infinite": ("point,value\na,inf\nb,1\n", "'inf' under 'value'"),
    "underscore": ("point,value\na,1_0\nb,1\n", "'1_0' under 'value'"),
    "huge": ("point,value\na,1e200\nb,1\n", "too large"),
    "no name": ("point,value\n,1\nb,1\n", "an empty cell under 'point'"),
    "negative u": ("point,value,u\na,1,-0.1\nb,1,0\n", "a negative uncertainty -0.1"),
    "u no number": ("point,value,u\na,1,k\nb,1,0\n", "'k' under 'u'"),
    "binary": (b"point,value\na,\xff\xfe\n", "is not UTF-8 text"),
    "zero byte": (b"point,value\na,\x00\n", "a zero byte"),
    "open quote": ('point,value\n"a,1\n', "unexpected end of data"),
    "unit once": ("point,value,unit\na,1,V\nb,2,\n", "has no unit on either side"),
}


@pytest.mark.parametrize("name", BAD_TABLES)
@pytest.mark.parametrize("side", ["reference", "meter"])
def test_bad_tables_are_refused(command: Command, name: str, side: str) -> None:
    """Exit 2, the file and what was found, nothing on standard output."""
    text, found = BAD_TABLES[name]
    bad, good = command.file("bad.csv", text), command.file("good.csv", "point,value\na,1\nb,2\n")
    assert command.run(*((bad, good) if side == "reference" else (good, bad)), "--json") == 2
    command.refuses("good.csv" if name == "unit once" and side == "meter" else "bad.csv", found)


@pytest.mark.parametrize(("text", "found"), [
    ("t_s,value\n0,1\n2,1\n1,1\n", "time 1 after 2"), ("t_s,value\n0,1\n0,1\n", "time 0 after 0"),
    ("t_s,value\nx,1\n1,1\n", "'x' under 't_s'"), ("point,value\na,1\nb,2\n", "is a time series"),
    ("t_s,value\n7,1\n8,1\n", "0 pairs"), ("t_s,value,unit\n0,1,V\n1,2,\n2,3,V\n", "a row without a unit"),
])
def test_bad_series_are_refused(command: Command, text: str, found: str) -> None:
    """Times that do not rise, that do not overlap, or a file of the other form."""
    good = command.file("good.csv", "t_s,value\n0,1\n1,2\n2,3\n")
    assert command.run(good, command.file("bad.csv", text)) == 2
    command.refuses(found)


BAD_SPECS = {
    "unknown key": (SPEC + "digits = 3\n", "unknown key 'digits'"),
    "unknown table": (SPEC + "[ranges]\n", "unknown key 'ranges'"),
    "missing key": (SPEC.replace("counts = 2\n", ""), "no 'counts'"),
    "no range": ("coverage_factor = 2\n", "no [[range]]"),
    "negative": (SPEC.replace("counts = 2", "counts = -2"), "the negative number -2"),
    "negative from": (SPEC.replace("from = 0", "from = -1"), "the negative number -1"),
    "to below from": (SPEC.replace("from = 0", "from = 7"), "to = 6 is below from = 7"),
    "true": (SPEC.replace("counts = 2", "counts = true"), "True is no number"),
    "text": (SPEC.replace("counts = 2", 'counts = "2"'), "'2' is no number"),
    "nan": (SPEC.replace("counts = 2", "counts = nan"), "not finite"),
    "infinite": (SPEC.replace("to = 6", "to = inf"), "not finite"),
    "decision": ('decision = "strict"\n' + SPEC, "decision 'strict'"),
    "misplaced": (SPEC + "coverage_factor = 2\n", "'coverage_factor' stands inside [[range]]"),
    "factor": ("coverage_factor = -2\n" + SPEC, "the negative number -2"),
    "unit": (SPEC.replace('"V"', "5"), "unit 5"),
    "one table": (SPEC.replace("[[range]]", "[range]"), "is no array of tables"),
    "no toml": ("range = [\n", "expected TOML"),
    "huge": (SPEC.replace("to = 6", "to = 1" + "0" * 400), "too large"),
}


@pytest.mark.parametrize("name", BAD_SPECS)
def test_bad_specifications_are_refused(command: Command, name: str) -> None:
    """Exit 2 with the file and, where there is one, the line and key."""
    text, found = BAD_SPECS[name]
    assert command.both(REFERENCE, METER, spec=text)[0] == 2
    command.refuses("spec.toml", found)


@pytest.mark.parametrize("margin", ["0", "-1", "nan", "inf", "x"])
def test_bad_margins_are_refused(command: Command, margin: str) -> None:
    """A margin is a number over 0."""
    assert command.both(REFERENCE, METER, f"--margin={margin}")[0] == 2
    command.refuses("margin")


def test_bad_usage_is_refused(command: Command) -> None:
    """No files, a missing file, a folder, options that do not go together."""
    assert command.run() == 2
    command.refuses("no REFERENCE.csv given")
    assert command.run("none.csv", "none.csv") == 2
    command.refuses("none.csv", "no such file")
    assert command.run(str(command.folder), "x") == 2
    command.refuses("a folder")
    assert command.run("a", "b", "--disturb", "c", "d") == 2
    command.refuses("one of them")
    assert command.run("a", "b", "--bursts", "c") == 2
    command.refuses("--bursts without --disturb")


def test_ranges_of_several_units_need_a_unit_in_the_readings(command: Command) -> None:
    """Readings without a unit take the ranges' own where there is one, and are refused where there are two."""
    bare = "point,value\na,1\nb,2\n"
    _, document = command.both(bare, bare.replace("2\n", "2.001\n"), spec=SPEC)
    assert document["unit"] == "V"
    assert command.both(bare, bare, spec=SPEC + SPEC.replace('"V"', '"A"'))[0] == 2
    command.refuses("the readings name no unit")


# The job folder, text and pictures


def test_the_job_folder_holds_the_usual_files(command: Command) -> None:
    """agreement/reference.csv, meter.csv and, where there is one, spec.toml."""
    command.file("job.toml", 'name = "trout"\n')
    (command.folder / "agreement").mkdir()
    command.file("agreement/reference.csv", REFERENCE)
    command.file("agreement/meter.csv", METER)
    assert command.run("--json") == 0
    assert json.loads(command.out)["verdict"] is None
    command.file("agreement/spec.toml", SPEC)
    assert command.run("--json") == 0
    assert json.loads(command.out)["verdict"] == "pass"


def test_the_text_says_the_answer_first(command: Command) -> None:
    """The verdict stands in the first word; how to go on stands last."""
    command.both(REFERENCE, METER)
    spec = command.file("spec.toml", SPEC)
    assert command.run("reference.csv", "meter.csv", "--spec", spec) == 0
    assert command.out.startswith("pass: all 4 points lie within the limits")
    assert command.out.strip().splitlines()[-1].startswith("Next: ")
    command.file("meter.csv", METER.replace("4.006", "4.5"))
    assert command.run("reference.csv", "meter.csv", "--spec", spec) == 1
    assert command.out.startswith("fail: 1 of 4 points")


def test_pictures_are_well_formed(command: Command) -> None:
    """One SVG with both pictures, and one of the radio; each names every point it marks."""
    assert command.both(REFERENCE, METER, "--plot", "out.svg", spec=SPEC)[0] == 0
    words = "".join(ET.parse(command.folder / "out.svg").getroot().itertext())
    assert "Difference against mean" in words
    assert "Errors in the allowed band" in words
    series = "t_s,value\n" + "".join(f"{i},{5 + i % 3 / 100}\n" for i in range(20))
    on, off = command.file("on.csv", series), command.file("off.csv", series)
    assert command.run("--disturb", on, off, "--plot", "radio.svg") == 0
    assert "radio on" in "".join(ET.parse(command.folder / "radio.svg").getroot().itertext())


def test_the_budget_adds_up(command: Command) -> None:
    """Shares of the variance sum to one, and the parts' squares to u²."""
    _, document = command.both("point,value,unit,u\na,2,V,0.002\nb,1,V,0.001\n",
                               "point,value,unit,u\na,2,V,0.001\nb,1.01,V,0.001\n", spec=SPEC)
    budgets = document["budgets"]
    assert isinstance(budgets, list)
    assert len(budgets) == 2
    for one in budgets:
        assert sum(part["share"] for part in one["parts"]) == pytest.approx(1)
        assert sum(part["u"] ** 2 for part in one["parts"]) == pytest.approx(one["u"] ** 2)
        assert one["U"] == pytest.approx(one["factor"] * one["u"])


def test_the_plan_names_what_would_decide(command: Command) -> None:
    """An undecided point: the reference's u that decides it, which does when it is given."""
    reference = "point,value,unit,u\na,2,V,0.002\nb,1,V,0.0001\n"
    meter = "point,value,unit\na,2.010,V\nb,1,V\n"
    _, document = command.both(reference, meter, spec=SPEC)
    (point,) = [p for p in document["plan"]["points"] if p["verdict"] == "undecided"]  # type: ignore[index]
    assert point["point"] == "a"
    u = point["reference_u"] * 0.999
    code, _ = command.both(reference.replace("0.002", f"{u:.9f}"), meter, spec=SPEC)
    assert code == 0


@pytest.mark.slow
@settings(max_examples=60)
@given(st.lists(st.tuples(*[st.sampled_from(["0", "1", "-1", "1e-40", "1e39", "5", "5.0001", "-0.1", "1e-12"])] * 2),
                min_size=2, max_size=14), st.sampled_from(["point", "t_s"]), st.sampled_from(["1e-9", "1", "1e38"]),
       st.sampled_from([0, 1, 100]))
def test_extreme_readings_never_break_it(rows: list[tuple[str, str]], form: str, margin: str, percent: int) -> None:
    """Zeros, equal readings, and sizes that no instrument shows: an answer or a refusal, never a fault or a warning."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for side, file in enumerate(("reference.csv", "meter.csv")):
            (folder / file).write_text(f"{form},value,unit\n" + "".join(f"{i},{row[side]},V\n"
                                                                        for i, row in enumerate(rows)))
        (folder / "spec.toml").write_text(SPEC.replace("to = 6", "to = 1e40").replace("0.5\n", f"{percent}\n"))
        files = [str(folder / file) for file in ("reference.csv", "meter.csv")]
        out = str(folder / "out.svg")
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            codes = {main(["agree", *files, "--spec", str(folder / "spec.toml"), "--margin", margin, "--plot", out]),
                     main(["agree", *files, "--json"]), main(["agree", "--disturb", *files, "--margin", margin])}
        assert codes <= {0, 1, 2}
        ET.parse(out)


def test_points_are_named_in_the_picture_and_per_cent_has_its_space(command: Command) -> None:
    """A place in order of level looks like a name of a point; SI Brochure 5.4.7 for the space."""
    reference, meter = (table.replace("\n2,", "\npool inlet,") for table in (REFERENCE, METER))
    assert command.both(reference, meter, "--plot", "out.svg", spec=SPEC)[0] == 0
    words = [node.text for node in ET.parse(command.folder / "out.svg").iter() if node.tag.endswith("text")]
    assert "pool inlet" in words
    assert command.run("reference.csv", "meter.csv", "--spec", "spec.toml") == 0
    assert re.search(r"\d %", command.out)
    assert not re.search(r"\d%", command.out)


def test_a_file_name_in_advice_keeps_its_case(command: Command) -> None:
    """What to do begins with a capital letter; a name must not be the word that gets it."""
    assert command.both("point,value\na,1\nb,2\n", "point,value\nc,1\nd,2\n")[0] == 2
    command.refuses("0 pairs with reference.csv", "The file reference.csv has the points a, b; meter.csv has c, d")
