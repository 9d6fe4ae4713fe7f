"""The command unmask: files in, files out, exit codes as the contract has them."""

from __future__ import annotations

import csv
import json
import random
from pathlib import Path

import pytest
from tests.mask import blind

from tapwright.cli.main import main

KEY = bytes.fromhex("3A 71 05 C4 99 10 E7 2B")


def write(path: Path, rows: list[blind.Row]) -> str:
    """Write a frames file by hand."""
    path.write_text("t_s,hex\n" + "".join(f"{t_s:.4f},{frame.hex(' ')}\n" for t_s, frame in rows))
    return str(path)


@pytest.fixture
def recordings(tmp_path: Path) -> tuple[str, str, list[bytes]]:
    """Both sides of a xor key of eight bytes, some frames lost, and the wire frames."""
    rng = random.Random(17)
    frames = blind.wire_readings(rng, 120, "bcd", [8])
    wire = [(0.3 * i, frame) for i, frame in enumerate(frames) if i % 13]
    radio = [(77 + 0.3 * i, bytes(b ^ k for b, k in zip(frame, KEY, strict=True)))
             for i, frame in enumerate(frames) if i > 9 and i % 17]
    return write(tmp_path / "wire.csv", wire), write(tmp_path / "radio.csv", radio), frames


@pytest.mark.slow
def test_found_written_and_applied(recordings, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The mask found, its file, and the radio frames turned back into wire frames with the same times, row by row."""
    wire, radio, frames = recordings
    mask, out, again = (str(tmp_path / name) for name in ("mask.toml", "frames.csv", "again.csv"))
    assert main(["unmask", wire, radio, "--out", mask, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["kind"], bytes.fromhex(document["key"])) == ("xor", KEY)
    assert (document["determined_bits"], document["total_bits"], document["mismatches"]) == (64, 64, 0)
    assert document["pairs_used"] >= 60
    assert main(["unmask", "--apply", mask, radio, "--out", out, "--json"]) == 0
    rows = list(csv.DictReader(Path(radio).read_text().splitlines()))
    assert json.loads(capsys.readouterr().out) == {"frames": len(rows), "unsettled_bytes": 0}
    found = list(csv.DictReader(Path(out).read_text().splitlines()))
    assert [float(row["t_s"]) for row in found] == [float(row["t_s"]) for row in rows]
    truth = [frame for i, frame in enumerate(frames) if i > 9 and i % 17]
    assert [bytes.fromhex(row["hex"]) for row in found] == truth
    assert main(["unmask", "--apply", mask, out, "--to", "radio", "--out", again]) == 0
    assert [bytes.fromhex(row["hex"]) for row in csv.DictReader(Path(again).read_text().splitlines())] == [
        bytes.fromhex(row["hex"]) for row in rows]


@pytest.mark.slow
def test_nothing_found_is_exit_1_and_no_file(recordings, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Against another instrument's radio: kind null, no file."""
    rng = random.Random(99)
    other = write(tmp_path / "other.csv", [(0.3 * i, frame) for i, frame in enumerate(
        blind.wire_readings(rng, 100, "segments", [8]))])
    mask = tmp_path / "mask.toml"
    assert main(["unmask", recordings[0], other, "--out", str(mask), "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["kind"] is None
    assert document["advice"]
    assert not mask.exists()


def test_bytes_that_are_not_settled_are_marked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A hand-written mask with an unknown key byte, and a recording with an unsettled byte of its own."""
    mask = tmp_path / "mask.toml"
    mask.write_text('kind = "xor"\nkey = "01 ?? 02"\n')
    radio = tmp_path / "radio.csv"
    radio.write_text("t_s,hex\n0.5,10 20 30 40 50\n0.75,??1112\n")
    out = tmp_path / "out.csv"
    assert main(["unmask", "--apply", str(mask), str(radio), "--out", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"frames": 2, "unsettled_bytes": 4}
    assert out.read_text() == "t_s,hex\n0.5,11??3241??\n0.75,????10\n"


@pytest.mark.slow
def test_the_job_folder_gives_the_files(recordings, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Left-out recordings are the job's; more than one of a kind must be named."""
    job = tmp_path / "job"
    for name in ("captures", "radio"):
        (job / name).mkdir(parents=True)
    (job / "job.toml").write_text('name = "hatchery meter"\n')
    Path(recordings[0]).rename(job / "captures" / "wire.csv")
    (job / "radio" / "a.csv").write_text("t_s,hex\n0,00\n")
    (job / "radio" / "b.csv").write_text("t_s,hex\n0,00\n")
    assert main(["unmask", "--job", str(job)]) == 2
    assert capsys.readouterr() == ("", f"tapwright: {job / 'radio'}: 2 recordings in it (a.csv, b.csv); expected one. "
                                       "Name RADIO on the command line.\n")
    (job / "radio" / "b.csv").unlink()
    Path(recordings[1]).replace(job / "radio" / "a.csv")
    assert main(["unmask", "--job", str(job)]) == 0
    assert 'kind = "xor"' in (job / "mask.toml").read_text()


@pytest.mark.parametrize(("words", "message"), [
    (["a.csv", "b.csv", "c.csv"], "3 recordings; expected WIRE and RADIO, or RADIO alone."),
    (["--apply", "mask.toml"], "--apply needs a recording and --out; expected tapwright unmask --apply mask.toml RADIO "
                               "--out FRAMES.csv."),
    (["a.csv", "b.csv", "--start", "5A"], "--labels and --start are for RADIO without WIRE; expected one recording."),
    (["a.csv", "--to", "radio"], "--to needs a mask to use; expected --apply MASK.toml beside it."),
])
def test_wrong_usage_is_named(words: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, nothing on standard output."""
    assert main(["unmask", *words]) == 2
    assert capsys.readouterr() == ("", f"tapwright: {message}\n")


@pytest.mark.parametrize("content", ["", "t_s,hex\n", "t_s,hex\n0,5A5\n", "\x00\xff", "t_s,hex\n0,GG\n"])
def test_bad_recordings_are_refused_with_their_name(content: str, recordings, tmp_path: Path,
                                                    capsys: pytest.CaptureFixture[str]) -> None:
    """Empty, no rows, odd digits, binary, no hex: exit 2 and the file named."""
    bad = tmp_path / "bad.csv"
    bad.write_text(content, encoding="latin-1")
    assert main(["unmask", recordings[0], str(bad), "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert str(bad) in err


def test_a_recording_of_one_frame_settles_nothing(recordings, tmp_path: Path,
                                                  capsys: pytest.CaptureFixture[str]) -> None:
    """Too little is an answer (exit 1), not an error."""
    one = write(tmp_path / "one.csv", [(0.0, b"\x01\x02")])
    assert main(["unmask", recordings[0], one]) == 1
    assert "The radio recording has 1 whole frame;" in capsys.readouterr().out
