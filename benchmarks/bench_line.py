"""Rate error against its bound, and how quickly a small file is answered."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from benchmarks.rate_error import Case, bound_ticks, one_case
from benchmarks.row import Row
from benchmarks.timing import fastest_s

HERE = Path(__file__).parent
BYTES = (30, 100, 300, 1000)
SAMPLES = (4.0, 8.3, 20.0, 60.0)
CASES = 60


def run() -> list[Row]:
    """Measure; also draw `results/line-rate.svg`."""
    rows, curves = [], {}
    for samples in SAMPLES:
        points = []
        for n in BYTES:
            cases = [one_case(seed, n, samples) for seed in range(CASES)]
            ratio = float(np.sqrt(np.mean([(case.error_ticks / bound_ticks(case)) ** 2 for case in cases])))
            outside = float(np.mean([abs(case.error_ticks) > 2 * case.sigma_ticks for case in cases]))
            points.append((n, _rms_ppm(cases)))
            if n >= 100:
                rows.append(Row(f"rate error over its bound, {n} bytes, {samples:g} samples a bit", ratio, 1.25, False,
                                f"{outside:.1%} beyond two sigma of {CASES}"))
        curves[samples] = points
    _draw(curves)
    return [*rows, small_file()]


def _rms_ppm(cases: list[Case]) -> float:
    return float(np.sqrt(np.mean([(case.error_ticks / case.t) ** 2 for case in cases]))) * 1e6


def _draw(curves: dict[float, list[tuple[int, float]]]) -> None:
    from tapwright.draw.svg import INK, OPEN, SECOND, SETTLED, Plot

    ceiling = max(y for points in curves.values() for _, y in points)
    plot = Plot.make("Error of the measured rate", "r.m.s. error in parts per million against bytes",
                     x_range=(1.3, 3.1), y_range=(0, float(np.log10(ceiling)) + 0.2),
                     x_label="bytes, power of ten", y_label="error in ppm, power of ten")
    for (samples, points), colour in zip(curves.items(), (SETTLED, OPEN, SECOND, INK), strict=True):
        line = [(float(np.log10(n)), float(np.log10(y))) for n, y in points]
        plot.curve(line, colour)
        plot.canvas.text(plot.x(line[-1][0]) + 4, plot.y(line[-1][1]), f"{samples:g} a bit", size=11, colour=colour)
    (HERE / "results").mkdir(exist_ok=True)
    (HERE / "results" / "line-rate.svg").write_text(plot.canvas.svg(), encoding="utf-8")


def small_file() -> Row:
    """A capture of 200 bytes: the whole process beside the start of Python with numpy."""
    r = random.Random(3)
    levels = [1] * 300
    for value in r.randbytes(200):
        for bit in (0, *(value >> k & 1 for k in range(8)), 1):
            levels += [bit] * 10
    levels += [1] * 300
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "small.bin"
        path.write_bytes(bytes(levels))
        # Byte code is kept, as for any user; without it every start would compile.
        env = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
        env["PYTHONPYCACHEPREFIX"] = folder + "/cache"
        start = fastest_s([sys.executable, "-c", "import numpy"], env=env)
        command = [str(Path(sys.executable).with_name("tapwright")), "line", str(path), "--rate", "96000"]
        said = subprocess.run(command, env=env, capture_output=True, text=True, check=True).stdout
        if "9600 8N1, 200 bytes" not in said:
            raise AssertionError(said)
        whole = fastest_s(command, env=env)
    return Row("small file: line / start of Python with numpy", whole / start, 2.0, False,
               f"{whole:.3f} s, {start:.3f} s")
