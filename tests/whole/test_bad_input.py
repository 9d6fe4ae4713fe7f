"""What a tired person gives by mistake: each ends with exit 2, the file, the place, what was found and expected."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tapwright.synth.job_folder import write_job

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pretend job's evidence."""
    folder = tmp_path_factory.mktemp("job")
    write_job(folder, 3)
    return folder


def refused(*argv: str, cwd: Path) -> str:
    """Run a command that must exit 2 with nothing on standard output; return what it says, on one line."""
    done = subprocess.run([sys.executable, "-m", "tapwright", *argv], capture_output=True, text=True, cwd=cwd, check=False,
                          timeout=60)
    assert done.returncode == 2, (done.returncode, done.stdout[-500:], done.stderr)
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    return done.stderr


def test_a_truncated_value_change_dump(job: Path, tmp_path: Path) -> None:
    """Cut inside its header, a VCD is refused with the place."""
    (tmp_path / "cut.vcd").write_bytes((job / "captures" / "first.vcd").read_bytes()[:60])
    said = refused("line", "cut.vcd", cwd=tmp_path)
    assert "cut.vcd" in said
    assert "expected" in said


def test_a_word_in_a_table_of_levels(tmp_path: Path) -> None:
    """The line and the column are named."""
    (tmp_path / "a.csv").write_text("time_s,tx\n0,1\n0.001,0\n0.002,zzz\n0.003,1\n")
    said = refused("line", "a.csv", cwd=tmp_path)
    assert "a.csv, line 4" in said
    assert "'zzz' in column 2" in said


def test_packed_samples_without_a_rate(tmp_path: Path) -> None:
    """A .bin tells no rate itself; the message says which option gives it."""
    (tmp_path / "a.bin").write_bytes(bytes([1, 0] * 500))
    said = refused("line", "a.bin", cwd=tmp_path)
    assert "--rate" in said


@pytest.mark.parametrize("command", ["learn", "prove"])
def test_labels_that_name_a_capture_that_is_not_there(command: str, job: Path, tmp_path: Path) -> None:
    """The row is named, and what is there."""
    (tmp_path / "labels.csv").write_text("capture,start_s,end_s,display,unit,flags\ngone.vcd,1,3,6.82,mg/L,AUTO\n")
    description = tmp_path / "instrument.toml"
    if command == "prove":
        learned = subprocess.run([sys.executable, "-m", "tapwright", "learn", str(job / "captures" / "first.vcd"), "--labels",
                                  str(job / "labels.csv"), "--out", str(description)], cwd=tmp_path, check=False,
                                 capture_output=True, text=True)
        assert learned.returncode == 0, learned.stderr
    more = ["--instrument", str(description)] if command == "prove" else []
    said = refused(command, str(job / "captures" / "first.vcd"), "--labels", "labels.csv", *more, cwd=tmp_path)
    assert "gone.vcd" in said
    assert "first.vcd" in said


def test_a_description_with_an_unknown_key(tmp_path: Path) -> None:
    """Key and line are named, with the nearest known key."""
    (tmp_path / "instrument.toml").write_text('version = 1\nname = "x"\nofset_s = 2\n')
    (tmp_path / "f.csv").write_text("t_s,hex\n0,5AA5\n")
    said = refused("read", "f.csv", "--instrument", "instrument.toml", cwd=tmp_path)
    assert "instrument.toml, line 3" in said
    assert "ofset_s" in said
    assert "offset_s" in said


@pytest.mark.parametrize("argv", [["line"], ["line", "gone.vcd"], ["line", "."], ["learn"], ["read", "gone.csv"],
                                  ["frames", "gone.csv"], ["unmask"], ["pins"], ["supply"], ["agree"], ["prove"],
                                  ["report", "."], ["open", "."], ["board"], ["serve"], ["export"], ["label"], ["nonsense"],
                                  ["line", "--nonsense"]])
def test_commands_without_what_they_need(argv: list[str], tmp_path: Path) -> None:
    """In an empty folder every command says what is missing."""
    said = refused(*argv, cwd=tmp_path)
    assert said.startswith("tapwright: ")
    assert len(said) < 1200


@pytest.mark.parametrize("ending", ["vcd", "csv", "tsv", "bin", "fst", "vcd.gz"])
@pytest.mark.parametrize("content", [b"", b"\x00\xff\xfe\x80" * 50, b"\x1f\x8b\x08broken"])
def test_empty_files_and_junk_under_every_ending(ending: str, content: bytes, tmp_path: Path) -> None:
    """No traceback, no hang: exit 2, or (a .bin is any bytes) an honest nothing found."""
    (tmp_path / f"x.{ending}").write_bytes(content)
    argv = ["line", f"x.{ending}", *(["--rate", "10000"] if ending == "bin" else [])]
    done = subprocess.run([sys.executable, "-m", "tapwright", *argv], capture_output=True, text=True, cwd=tmp_path,
                          check=False, timeout=60)
    assert "Traceback" not in done.stderr
    if ending == "bin" and content:
        assert done.returncode in (0, 1)
    else:
        assert done.returncode == 2
        assert f"x.{ending}" in done.stderr


def test_a_heading_with_old_line_ends_is_no_fault(tmp_path: Path) -> None:
    """Bare carriage returns (a first-time user's file) are read as line ends."""
    (tmp_path / "cr.csv").write_bytes(b"t_s,hex\r" + b"".join(b"%d,5AA5%02X\r" % (i, i) for i in range(9)))
    done = subprocess.run([sys.executable, "-m", "tapwright", "frames", "cr.csv", "--json"], capture_output=True, text=True,
                          cwd=tmp_path, check=False, timeout=60)
    assert done.returncode in (0, 1), done.stderr
