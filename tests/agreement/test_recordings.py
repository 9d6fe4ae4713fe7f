"""Recordings compared by name, as they lie in the recordings database or as exported."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import pytest

from tapwright.cli.main import main
from tapwright.core.reading import Reading, Status
from tapwright.live.moment import Moment, Session
from tapwright.live.store import Store
from tapwright.live.tables import csv_lines

pytestmark = pytest.mark.slow  # the database library alone takes longer than a quick test may


def record(path: Path, ident: str, started: float, values: list[float | None], every_s: float = 0.5) -> None:
    """Write one session through the recorder's own store."""
    session = Session(ident=ident, instrument="hatchery", started=started, mono_s=100.0)
    moments = [Moment(
        reading=Reading(t_s=i * every_s, display="", value=None if value is None else Decimal(str(value)), unit="mg/L",
                        flags="", status=Status.OVERLOAD if value is None else Status.OK, seq=i),
        session=session, t=started + i * every_s, mono_s=100.0 + i * every_s) for i, value in enumerate(values)]
    store = Store(str(path))
    try:
        store.create()
        store.write(moments, {ident: len(moments)}, [], "bench")
    finally:
        store.close()


def test_two_sessions_are_aligned_by_the_wall_clock(tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    """The second session began 2 s later: its first reading meets the reference's fifth, in a job folder by ID alone."""
    ramp = [8 + 0.1 * i for i in range(20)]
    record(tmp_path / "recordings.sqlite", "reference-1", 1_000_000.0, ramp)
    record(tmp_path / "recordings.sqlite", "meter-1", 1_000_002.0, [v + 0.01 * (i % 2) for i, v in enumerate(ramp[4:12])])
    (tmp_path / "job.toml").write_text('name = "trout"\n')
    monkeypatch.chdir(tmp_path)
    assert main(["agree", "reference-1", "meter-1", "--json"]) == 0
    by_name = json.loads(capsys.readouterr().out)
    assert by_name["pairs"] == 8
    assert by_name["bias"] == pytest.approx(0.005)
    assert main(["agree", "recordings.sqlite#reference-1", "recordings.sqlite#meter-1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == by_name
    for ident in ("reference-1", "meter-1"):
        store = Store("recordings.sqlite")
        session = store.session(ident)
        assert session is not None
        (tmp_path / f"{ident}.csv").write_text("".join(csv_lines(store.rows(session))))
        store.close()
    assert main(["agree", "reference-1.csv", "meter-1.csv", "--json"]) == 0
    exported = json.loads(capsys.readouterr().out)
    assert exported["bias"] == pytest.approx(by_name["bias"])
    assert exported["pairs"] == 8


def test_sessions_of_different_times_are_not_compared_by_time(tmp_path: Path,
                                                              capsys: pytest.CaptureFixture[str]) -> None:
    """An hour apart there is nothing to interpolate; that is said, not guessed."""
    file = tmp_path / "r.sqlite"
    record(file, "one", 1_000_000.0, [1.0, 2.0, 3.0])
    record(file, "two", 1_003_600.0, [1.0, 2.0, 3.0])
    assert main(["agree", f"{file}#one", f"{file}#two"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "recordings of different times" in err


def test_radio_on_and_off_from_recordings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--disturb takes sessions too; rows without a reading are left out."""
    file = tmp_path / "r.sqlite"
    record(file, "on", 1_000_000.0, [5.0, 5.01, None, 5.02, 5.0, 5.01, 5.0])
    record(file, "off", 1_003_600.0, [5.0, 5.01, 5.01, 5.0, 5.02, 5.0, 5.01])
    assert main(["agree", "--disturb", f"{file}#on", f"{file}#off", "--margin", "0.1", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["on"]["readings"] == 6
    assert document["verdict"] == "undisturbed"


def test_what_is_no_session_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong ID, and a file that only begins like a database."""
    file = tmp_path / "r.sqlite"
    record(file, "one", 1_000_000.0, [1.0, 2.0, 3.0])
    bad = tmp_path / "bad.sqlite"
    bad.write_bytes(b"SQLite format 3\0" + b"x" * 200)
    for named, found in ((f"{file}#two", "no session 'two'"), (str(bad), "bad.sqlite")):
        assert main(["agree", named, named]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert found in err
