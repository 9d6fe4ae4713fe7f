"""`tapwright board` as a person calls it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from tests.board.board_face import METER, meter
from tests.board.frames import frame

from tapwright.board.about import proven
from tapwright.cli.main import main
from tapwright.core.frame import Frames
from tapwright.evidence.labels import Label

C = {"reading.h", "reading.c", "main_stdio.c"}
MICROPYTHON = {"reading.py", "main.py", "web.py", "config.py", "hardware.py", "page.html", "settings", "README.md"}


def test_both_targets_are_written_and_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every file of the contract is there; --json lists them; a second run writes the same bytes."""
    out = tmp_path / "board"
    assert main(["board", "--instrument", str(METER), "--out", str(out), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert {path.name for path in (out / "c").iterdir()} == C
    assert {path.name for path in (out / "micropython").iterdir()} == MICROPYTHON
    assert {Path(file) for file in document["files"]} == {path for path in out.rglob("*") if path.is_file()}
    first = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert main(["board", "--instrument", str(METER), "--out", str(out)]) == 0
    assert first == {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}


def test_one_target_alone(tmp_path: Path) -> None:
    """Only the folder asked for is made."""
    assert main(["board", "--instrument", str(METER), "--out", str(tmp_path / "b"), "--target", "c"]) == 0
    assert [path.name for path in (tmp_path / "b").iterdir()] == ["c"]


@pytest.mark.parametrize(("was", "now", "named"), [
    ('a = "4.0"', 'a = "4.0 | 4.5"', "digit 2 segment a"), ('zeros = ["as sent"]', 'zeros = ["shown", "suppressed"]',
                                                             "how leading zeros are shown"),
    ('minus = "2.0"', 'minus = "off"', "the minus sign"), ('HOLD = "9.1"', 'HOLD = "9.1 | 2.1"', "flag HOLD"),
])
def test_undetermined_parts_are_refused_and_then_unproven(was: str, now: str, named: str, tmp_path: Path,
                                                          capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, the part named, nothing on standard output and nothing written; with the option it is written."""
    path = tmp_path / "instrument.toml"
    path.write_text(METER.read_text(encoding="utf-8").replace(was, now), encoding="utf-8")
    arguments = ["board", "--instrument", str(path), "--out", str(tmp_path / "b")]
    assert main(arguments) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert named in said.err
    assert not (tmp_path / "b").exists()
    assert main([*arguments, "--allow-unproven", "--json"]) == 0
    assert any(named in text for text in json.loads(capsys.readouterr().out)["unproven"])


def test_wrong_input_is_told_without_a_traceback(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A missing file, a file where the folder should be, and no folder at all."""
    assert main(["board", "--instrument", str(tmp_path / "none.toml"), "--out", str(tmp_path)]) == 2
    (tmp_path / "file").write_text("x")
    assert main(["board", "--instrument", str(METER), "--out", str(tmp_path / "file")]) == 2
    assert main(["board", "--instrument", str(METER)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "Traceback" not in said.err


def test_more_flags_than_c_has_bits_for_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2 with what to do, nothing written; MicroPython alone is written."""
    path = tmp_path / "instrument.toml"
    flags = "".join(f'F{i} = "{3 + i // 8}.{i % 8}"\n' for i in range(64))
    path.write_text(METER.read_text(encoding="utf-8").replace('AUTO = "9.0"\n', flags), encoding="utf-8")
    arguments = ["board", "--instrument", str(path), "--out", str(tmp_path / "b")]
    assert main(arguments) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert f"{path}" in said.err
    assert "67 flags" in said.err
    assert "63 at most for C" in said.err
    assert not (tmp_path / "b").exists()
    assert main([*arguments, "--target", "micropython"]) == 0


def test_labels_that_agree_give_the_self_test(tmp_path: Path) -> None:
    """Frames whose label agrees are taken, one that a wrong label contradicts is not."""
    shown = [("6.82", "mg/L"), ("7.01", "pH"), ("0L", "pH"), ("19.3", "°C")]
    sent = [frame(*one) for one in shown for _ in range(10)]
    frames = Frames.of(sent, [i * 0.3 for i in range(len(sent))])
    labels = [Label(i + 1, "c.csv", 3 * i, 3 * i + 3, "OL" if text == "0L" else text if text != "19.3" else "18.3", unit, ())
              for i, (text, unit) in enumerate(shown)]
    found = proven(meter(), {"c.csv": frames}, labels)
    assert [one.row for one in found] == [("6.82", "6.82", "mg/L", "", "ok"), ("7.01", "7.01", "pH", "", "ok"),
                                          ("OL", "", "pH", "", "overload")]


@pytest.mark.slow
@pytest.mark.skipif(not shutil.which("riscv64-unknown-elf-gcc"), reason="riscv64-unknown-elf-gcc is not installed")
def test_the_plain_decoder_is_small(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """RAM with its structs and stack stays under 256 bytes, flash under 930 on RV32IMC, as the command states them."""
    assert main(["board", "--instrument", str(METER), "--out", str(tmp_path), "--sizes", "--json"]) == 0
    sizes = {size["processor"]: size for size in json.loads(capsys.readouterr().out)["sizes"]}
    assert sizes["RV32IMC"]["flash_bytes"] <= 930
    assert all(size["ram_bytes"] < 256 for size in sizes.values())
