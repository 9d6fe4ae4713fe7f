"""The frames command as a user runs it: documents, files, exit codes."""

from __future__ import annotations

import csv
import json
import random
from pathlib import Path

import pytest

from tapwright.cli.main import main


def rows_file(path: Path, frames: list[bytes]) -> Path:
    """Write a bytes file by hand, 9600 baud, a frame every 0.3 s."""
    lines = ["t_s,channel,hex,error"]
    for i, frame in enumerate(frames):
        lines += [f"{0.3 * i + j * 10 / 9600:.7f},tx,{byte:02X}," for j, byte in enumerate(frame)]
    path.write_text("\n".join(lines) + "\n")
    return path


def meter_frames(n: int) -> list[bytes]:
    """Return frames of an invented water meter: start 5A A5, counter, value, sum."""
    rng, out = random.Random(1), []
    for i in range(n):
        body = bytes([0x5A, 0xA5, i & 0xFF]) + rng.randbytes(4)
        out.append(body + bytes([sum(body) & 0xFF]))
    return out


def test_document_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The contract's fields, the frames file and the picture."""
    frames = meter_frames(60)
    path = rows_file(tmp_path / "bytes.csv", frames)
    out, plot = tmp_path / "out.csv", tmp_path / "out.svg"
    assert main(["frames", str(path), "--json", "--out", str(out), "--plot", str(plot)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["frames"] == 60
    assert document["bytes_outside"] == 0
    assert document["period_s"] == pytest.approx(0.3, abs=1e-6)
    assert document["length"]["kind"] == "fixed"
    assert document["length"]["bytes"] == 8
    assert (document["start"], document["end"]) == ("5A A5", "")
    check = document["checks"][0]
    assert {key: check[key] for key in ("kind", "order", "encoding", "first", "last", "at", "failed")} == {
        "kind": "sum8", "order": "big", "encoding": "binary", "first": 0, "last": 6, "at": 7, "failed": 0}
    assert isinstance(check["same_as"], list)
    assert document["bytes"][0] == {"at": 0, "kind": "constant", "hex": "5A"}
    assert (document["bytes"][2]["kind"], document["bytes"][2]["step"]) == ("counter", 1)
    with out.open(newline="") as file:
        written = list(csv.DictReader(file))
    assert [bytes.fromhex(row["hex"]) for row in written] == frames
    picture = plot.read_text()
    assert picture.startswith("<svg")
    assert all(word in picture for word in ("start", "counter", "sum8"))


def test_frames_file_as_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A frames file is taken as it is, and told about in words."""
    path = tmp_path / "radio.csv"
    path.write_text("t_s,hex\n" + "".join(f"{0.3 * i:.3f},{f.hex(' ')}\n" for i, f in enumerate(meter_frames(40))))
    assert main(["frames", str(path)]) == 0
    text = capsys.readouterr().out
    assert text.startswith("40 frames of 8 bytes each, one every 300 ms.\nThey begin with 5A A5.\nCheck: sum8 over")
    assert "Next:" in text


def test_one_frame_is_no_finding_of_a_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One frame only: its length is said, no check is claimed."""
    path = tmp_path / "one.csv"
    path.write_text("t_s,hex\n0,5AA50102\n")
    assert main(["frames", str(path), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["frames"], document["checks"], document["period_s"]) == (1, [], None)


def test_one_frame_is_spoken_of_as_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of one frame all bytes are constant: no start, no end and no sure length is claimed, and the words are right."""
    path = tmp_path / "frames.csv"
    path.write_text("t_s,hex\n0,5A A5 01\n")
    assert main(["frames", str(path)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("1 frame of 3 bytes")
    assert "1 distinct frame is too few" in said
    assert "begin with" not in said
    assert "How sure" not in said


def test_noise_is_an_answer_of_no(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Bytes without frames: exit 1, and what to do."""
    rng = random.Random(5)
    path = tmp_path / "noise.csv"
    path.write_text("t_s,channel,hex,error\n" + "".join(
        f"{i / 960:.6f},tx,{rng.randrange(256):02X},\n" for i in range(600)))
    assert main(["frames", str(path)]) == 1
    out = capsys.readouterr().out
    assert out.startswith("No frames found in 600 bytes.")
    assert "Next:" in out
    assert main(["frames", str(path), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["length"] is None


@pytest.mark.parametrize(("text", "said"), [
    ("", "empty"), ("t_s,hex\n0,5A5\n", "odd number"), ("t_s,hex\n", "no rows")])
def test_bad_files_exit_2(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, said: str) -> None:
    """Bad input: exit 2, nothing on standard output, nothing written."""
    path, out = tmp_path / "bad.csv", tmp_path / "out.csv"
    path.write_text(text)
    assert main(["frames", str(path), "--json", "--out", str(out)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert said in captured.err
    assert not out.exists()


def test_every_option_is_documented() -> None:
    """Each long option stands in the reference page."""
    page = (Path(__file__).parents[2] / "docs/reference/frames.md").read_text()
    for option in ("--channel", "--out", "--plot", "--rate", "--width", "--low", "--high", "--json", "--job"):
        assert option in page
