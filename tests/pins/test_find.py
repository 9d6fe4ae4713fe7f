"""What the contract says of `pins`, on small surveys whose answers follow from the definitions."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tapwright.cli.main import main
from tapwright.core.errors import SurveyError
from tapwright.evidence.survey import read_survey
from tapwright.pins.find import Findings, find_pads
from tapwright.pins.report import document, text

pytestmark = pytest.mark.slow  # the family of circuits is laid out once, half a second

SURVEY = """pad,note,off,standby,linked,measure,linked / 3.3k to ground,standby / 3.3k to supply,linked / module out,\
standby / module out / 3.3k to supply,cells out / ohms to ground
1,,0.00,0.00,0.00,0.00,,0.00,0.00,0.00,0.2
2,,0.00,2.98,2.98,2.98,2.98,,2.98,,47k
4,,0.00,0.00,2.98,0.00,2.78,0.14,0.01,2.98,OL
6,,0.00,2.98,2.11,2.98,1.98,,2.98,,OL
7,,0.00,0.05,0.05,0.05,0.00,2.98,0.05,2.98,OL
8,,0.00,2.98,0.00,0.00,0.01,,0.00,,OL
"""


def find(tmp_path: Path, csv: str, **options: object) -> Findings:
    path = tmp_path / "survey.csv"
    path.write_text(csv, encoding="utf-8")
    return find_pads(read_survey(path), **options)  # type: ignore[arg-type]


def test_roles_drivers_and_levels(tmp_path: Path) -> None:
    """A small survey with loads and the module out settles what it should and no more."""
    found = {pad.pad: pad for pad in find(tmp_path, SURVEY, supply_v=3.0).pads}
    assert [found[name].role for name in ("1", "2", "4", "6", "7")] == ["ground", "supply", "state line", "data", "floating"]
    assert found["4"].driven_by == "module"
    assert found["7"].driven_by == "nothing"
    assert (found["4"].level, found["4"].follows) == ("high", ("linked",))
    assert found["4"].source_ohm == pytest.approx(237, rel=0.1)  # 3300 * (2.98 - 2.78) / 2.78, by hand
    # Never loaded nor seen without the module in its high state: its driver stays open.
    assert found["8"].driven_by == "unknown"
    assert found["8"].driver_probability < 0.9


def test_follows_names_the_level_in_fewer_states(tmp_path: Path) -> None:
    """Fewer low states: level low; a tie: high; no other role has either."""
    csv = ("pad,off,a,b,c,d,a / module out,b / module out,a / 3.3k to ground,b / 3.3k to supply\n"
           "1,0,3,3,3,3,3,3,3,\n2,0,3.00,0,3,3,3,0,2.9,0.1\n3,0,3.00,0.00,3,0,3,0,2.9,0.1\n4,0,0,0,0,0,0,0,,0\n")
    pads = {pad.pad: pad for pad in find(tmp_path, csv, supply_v=3.0).pads}
    assert (pads["2"].level, pads["2"].follows) == ("low", ("b",))
    assert (pads["3"].level, pads["3"].follows) == ("high", ("a", "c"))
    for name in ("1", "4"):
        assert (pads[name].level, pads[name].follows) == (None, ())


def test_document_holds_the_contract(tmp_path: Path) -> None:
    """Every field is there, in order and in range."""
    findings = find(tmp_path, SURVEY, supply_v=3.0)
    answer = document(findings)
    json.dumps(answer, allow_nan=False)
    assert answer["supply_v"] == 3.0
    for pad in answer["pads"]:  # type: ignore[attr-defined]
        assert 0 < pad["probability"] <= 1
        assert all(share >= 0.01 for _, share in pad["alternatives"])
        assert pad["probability"] + sum(share for _, share in pad["alternatives"]) == pytest.approx(1, abs=0.08)
        assert pad["driven_by"] in ("instrument", "module", "pull", "nothing", "unknown")
        assert (pad["driven_by"] == "unknown") == (pad["driven_by_probability"] < 0.9)
        assert pad["evidence"]
    gains = [entry["gain_bits"] for entry in answer["next"]]  # type: ignore[attr-defined]
    assert gains == sorted(gains, reverse=True)
    assert gains


def test_next_asks_nothing_twice_and_keeps_the_current_low(tmp_path: Path) -> None:
    """No cell of the survey is asked for again; every load leaves supply over R under 1 mA; none with the supply off."""
    findings = find(tmp_path, SURVEY.replace("2.98", "2.99"), supply_v=3.0)
    columns = {column.heading: i for i, column in enumerate(findings.survey.columns)}
    for entry in document(findings)["next"]:  # type: ignore[attr-defined]
        if "through_ohm" in entry:
            assert 3.0 / entry["through_ohm"] < 1e-3
            continue
        heading = f"{entry['state']} / {entry['load']}" if entry["load"] else entry["state"]
        row = findings.survey.pads.index(entry["pad"])
        assert columns.get(heading) not in findings.survey.cells[row]
        assert entry["state"] != "off"
    for ask, _ in findings.asks:
        assert ask.ohm > 3000


def test_gate_from_the_states(tmp_path: Path) -> None:
    """The line that moves with the data is named; where none does, nothing is claimed."""
    found = find(tmp_path, SURVEY, supply_v=3.0)
    assert (found.gates[0].pad, found.gates[0].level) == ("4", "high")
    assert found.gates[0].probability > 0.5
    csv = ("pad,off,a,b,c,d,e\n1,0,0,0,0,0,0\n2,0,3,3,3,3,3\n3,0,3,2,3,2.1,3\n4,0,0,0,3,3,0\n5,0,3,0,3,0,0\n"
           "6,0,0.00,3,3,0,3\n")
    silent = find(tmp_path, csv, supply_v=3.0)
    assert not silent.gates or silent.gates[0].probability < 0.5


def test_a_trial_that_starts_the_data_proves_the_gate(tmp_path: Path) -> None:
    """The watched pad's average under the trial settles which of two equal lines it is."""
    csv = ("pad,a,b,c,b / module out,b / module out / pad 4 high through 10k,b / module out / pad 5 high through 10k\n"
           "1,0,0,0,0,,\n2,3,3.00,3,3,,\n3,3,2,3,3,2.05,3.00\n4,0,3,0,0,,\n5,0,3,0,0,,\n")
    gates = find(tmp_path, csv, supply_v=3.0).gates
    assert (gates[0].pad, gates[0].level) == ("4", "high")
    assert gates[0].probability > 0.9


def test_a_steady_level_between_is_no_claim_until_hertz_tells(tmp_path: Path) -> None:
    """1.8 V in every state is a second supply or a line that always sends: neither is said with 0.97."""
    csv = "pad,a,b,c,d\n1,0,0,0,0\n2,3,3,3.00,3\n3,1.80,1.80,1.81,1.80\n"
    quiet = find(tmp_path, csv, supply_v=3.0).pads[2]
    assert quiet.probability < 0.97
    assert {"data", "supply"} <= {quiet.role, *(name for name, _ in quiet.alternatives)}
    loud = find(tmp_path, csv.replace("d\n", "d,a / hz\n").replace("1.81,1.80", "1.81,1.80,4800"), supply_v=3.0).pads[2]
    assert loud.role == "data"
    assert loud.probability > quiet.probability


def test_many_readings_alike_do_not_choose_between_what_reads_alike(tmp_path: Path) -> None:
    """0.87 of the supply, the same to a count in seven states: a second supply, a pull of 1.5M or an average.

    That is 3 V * 10 / 11.5 through the meter's 10 Mohm, by Ohm's law; a regulator of 2.61 V shows the same.
    """
    states = "abcdefg"
    rows = [f"{name}," + ",".join([cell] * len(states)) for name, cell in (("1", "0.000"), ("2", "3.000"), ("3", "2.609"))]
    pad = find(tmp_path, "pad," + ",".join(states) + "\n" + "\n".join(rows) + "\n", supply_v=3.0).pads[2]
    assert pad.probability < 0.9
    assert {"supply", "fixed high", "data"} <= {pad.role, *(name for name, _ in pad.alternatives)}


def test_a_pull_to_a_supply_that_is_not_the_modules(tmp_path: Path) -> None:
    """18k to a rail that falls in b and d, 100k on that rail; the module drives pad 4 meanwhile, so that it has supply.

    By hand, the meter's 10 Mohm aside: 3 V * 4.7 / 22.7 = 0.62 V up, 3 V * 118 / 218 = 1.62 V down.
    """
    csv = ("pad,a,b,c,d,a / 4.7k to ground,b / module out,b / module out / 100k to supply\n1,0.000,0.000,0.000,0.000,,,\n"
           "2,3.000,3.000,3.000,3.000,2.999,3.000,\n3,2.995,0.000,2.995,0.000,0.621,0.000,1.614\n"
           "4,0.000,2.999,2.999,2.999,,0.000,2.970\n")
    pad = find(tmp_path, csv, supply_v=3.0).pads[2]
    assert (pad.role, pad.driven_by) == ("state line", "pull")
    assert (pad.level, pad.follows) == ("high", ("a", "c"))


def test_a_pad_that_sags_is_no_reference_where_it_stands_alone(tmp_path: Path) -> None:
    """In b only a clamped pad is near the supply: the steady pad beside it has not moved."""
    csv = ("pad,a,b,c,d\n1,3.000,,3.000,3.000\n2,3.000,2.920,2.920,3.000\n3,1.700,1.700,1.700,1.700\n"
           "4,0.000,0.000,0.000,0.000\n")
    assert find(tmp_path, csv, supply_v=3.0).evidence.plain[2] == pytest.approx([1.7 / 3] * 4, abs=1e-3)


def test_supply_is_read_off_or_asked_for(tmp_path: Path) -> None:
    """The highest steady level is the supply; without one it must be given."""
    assert find(tmp_path, "pad,a,b\n1,0,0\n2,2.97,2.97\n").supply_v == pytest.approx(2.97)
    with pytest.raises(SurveyError, match="no supply given"):
        find(tmp_path, "pad,a,b\n1,0,0\n2,0,2.97\n")


def test_text_says_the_answer_first(tmp_path: Path) -> None:
    """How many are settled, then each pad, then one thing to do, with its caution."""
    said = text(find(tmp_path, SURVEY, supply_v=3.0))
    assert said.startswith(("4 of 6", "5 of 6", "3 of 6"))
    assert said.index("Measure next:") < said.index("Before a lead goes inside the case")


@pytest.mark.parametrize(("csv", "words"), [
    ("pad,a\n1,x\n", "line 2, column 2 'a'"), ("pad,a\n1,3\n1,3\n", "line 3, column 1 'pad'"),
    ("pad,a,A\n1,3,3\n", "line 1, column 3 'A'"), ("pad,a,b\n1,0,3\n", "line 2, column 3 'b': no supply given"),
    ("pad,off\n1,3\n", "no state in which the instrument runs"),
])
def test_bad_input_exits_2_with_its_place(tmp_path: Path, capsys: pytest.CaptureFixture[str], csv: str,
                                          words: str) -> None:
    """Standard output stays empty, the message names line and column."""
    path = tmp_path / "s.csv"
    path.write_text(csv, encoding="utf-8")
    assert main(["pins", str(path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err


def test_command_draws_and_writes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The map, the tap sheet as text and as a drawing, and the JSON document in one run."""
    path = tmp_path / "s.csv"
    path.write_text(SURVEY, encoding="utf-8")
    for sheet in ("sheet.svg", "sheet.txt"):
        assert main(["pins", str(path), "--supply", "3.0", "--json", "--board", "3.3v", "--map", str(tmp_path / "m.svg"),
                     "--sheet", str(tmp_path / sheet)]) == 0
        answer = json.loads(capsys.readouterr().out)
    assert {"supply_v", "pads", "gates_data", "next", "trials", "sheet"} <= answer.keys()
    assert (tmp_path / "m.svg").read_text(encoding="utf-8").startswith("<svg")
    assert "pad 6 -> an input of the board" in (tmp_path / "sheet.txt").read_text(encoding="utf-8")
    assert "Tap sheet" in (tmp_path / "sheet.svg").read_text(encoding="utf-8")
