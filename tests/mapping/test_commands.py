"""`learn` and `read` from the command line: files in, files out, exit codes, errors."""

from __future__ import annotations

import csv
import json
import random
from pathlib import Path

import pytest

from tapwright.cli.main import main
from tests.mapping.blind import Blind, Session, Shown, blind, everything, play


def write(folder: Path, meter: Blind, session: Session) -> None:
    rows = [f"{t:.4f},{frame.hex()}" for t, frame in zip(session.t_s, session.frames, strict=True)]
    (folder / "a.csv").write_text("t_s,hex\n" + "\n".join(rows) + "\n", encoding="utf-8")
    with (folder / "labels.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["capture", "start_s", "end_s", "display", "unit", "flags"])
        table.writerows(["a.csv", f"{a:.2f}", f"{b:.2f}", *rest] for a, b, *rest in session.labels)


@pytest.fixture
def evidence(tmp_path: Path) -> tuple[Path, Session, Blind]:
    meter, rng = blind(1, "segments"), random.Random(1)
    session = play(meter, everything(meter, rng)[:16], rng)
    write(tmp_path, meter, session)
    return tmp_path, session, meter


@pytest.mark.slow
def test_learn_then_read(evidence: tuple[Path, Session, Blind], capsys: pytest.CaptureFixture[str]) -> None:
    folder, session, meter = evidence
    out, picture = folder / "i.toml", folder / "p.svg"
    assert main(["learn", str(folder / "a.csv"), "--labels", str(folder / "labels.csv"), "--out", str(out),
                 "--plot", str(picture), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["instrument"] == str(out)
    assert document["value"]["kind"] == "segments"
    assert document["value"]["digits"] == meter.digits
    assert document["labels"] == len(session.labels)
    assert abs(document["offset_s"] - session.offset_s) <= meter.period_s
    for ask in document["next"]:
        assert set(ask) >= {"show", "settles", "want"}
        assert set(ask["want"]) <= {"digits", "unit", "flags", "negative", "point", "overload", "blank", "at_least",
                                    "at_most"}
    assert picture.read_text(encoding="utf-8").startswith("<svg")

    readings = folder / "readings.csv"
    assert main(["read", str(folder / "a.csv"), "--instrument", str(out), "--out", str(readings)]) == 0
    capsys.readouterr()
    with readings.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(session.frames)
    for row, shown in zip(rows, session.shown, strict=True):
        if row["status"] in ("ok", "overload", "blank"):
            assert (row["display"], row["unit"]) == (meter.text(shown), meter.unit(shown))
            assert set(row["flags"].split()) == set(shown.flags)
    assert main(["read", str(folder / "a.csv"), "--instrument", str(out), "--json"]) == 0
    plain = json.loads(capsys.readouterr().out)["readings"]
    assert [item["status"] for item in plain] == [row["status"] for row in rows]
    assert {type(item["value"]) for item in plain} <= {float, type(None)}

    assert main(["learn", str(folder / "a.csv"), "--labels", str(folder / "labels.csv"), "--out", str(out)]) == 0
    assert capsys.readouterr().out.startswith("Found: the frame holds the display's segments")


def test_labels_that_nothing_explains_are_a_no(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Constant frames under labels that differ: exit 1 and no file."""
    meter, rng = blind(1, "segments"), random.Random(1)
    session = play(meter, [meter.some(rng) for _ in range(8)], rng)
    still = Session(session.t_s, [meter.frame(Shown(0))] * len(session.frames), session.shown, session.labels, [], 0.0)
    write(tmp_path, meter, still)
    out = tmp_path / "i.toml"
    assert main(["learn", str(tmp_path / "a.csv"), "--labels", str(tmp_path / "labels.csv"), "--out", str(out)]) == 1
    assert not out.exists()
    assert "No family of values explains these labels" in capsys.readouterr().out


@pytest.mark.parametrize(("rows", "message"), [
    ("b.csv,1,3,5,V,\n", "data row 1 names the capture 'b.csv'; expected one of a.csv"),
    ("a.csv,1000,1003,5,V,\n", "no label's stretch holds a frame"),
    ("a.csv,x,3,5,V,\n", "line 2, column start_s: 'x' is no number"),
])
def test_wrong_labels_files_are_errors(tmp_path: Path, rows: str, message: str,
                                       capsys: pytest.CaptureFixture[str]) -> None:
    meter, rng = blind(1, "segments"), random.Random(1)
    write(tmp_path, meter, play(meter, [meter.some(rng)], rng))
    (tmp_path / "labels.csv").write_text("capture,start_s,end_s,display,unit,flags\n" + rows, encoding="utf-8")
    assert main(["learn", str(tmp_path / "a.csv"), "--labels", str(tmp_path / "labels.csv")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert message in said.err


def test_blank_labels_alone_explain_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    meter, rng = blind(1, "segments"), random.Random(1)
    write(tmp_path, meter, play(meter, [Shown(0, blank=True)] * 5, rng))
    assert main(["learn", str(tmp_path / "a.csv"), "--labels", str(tmp_path / "labels.csv"),
                 "--out", str(tmp_path / "i.toml")]) == 1
    said = capsys.readouterr().out
    assert "No label shows a number" in said
    assert "any reading with a number" in said


@pytest.mark.slow
def test_overlapping_labels_that_disagree(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two labels of one stretch that say different things: the one that all others speak against is named."""
    meter, rng = blind(1, "segments"), random.Random(1)
    session = play(meter, everything(meter, rng)[:40], rng)
    other = next(row for row in session.labels if row[2:] != session.labels[5][2:])
    twice = [*session.labels, (*session.labels[5][:2], *other[2:])]
    write(tmp_path, meter, Session(session.t_s, session.frames, session.shown, twice, [], session.offset_s))
    assert main(["learn", str(tmp_path / "a.csv"), "--labels", str(tmp_path / "labels.csv"),
                 "--out", str(tmp_path / "i.toml"), "--json"]) == 0
    assert [item["row"] for item in json.loads(capsys.readouterr().out)["labels_contradicted"]] == [len(twice)]


@pytest.mark.slow
def test_labels_that_contradict_every_family(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The labels of one recording beside another's frames: exit 1, and neither labels nor an older description lost."""
    meter, rng = blind(1, "segments"), random.Random(1)
    session = play(meter, [meter.some(rng) for _ in range(30)], rng)
    texts = [row[2:] for row in session.labels]
    rng.shuffle(texts)
    mixed = [(*row[:2], *text) for row, text in zip(session.labels, texts, strict=True)]
    write(tmp_path, meter, Session(session.t_s, session.frames, session.shown, mixed, [], session.offset_s))
    labels, out = tmp_path / "labels.csv", tmp_path / "i.toml"
    before = labels.read_bytes()
    out.write_text("older", encoding="utf-8")
    assert main(["learn", str(tmp_path / "a.csv"), "--labels", str(labels), "--out", str(out)]) == 1
    assert "No family of values explains these labels" in capsys.readouterr().out
    assert (labels.read_bytes(), out.read_text(encoding="utf-8")) == (before, "older")


def test_a_description_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "i.toml").write_text("version = 1\n[map]\n", encoding="utf-8")
    (tmp_path / "a.csv").write_text("t_s,hex\n0,00\n", encoding="utf-8")
    assert main(["read", str(tmp_path / "a.csv"), "--instrument", str(tmp_path / "i.toml")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "no display" in said.err
