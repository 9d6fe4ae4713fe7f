"""The command: what it prints and writes, its exit codes, as the contract says."""

from __future__ import annotations

import csv
import json
import random
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from tests.line.wire import Wire, joined

from tapwright.cli.main import main

SENT = list(random.Random(9).randbytes(60))


@pytest.fixture
def packed(tmp_path: Path) -> Path:
    """A capture of two lines and a resting one as packed samples, 96 kHz."""
    a, b = Wire(9600, 96_000).send(SENT), Wire(4800, 96_000, inverted=True).send(SENT[:25], "7E1")
    capture = joined(96_000, {"a": a, "b": b})
    samples = np.zeros(capture.end_tick, np.uint8)
    for bit, channel in enumerate(capture.channels):
        samples |= channel.level_at(np.arange(capture.end_tick)).astype(np.uint8) << bit
    path = tmp_path / "c.bin"
    path.write_bytes(samples.tobytes())
    return path


def test_the_document(packed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every field of the contract, with its type, for each kind of channel."""
    assert main(["line", str(packed), "--rate", "96000", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    first, second, third = document["channels"][:3]
    assert {"name": "0", "kind": "async", "idle": "high", "baud": 9600, "data_bits": 8, "parity": "none",
            "stop_bits": 1, "inverted": False, "bit_order": "lsb first", "bytes": 60, "framing_errors": 0,
            "parity_errors": 0, "alternatives": []}.items() <= first.items()
    for name in ("measured_baud", "sigma_baud", "samples_per_bit", "probability"):
        assert isinstance(first[name], float)
    assert isinstance(first["advice"], list)
    assert (second["idle"], second["inverted"], second["bytes"]) == ("low", True, 25)
    for other in second["alternatives"]:
        assert set(other) == {"data_bits", "parity", "stop_bits", "inverted", "baud", "probability"}
    assert third == {"name": "2", "kind": "level", "changes": 0}
    assert document["pairs"] == []


def test_the_bytes(packed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One row a byte, both channels, in time order; 7-bit data stay below 80."""
    out = tmp_path / "out.csv"
    assert main(["line", str(packed), "--rate", "96000", "--bytes", str(out)]) == 0
    assert "wrote 85 bytes" in capsys.readouterr().out
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert [int(row["hex"], 16) for row in rows if row["channel"] == "0"] == SENT
    assert [int(row["hex"], 16) for row in rows if row["channel"] == "1"] == [v & 0x7F for v in SENT[:25]]
    times = [float(row["t_s"]) for row in rows]
    assert times == sorted(times)
    assert times[0] == pytest.approx(30 / 9600 + 14e-6, abs=2e-5)  # the first start edge


def test_one_channel_and_the_picture(packed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--channel` looks at one alone; `--plot` writes an SVG that says what it shows."""
    out = tmp_path / "p.svg"
    assert main(["line", str(packed), "--rate", "96000", "--channel", "1", "--plot", str(out)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("1: 4800 7E1 inverted, 25 bytes, idles low")
    assert "0:" not in said
    picture = ElementTree.fromstring(out.read_text())
    texts = [element.text for element in picture.iter("{http://www.w3.org/2000/svg}text")]
    assert f"{SENT[0] & 0x7F:02X}" in [text.split(" ")[0] for text in texts if text]
    assert any("Intervals between edges" in (text or "") for text in texts)


def test_nothing_talks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 1, and said in words."""
    (tmp_path / "rest.bin").write_bytes(bytes(1000))
    assert main(["line", str(tmp_path / "rest.bin"), "--rate", "1e6"]) == 1
    assert capsys.readouterr().out.startswith("No channel talks")


def test_heavy_libraries_stay_out_of_a_small_capture(packed: Path) -> None:
    """A small file is answered without numba, polars, scipy or masked arrays."""
    code = ("import sys; from tapwright.cli.main import main; "
            f"main(['line', {str(packed)!r}, '--rate', '96000']); "
            "print([m for m in ('numba', 'polars', 'scipy', 'serial', 'pywellen', 'numpy.ma') if m in sys.modules])")
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.splitlines()[-1] == "[]"
