"""Known values: what they are, and what they say they cannot prove."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.agreement import known
from tapwright.cli.main import main
from tapwright.core.errors import UsageError


def test_a_resistor_gives_its_limits_as_rectangular() -> None:
    """4.7 kΩ ± 1 %: 4653 to 4747 Ω, u = 47 / sqrt 3 (GUM 4.3.7)."""
    found = known.known("resistor 4.7k 1%")
    assert found.unit == "Ω"
    assert [found.value, found.low, found.high] == pytest.approx([4700, 4653, 4747])
    assert found.u == pytest.approx(47 / math.sqrt(3))
    assert any("E24" in words for words in found.more)


@pytest.mark.parametrize(("words", "value"), [
    ("resistor 470 5%", 470), ("resistor 1M 1%", 1e6), ("resistor 2.2kΩ 1", 2200), ("resistor 100kohm 1%", 1e5),
    ("type-k 100", 4.096), ("type-k 100 25", 3.096), ("pt100 100", 138.51), ("pt100 -100 A", 60.26), ("ice", 0.0)])
def test_values(words: str, value: float) -> None:
    """Printed tables: NIST Monograph 175, IEC 60751."""
    assert known.known(words).value == pytest.approx(value, abs=0.006 if value < 200 else 1e-6)


@pytest.mark.parametrize("words", [
    "", "brick", "resistor", "resistor 4k7", "resistor 4.7k 0%", "resistor 0 1%", "resistor 4.7V 1%", "resistor 1k x%",
    "type-k", "type-k x", "type-k 1373", "type-k -271", "pt100", "pt100 900", "pt100 25 C", "ice cold", "cell",
    "cell steam", "type-k 1 2 3"])
def test_bad_words_are_refused(words: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each with what would have been right."""
    with pytest.raises(UsageError, match="expected"):
        known.known(words)
    assert main(["agree", "--known", words]) == 2
    assert capsys.readouterr().out == ""


@pytest.mark.slow
@settings(max_examples=15)
@given(st.floats(-200, 1372), st.floats(0, 50))
def test_type_k_goes_there_and_back(t_c: float, junction_c: float) -> None:
    """EMF and temperature invert each other with any junction."""
    emf = known.type_k_mv(t_c) - known.type_k_mv(junction_c)
    assert known.type_k_c(emf, junction_c) == pytest.approx(t_c, abs=1e-6)


@settings(max_examples=15)
@given(st.floats(-200, 850))
def test_pt100_goes_there_and_back(t_c: float) -> None:
    """Resistance and temperature invert each other."""
    assert known.pt100_c(known.pt100_ohm(t_c)) == pytest.approx(t_c, abs=1e-6)


def test_the_row_fits_a_reference_file(capsys: pytest.CaptureFixture[str]) -> None:
    """Four cells: point, value, unit, u."""
    for words in ("resistor 4.7k 1%", "type-k 100 25", "pt100 25", "ice", "cell alkaline"):
        assert main(["agree", "--known", words, "--json"]) == 0
        document = json.loads(capsys.readouterr().out)
        assert len(document["row"].split(",")) == 4
        assert document["cannot"]


def test_cells_lie_where_the_golden_table_has_them() -> None:
    """tests/golden/cells.csv: fresh alkaline 1.6 V (a maker's sheet), lithium 1.78 to 1.83 V."""
    low, high = known.CELL_VOLTS["alkaline"]
    assert low <= 1.6 <= high
    low, high = known.CELL_VOLTS["lithium"]
    assert low <= 1.78
    assert high >= 1.83
