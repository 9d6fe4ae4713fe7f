"""From a simulator's waveform to sentences: an outside transmitter, outside sentences, our reading.

Icarus Verilog simulates a UART transmitter that sends NMEA 0183 sentences built by pynmea2; settings and sentences must
come back exactly (NMEA 0183: 4800 baud 8N1, check = xor of all between `$` and `*`, as two hex digits).
"""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pynmea2
import pytest

HERE = Path(__file__).parent
needs_icarus = pytest.mark.skipif(shutil.which("iverilog") is None, reason="needs iverilog (apt install iverilog)")


def sentences() -> list[str]:
    """Sixty position sentences with changing times and fields."""
    out = []
    for i in range(60):
        message = pynmea2.GGA("GP", "GGA", (f"1235{i % 60:02d}", f"48{7 + i % 3:02d}.{38 + 17 * i % 900:03d}", "N",
                                            f"01131.{i * 13 % 1000:03d}", "E", "1", f"{4 + i % 8:02d}", "0.9",
                                            f"{540 + i % 60}.4", "M", "46.9", "M", "", ""))
        out.append(str(message) + "\r\n")
    return out


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """The simulated line's VCD and the sentences on it."""
    folder = tmp_path_factory.mktemp("uart")
    sent = sentences()
    data = "".join(sent).encode("ascii")
    (folder / "bytes.hex").write_text("\n".join(f"{byte:02x}" for byte in data))
    subprocess.run(["iverilog", f"-Puart_sender.BYTES={len(data)}", "-o", "sim", str(HERE / "uart_sender.v")], cwd=folder,
                   check=True)
    subprocess.run(["vvp", "-n", "sim"], cwd=folder, check=True, capture_output=True)
    return folder / "line.vcd", sent


def tapwright(*argv: str) -> dict[str, object]:
    """Run a command with --json."""
    done = subprocess.run([sys.executable, "-m", "tapwright", argv[0], "--json", *argv[1:]], capture_output=True, text=True,
                          timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    document: dict[str, object] = json.loads(done.stdout)
    return document


@needs_icarus
@pytest.mark.slow
def test_settings_and_sentences_come_back_exactly(line: tuple[Path, list[str]], tmp_path: Path) -> None:
    """4800 8N1, the busy line is no serial line, and every byte is the one that was sent."""
    vcd, sent = line
    document = tapwright("line", str(vcd), "--bytes", str(tmp_path / "bytes.csv"))
    channels = {channel["name"].rpartition(".")[2]: channel for channel in document["channels"]}  # type: ignore[attr-defined]
    tx = channels["tx"]
    assert (tx["kind"], tx["baud"], tx["data_bits"], tx["parity"], tx["stop_bits"], tx["inverted"]) == (
        "async", 4800, 8, "none", 1, False)
    assert channels["busy"]["kind"] == "level"
    with (tmp_path / "bytes.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert {row["error"] for row in rows} == {""}
    assert bytes(int(row["hex"], 16) for row in rows).decode("ascii") == "".join(sent)


@needs_icarus
@pytest.mark.slow
def test_sentences_are_framed_with_their_check(line: tuple[Path, list[str]], tmp_path: Path) -> None:
    """Each sentence is a frame, its check the xor of NMEA 0183 as hex digits; no check fails."""
    vcd, sent = line
    document = tapwright("frames", str(vcd), "--out", str(tmp_path / "frames.csv"))
    with (tmp_path / "frames.csv").open() as file:
        frames = [bytes.fromhex(row["hex"]).decode("ascii") for row in csv.DictReader(file)]
    assert frames == sent
    check = document["checks"][0]  # type: ignore[index]
    assert (check["kind"], check["encoding"], check["failed"]) == ("xor8", "hex", 0)
