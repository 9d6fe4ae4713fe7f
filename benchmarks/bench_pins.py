"""Pads: 200 pads by 40 states, findings and advice together, against the issue's second."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchmarks.row import Row

PADS, STATES = 200, 40


def survey_text(seed: int = 1) -> str:
    """Return a survey of that size: rails, lines at random levels, data averages, loose pads, one cell in ten blank."""
    rng = random.Random(seed)
    rows = ["pad," + ",".join(f"state {k}" for k in range(STATES))]
    for pad in range(PADS):
        kind = rng.choice(["ground", "supply", "high", "low", "line", "line", "line", "data", "loose"])
        rest = rng.uniform(0, 0.1)
        cells = []
        for _ in range(STATES):
            volts = {"ground": 0.0, "low": 0.0, "supply": 3.0, "high": 3.0, "line": 3.0 * rng.getrandbits(1),
                     "data": rng.choice([3.0, rng.uniform(1.2, 2.8)]), "loose": rest}[kind]
            volts = max(0.0, volts * 0.997 + rng.uniform(-0.02, 0.02))
            cells.append("" if rng.random() < 0.1 and pad else f"{volts:.2f}")
        rows.append(f"{pad + 1}," + ",".join(cells))
    return "\n".join(rows) + "\n"


def run() -> list[Row]:
    """Time reading, finding, advising and the JSON document, in a process with one thread as the command has it."""
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    out = subprocess.run([sys.executable, "-m", "benchmarks.bench_pins"], env=env, check=True, capture_output=True)
    spent, wall = json.loads(out.stdout)
    detail = f"wall {min(wall):.2f} s, first call {spent[0]:.2f} s of processor"
    return [Row(f"pins, {PADS} pads by {STATES} states, processor s", min(spent), 1.0, False, detail)]


def timed() -> tuple[list[float], list[float]]:
    """Return processor and wall seconds of three calls, the first of which lays the circuits out."""
    from tapwright.evidence.survey import read_survey
    from tapwright.pins.find import find_pads
    from tapwright.pins.report import document

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "survey.csv"
        path.write_text(survey_text(), encoding="utf-8")
        spent, wall = [], []
        for _ in range(3):
            cpu, clock = time.process_time(), time.perf_counter()
            document(find_pads(read_survey(path), supply_v=3.0))
            spent.append(time.process_time() - cpu)
            wall.append(time.perf_counter() - clock)
    return spent, wall


if __name__ == "__main__":
    print(json.dumps(timed()))
