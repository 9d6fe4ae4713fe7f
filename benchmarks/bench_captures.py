"""Captures of any size: whole processes, files cached, beside small C programs and general libraries.

The files are made here and removed; they need 5 GB of disk and some minutes.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.row import Row
from benchmarks.timing import Cost, fastest, fastest_in_turn

HERE = Path(__file__).parent
PYTHON = sys.executable
TAPWRIGHT = str(Path(sys.executable).with_name("tapwright"))
SPB = 8


def run() -> list[Row]:
    """Measure all; a compiler and a simulator that are not there leave their rows out."""
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        folder = Path(name)
        start = fastest([PYTHON, "-c", "import numpy"])
        if shutil.which("gcc"):
            for source in ("edges", "vcd"):
                subprocess.run(["gcc", "-O3", "-o", folder / source, HERE / "reference" / f"{source}.c"], check=True)
            for megabytes in (500, 2400):
                rows += _packed(folder, megabytes)
            rows += _bytes(folder, start)
        if shutil.which("iverilog"):
            rows += _dump(folder, start)
        rows += _tables(folder, start)
    return rows


def serial(values: NDArray[np.uint8], samples_per_bit: int, pause_bits: int = 0) -> NDArray[np.uint8]:
    """Return samples of 8N1 characters, one a byte, idle 1."""
    bits = np.ones((len(values), 10 + pause_bits), np.uint8)
    bits[:, 0] = 0
    bits[:, 1:9] = (values[:, None] >> np.arange(8)) & 1
    return np.repeat(bits.ravel(), samples_per_bit)


def _packed(folder: Path, megabytes: int) -> list[Row]:
    """Two lines, a tenth of the time busy."""
    r = np.random.default_rng(1)
    a, b = serial(r.integers(0, 256, 200, np.uint8), 100), serial(r.integers(0, 256, 100, np.uint8), 200)
    burst = a | b[:len(a)] << 1
    block = burst.tobytes() + bytes([3]) * (9 * len(burst))
    path = folder / "packed.bin"
    with path.open("wb") as file:
        for _ in range(megabytes * 1_000_000 // len(block)):
            file.write(block)
    os.sync()  # what is still being written to disk slows whoever runs first
    start, reference, ours = fastest_in_turn([PYTHON, "-c", "import numpy"], [str(folder / "edges"), str(path)],
                                             [TAPWRIGHT, "line", str(path), "--rate", "1e6"])
    path.unlink()
    return [Row(f"packed {megabytes} MB: (start of Python with numpy + C) / line",
                (start.seconds + reference.seconds) / ours.seconds, 0.4, True,
                f"{ours.seconds:.2f} s, C {reference.seconds:.2f} s, start {start.seconds:.2f} s"),
            Row(f"packed {megabytes} MB: peak memory, MB", ours.peak_mb, 300, False)]


def _bytes(folder: Path, start: Cost, millions: int = 20) -> list[Row]:
    """File to bytes with the table written."""
    r = np.random.default_rng(2)
    path = folder / "busy.bin"
    with path.open("wb") as file:
        file.write(bytes([1]) * 400)
        for _ in range(millions):
            file.write(serial(r.integers(0, 256, 1_000_000, np.uint8), SPB).tobytes())
        file.write(bytes([1]) * 400)
    os.sync()
    out, other = folder / "c.csv", folder / "ours.csv"
    reference = fastest([str(folder / "edges"), str(path), str(out), str(SPB)], runs=2)
    ours = fastest([TAPWRIGHT, "line", str(path), "--rate", "1e6", "--bytes", str(other)], runs=2)
    same = subprocess.run(["cmp", "-s", out, other], check=False).returncode == 0
    for file_ in (path, out, other):
        file_.unlink()
    return [Row(f"file to {millions} million bytes as CSV: (start + C) / line --bytes",
                (start.seconds + reference.seconds) / ours.seconds, 0.4, True,
                f"{ours.seconds:.2f} s, C {reference.seconds:.2f} s, {ours.peak_mb:.0f} MB, "
                f"tables {'the same' if same else 'DIFFER'}")]


DUMP = """
`timescale 1ns/1ns
module tb; reg [7:0] l = 255; integer i, s = 1; initial begin $dumpfile("big.vcd");
  $dumpvars(1, a, b, c, d); for (i = 0; i < 6800000; i = i + 1) begin #(1 + ($random(s) & 7)) l = $random(s); end
  $finish; end
  wire a = l[0], b = l[1], c = l[2], d = l[3];
endmodule
"""
WALK = """
import sys, pywellen
wave = pywellen.Waveform(sys.argv[1])
for var in wave.all_vars():
    changes = [(time, value) for time, value in var.tv]
"""
READ = """
import sys
from pathlib import Path
from tapwright.evidence.captures import read_capture
read_capture(Path(sys.argv[1]))
"""


def _dump(folder: Path, start: Cost) -> list[Row]:
    (folder / "tb.v").write_text(DUMP, encoding="ascii")
    for command in (["iverilog", "-o", "tb.vvp", "tb.v"], ["vvp", "-n", "tb.vvp"]):
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
    path = folder / "big.vcd"
    size = path.stat().st_size / 1e6
    ours = fastest([PYTHON, "-c", READ, str(path)], runs=3)
    library = fastest([PYTHON, "-c", WALK, str(path)], runs=2)
    rows = [Row(f"dump of {size:.0f} MB to edges: pywellen / ours", library.seconds / ours.seconds, 1, True,
                f"{ours.seconds:.2f} s, pywellen {library.seconds:.2f} s, {ours.peak_mb:.0f} MB")]
    if (folder / "vcd").exists():
        reference = fastest([str(folder / "vcd"), str(path)], runs=3)
        rows.append(Row(f"dump of {size:.0f} MB to edges: (start + C) / ours",
                        (start.seconds + reference.seconds) / ours.seconds, 0.5, True, f"C {reference.seconds:.2f} s"))
    path.unlink()
    return rows


POLARS = """
import sys, polars
polars.read_csv(sys.argv[1])
"""


def _tables(folder: Path, start: Cost) -> list[Row]:
    """Every sample, and only the changes."""
    r = np.random.default_rng(4)
    n = 6_400_000
    rows = []
    for what in ("every sample", "only the changes"):
        path = folder / "big.csv"
        ticks = np.arange(n) if what == "every sample" else np.cumsum(r.integers(1, 40, n))
        a, b = (np.arange(n) // 9 & 1, np.arange(n) // 23 & 1) if what == "every sample" else (
            np.arange(n) & 1, np.arange(n) // 3 & 1)
        with path.open("w", encoding="ascii") as file:
            file.write("t_s,a,b\n")
            for i in range(0, n, 100_000):
                part = slice(i, i + 100_000)
                file.write("".join(f"{t / 1e6:.6f},{x},{y}\n" for t, x, y in
                                   zip(ticks[part].tolist(), a[part].tolist(), b[part].tolist(), strict=True)))
        size = path.stat().st_size / 1e6
        ours = fastest([PYTHON, "-c", READ, str(path)], runs=3)
        library = fastest([PYTHON, "-c", POLARS, str(path)], runs=3)
        rows.append(Row(f"table of {size:.0f} MB, {what}: polars / ours", library.seconds / ours.seconds, 0.5, True,
                        f"{ours.seconds:.2f} s to edges, polars {library.seconds:.2f} s to a frame, "
                        f"{ours.peak_mb:.0f} MB"))
        path.unlink()
    return rows
