"""Surveys as people write them, and every complaint with its line and column."""

from __future__ import annotations

import contextlib
import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapwright.core.errors import TapwrightError
from tapwright.evidence.survey import Load, Survey, Trial, ohm_text, parse_test, read_survey


def survey(tmp_path: Path, text: str) -> Survey:
    path = tmp_path / "survey.csv"
    path.write_text(text, encoding="utf-8")
    return read_survey(path)


def test_cells_as_people_write_them(tmp_path: Path) -> None:
    """Units, ranges, blanks and the counts of dropped zeros are understood."""
    found = survey(tmp_path, "pad,note,off,linked\n1,ground?,0,3\n2,,2.98 V,0.4..1.9\n3,,-,2980 mV\n4,,,~1.25\n")
    assert found.notes[0] == "ground?"
    assert found.running == ("linked",)
    cell = found.cells[1][1]
    assert (cell.low, cell.high) == (0.4, 1.9)
    assert found.cells[2] == {1: found.cells[2][1]}
    assert found.cells[2][1].middle == pytest.approx(2.98)
    # 3 was shown by a meter that shows 2.98: its count is no coarser.
    assert found.cells[0][1].count == pytest.approx(0.001)


@pytest.mark.parametrize("cell", ["0.4..1.9", "0.4 V..1.9 V", "0.4V..1.9", "0,4..1,9", "0.4 - 1.9", "0.4 to 1.9 V"])
def test_ranges_as_people_write_them(tmp_path: Path, cell: str) -> None:
    """A unit may stand after either number; two different ones are refused."""
    found = survey(tmp_path, f"pad;a\n1;{cell}\n").cells[0][0]
    assert (found.low, found.high) == (0.4, 1.9)
    with pytest.raises(TapwrightError):
        survey(tmp_path, "pad;a\n1;0.4 V..1900 mV\n")


@pytest.mark.parametrize("mark", [";", "\t"])
def test_decimal_comma(tmp_path: Path, mark: str) -> None:
    """Semicolons or tabs between cells free the comma for decimals."""
    found = survey(tmp_path, mark.join(["pad", "linked"]) + "\n" + mark.join(["1", "2,98"]) + "\n")
    assert found.cells[0][0].middle == pytest.approx(2.98)


def test_decimal_comma_in_quotes(tmp_path: Path) -> None:
    """A quoted decimal comma stands in a comma-separated file."""
    assert survey(tmp_path, 'pad,a\n1,"2,98"\n').cells[0][0].middle == pytest.approx(2.98)


def test_tests_in_headings(tmp_path: Path) -> None:
    """Every test of the contract is read, also for a state whose own name has a stroke."""
    found = survey(tmp_path, "pad,linked,mV / V,linked / module out / 4k7 to supply,mV / V / 10k to ground,"
                             "cells out / ohms to ground,linked / module out / pad 11 high through 10k,linked / hz,"
                             "linked / meter two\n11,1,2,3,0.4,OL,1.5,50,3.0\n")
    assert found.states == ("linked", "mV / V")
    by = {column.heading: column for column in found.columns}
    assert by["linked / module out / 4k7 to supply"].load == Load(4700.0, "supply")
    assert by["linked / module out / 4k7 to supply"].module_out
    assert by["mV / V / 10k to ground"].state == "mV / V"
    assert by["linked / module out / pad 11 high through 10k"].trial == Trial("11", "high", 10e3)
    assert by["linked / meter two"].meter == "two"
    assert math.isinf(found.cells[0][4].middle)


WRONG = {
    "text in a volt cell": ("pad,off,linked\n1,0,3\n2,0,high\n", "line 3, column 3 'linked'", "'high' in a cell of volts"),
    "overload in a volt cell": ("pad,linked\n1,OL\n", "line 2, column 2 'linked'", "'OL' in a cell of volts"),
    "duplicate pad": ("pad,linked\n1,3\n2,3\n1,3\n", "line 4, column 1 'pad'", "pad '1' is there twice"),
    "state named twice": ("pad,linked,off, Linked \n1,3,0,3\n", "line 1, column 4", "'Linked' is there twice"),
    "test twice": ("pad,a,a / 10k to ground,a / 10k to gnd\n1,3,3,3\n", "line 1, column 4", "is there twice"),
    "test of no state": ("pad,a,b / module out\n1,3,3\n", "line 1, column 3 'b / module out'", "no plain column"),
    "no such test": ("pad,a,a / modul out\n1,3,3\n", "line 1, column 3 'a / modul out'", "'modul out' is no test"),
    "no pad heading": ("pin,a\n1,3\n", "line 1, column 1", "the first heading is 'pin'"),
    "no heading": ("pad,a,,b\n1,3,3,3\n", "line 1, column 3", "a column without a heading"),
    "too many cells": ("pad,a\n1,2,98\n", "line 2, column 3", "3 cells under 2 headings"),
    "no pad name": ("pad,a\n,3\n", "line 2, column 1 'pad'", "no pad name"),
    "no pads": ("pad,a\n", "line 2", "no pads under the header"),
    "absurd volts": ("pad,linked\n1,1000001\n", "line 2, column 2 'linked'", "no reading of a meter"),
    "ten thousand pads": ("pad,a\n" + "".join(f"{i},3\n" for i in range(10000)), "line 1002", "10000 pads"),
    "empty": ("\n\n", "line 1", "the file is empty"),
    "only off of tests": ("pad,cells out / ohms to ground\n1,3\n", "line 1", "no column of a plain state"),
    "trial of no pad": ("pad,a,a / module out,a / module out / pad 9 high through 10k\n1,3,3,3\n",
                        "line 1, column 4 'a / module out / pad 9 high through 10k'", "no pad '9' in the survey"),
    "ohms under zero": ("pad,a,cells out / ohms to ground\n1,3,-3\n", "line 2, column 3", "'-3' is under zero"),
    "volts in ohms": ("pad,a,cells out / ohms to ground\n1,3,3 V\n", "line 2, column 3", "'3 V' in a cell of ohms"),
}


@pytest.mark.parametrize("name", list(WRONG))
def test_wrong_surveys_name_line_and_column(tmp_path: Path, name: str) -> None:
    """Each mistake is refused with its place and what was found."""
    text, place, found = WRONG[name]
    with pytest.raises(TapwrightError) as caught:
        survey(tmp_path, text)
    assert place in str(caught.value)
    assert found in str(caught.value)


@given(ohm=st.sampled_from([1.0, 1.2, 2.7, 3.3, 4.7, 6.8]), power=st.integers(1, 6), to=st.sampled_from(["ground", "supply"]))
def test_loads_read_back_as_written(ohm: float, power: int, to: str) -> None:
    """A load's text parses to the same load."""
    load = Load(round(ohm * 10**power, 6), to)
    found = parse_test(load.text)
    assert found is not None
    read = found["load"]
    assert isinstance(read, Load)
    assert read.to == to
    assert read.ohm == pytest.approx(load.ohm)
    assert ohm_text(read.ohm) in load.text


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(text=st.text(alphabet="pad,;\n\t 0123.V\"/okmtgrunds-", max_size=80))
def test_any_text_is_read_or_refused(tmp_path: Path, text: str) -> None:
    """Whatever stands in the file, the reader returns a survey or raises its own error."""
    with contextlib.suppress(TapwrightError):
        assert survey(tmp_path, "pad" + text).pads
