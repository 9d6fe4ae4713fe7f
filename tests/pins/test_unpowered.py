"""A module without supply: back-fed rails and lines, by name, on surveys worked out by hand.

The volts follow from a silicon clamp's drop of 0.6 V (common practice, no source) and from the meter's loading as its
handbook gives it, 10 Mohm over the sum: 2.40 V behind 100k reads 2.40 * 10 / 10.1 = 2.38 V.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tapwright.evidence.survey import read_survey
from tapwright.pins.find import Findings, find_pads
from tapwright.pins.report import text

pytestmark = pytest.mark.slow  # the family of circuits is laid out once

# Pad 5 is high throughout and feeds the rail of pad 3 through the module's clamp wherever that is down.
LIFTED = """pad,off,idle,linked,menu,hold,sleep
1,0.000,0.000,0.000,0.000,0.000,0.000
2,0.000,3.000,3.000,3.000,3.000,3.000
3,0.000,2.400,2.999,2.401,2.999,2.400
4,0.000,2.376,2.970,2.377,2.970,2.376
5,0.000,2.990,3.000,2.990,3.000,2.990
6,0.000,2.352,2.941,2.353,2.941,2.353
"""

# No pad shows the module's supply: that pad 2 sits at 0.6 V where the module's own line is low must do.
BACK_FED = """pad,idle,linked,hold,menu,idle / module out,linked / module out,linked / 10k to ground
1,3.00,3.00,3.00,3.00,3.00,3.00,3.00
2,0.61,2.99,2.99,0.62,2.99,2.99,2.22
3,0.00,2.99,2.99,0.00,0.00,0.00,2.95
4,0.00,0.00,0.00,0.00,0.00,0.00,0.00
"""


def find(tmp_path: Path, csv: str) -> Findings:
    path = tmp_path / "survey.csv"
    path.write_text(csv, encoding="utf-8")
    return find_pads(read_survey(path), supply_v=3.0)


def test_a_lifted_rail_is_no_line_that_sends(tmp_path: Path) -> None:
    """A fallen supply a diode drop under the main one, and the pulls to it, are told by standing together."""
    found = {pad.pad: pad for pad in find(tmp_path, LIFTED).pads}
    assert (found["3"].role, found["3"].driven_by, found["3"].follows) == (
        "switched supply", "instrument", ("linked", "hold"))
    for name in ("4", "6"):
        assert (found[name].role, found[name].driven_by) == ("fixed high", "pull")


def test_a_blank_on_the_rail_makes_no_pull_the_rail(tmp_path: Path) -> None:
    """Pad 4 is the rail, 2.40 V when down, left out in b; behind 20k and 40k it reads 2.395 and 2.390 V."""
    csv = ("pad,off,a,b,c,d\n1,0.000,0.000,0.000,0.000,0.000\n2,0.000,2.395,2.395,2.994,2.395\n"
           "3,0.000,3.000,3.000,3.000,3.000\n4,0.000,2.400,,3.000,2.400\n5,0.000,2.390,2.390,2.988,2.390\n")
    found = {pad.pad: pad for pad in find(tmp_path, csv).pads}
    assert (found["4"].role, found["4"].driven_by) == ("switched supply", "instrument")
    for name in ("2", "5"):
        assert (found[name].role, found[name].driven_by) == ("fixed high", "pull")


def test_the_same_averages_at_their_own_volts_stay_data(tmp_path: Path) -> None:
    """Without the agreement of the pads, an average under the supply is no fallen supply."""
    csv = LIFTED.replace("2.376", "1.610").replace("2.377", "1.604").replace("2.352", "0.00").replace("2.353", "0.00")
    csv = csv.replace("2.990", "3.000").replace("2.400", "1.900").replace("2.401", "1.930")
    found = {pad.pad: pad for pad in find(tmp_path, csv).pads}
    assert found["3"].role == found["4"].role == "data"


def test_a_back_fed_pull_is_said_to_be_one(tmp_path: Path) -> None:
    """A pad pulled up that sits a diode drop over ground is a pull, in so many words, without the supply's own pad."""
    findings = find(tmp_path, BACK_FED)
    pad = next(pad for pad in findings.pads if pad.pad == "2")
    assert (pad.role, pad.level, pad.follows) == ("state line", "high", ("linked", "hold"))
    assert pad.driver == "pull"
    assert any("back-fed" in word for word in pad.evidence)
    assert "100k, not less" in text(findings)


def test_a_reading_that_wandered_keeps_its_weight_under_loads(tmp_path: Path) -> None:
    """A range beside a loaded reading of the same state is no steady line."""
    csv = ("pad,menu,idle,hold,linked,menu / 10k to ground,hold / 10k to ground,idle / 100k to supply,"
           "idle / module out,idle / module out / 10k to ground\n"
           "1,3.300,3.300,3.300,3.300,,,,3.300,\n2,0.000,0.000,0.000,0.000,,,,0.000,\n"
           "3,3.300,1.556..3.304,3.300,3.300,3.244,3.244,2.617,3.300,3.244\n4,0.000,3.300,0.000,0.000,,,,0.000,\n")
    pad = find(tmp_path, csv).pads[2]
    assert (pad.role, pad.driven_by) == ("data", "instrument")
