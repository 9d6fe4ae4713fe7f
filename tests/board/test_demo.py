"""The demo's instrument on the board: every one of its frames through every decoder, and the folder as a maker uses it."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tapwright.board.cost import PROCESSORS
from tapwright.core.instrument import Instrument
from tapwright.decode.chain import frames_of
from tapwright.evidence.instrument_file import load_instrument
from tests.board.rows import SANITIZED, build, c_rows, cpython_rows, differences, emit, in_micropython, micropython_rows, need, reference

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the job folder that the demo leaves, with board/ written by the command."""
    folder = tmp_path_factory.mktemp("demo") / "job"
    for arguments in (["demo", "--once", "--dir", str(folder)], ["board", "--job", str(folder), "--json", "--sizes"]):
        done = subprocess.run([sys.executable, "-m", "tapwright", *arguments], capture_output=True, text=True, timeout=300,
                              check=False)
        assert done.returncode == 0, done.stderr
    (folder / "said.json").write_text(done.stdout)
    return folder


@pytest.fixture(scope="module")
def received(job: Path) -> tuple[Instrument, list[bytes]]:
    """Return the description and every frame of every capture as received."""
    instrument = load_instrument(job / "instrument.toml")
    captures = sorted(path for path in (job / "captures").iterdir() if path.name != "linking.csv")
    return instrument, [frame for path in captures for frame in frames_of(path, instrument)]


def test_every_frame_of_the_demo_gives_the_same_row_everywhere(received: tuple[Instrument, list[bytes]],
                                                               tmp_path: Path) -> None:
    """Package, emitted Python, C by both compilers under sanitizers, MicroPython, and both emulated processors."""
    instrument, frames = received
    want = reference(instrument, frames)
    assert len(frames) > 500
    assert sum(row[4] == "ok" for row in want) > 400
    found = {"CPython": cpython_rows(instrument, frames), "MicroPython": micropython_rows(instrument, frames, tmp_path)}
    for compiler in ("gcc", "clang"):
        found[compiler] = c_rows([str(build(instrument, tmp_path, compiler, *SANITIZED))], frames)
    for processor in PROCESSORS:
        need(processor.compiler[0])
        need(processor.emulator)
        emit(instrument, tmp_path)
        found[processor.name] = c_rows(processor.build(tmp_path, "reading.c", "main_stdio.c"), frames)
    for name, rows in found.items():
        assert not list(differences(want, rows, frames)), name


def test_the_demo_gets_the_small_decoder_with_self_test_and_cost(job: Path) -> None:
    """A learned segment instrument under 1.3 KB, six proven frames, and what a frame costs."""
    document = json.loads((job / "said.json").read_text())
    assert document["self_test"] == 6
    for processor in PROCESSORS:
        need(processor.compiler[0])
        need(processor.emulator)
    for size in document["sizes"]:
        assert size["flash_bytes"] < 1300
        assert size["ram_bytes"] < 256
        assert size["share_at_2_hz"] < 0.001
    assert document["not_measured"] == []


def test_the_known_frame_of_the_readme_reads_as_it_says(job: Path, tmp_path: Path) -> None:
    """The line that the maker types, on the computer and in MicroPython; wiring and cautions stand before it."""
    folder = job / "board" / "micropython"
    text = (folder / "README.md").read_text(encoding="utf-8")
    call = re.search(r'python3 -c "(.*)"', text)
    wanted = re.search(r"Both must print `(.*?)`", text)
    assert call is not None
    assert wanted is not None
    done = subprocess.run([sys.executable, "-c", call[1]], cwd=folder, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == wanted[1]
    files = {"reading.py": (folder / "reading.py").read_text(encoding="utf-8")}
    said = in_micropython(files, [], call[1].replace("print(", "print(json.dumps(").replace("))", ")))", 1) + "\n", tmp_path)
    assert json.loads(said[-1]) == json.loads(wanted[1].replace("'", '"'))
    assert text.index("## Before a lead goes inside") < text.index("## Wiring") < text.index("## First power-up") \
        < text.index("## Load") < text.index("## Check")
    assert "| 1 | board ground |" in text
    assert not re.search(r"@[A-Z]+@", text)
