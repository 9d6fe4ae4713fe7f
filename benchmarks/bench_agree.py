"""`agree`: its start on two small tables beside Python with numpy, and its cost a row on a long time series."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmarks.row import Row

ROWS = 200_000


def run() -> list[Row]:
    """Measure both."""
    return [_start(), _long()]


def _start() -> Row:
    """Compare ten points in a fresh process; the peer is a process that imports numpy and ends."""
    with tempfile.TemporaryDirectory() as folder:
        names = [str(Path(folder) / name) for name in ("reference.csv", "meter.csv")]
        for name, off in zip(names, (0.0, 0.01), strict=True):
            Path(name).write_text("point,value\n" + "".join(f"p{i},{i + off * (i % 3):.3f}\n" for i in range(10)))
        own = _best(lambda: subprocess.run([sys.executable, "-m", "tapwright", "agree", *names], check=True,
                                           stdout=subprocess.DEVNULL), 5)
        theirs = _best(lambda: subprocess.run([sys.executable, "-c", "import numpy"], check=True), 5)
    return Row(what="agree, ten points, beside Python with numpy", value=own / theirs, limit=2.5, at_least=False,
               detail=f"{own:.2f} s and {theirs:.2f} s")


def _long() -> Row:
    """Compare 200,000 readings with a reference; the peer is numpy.loadtxt of both files and one numpy.interp."""
    from tapwright.agreement.compare import compare
    from tapwright.agreement.readings import read_readings

    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        names = [Path(folder) / name for name in ("reference.csv", "meter.csv")]
        t = np.arange(ROWS) * 0.3
        for name, noise in zip(names, (0.001, 0.01), strict=True):
            values = 8 + np.sin(t / 900) + rng.normal(0, noise, ROWS)
            rows = "\n".join(f"{a:.3f},{b:.4f}" for a, b in zip(t, values, strict=True))
            name.write_text(f"t_s,value\n{rows}\n")

        def ours() -> None:
            compare(read_readings(names[0]), read_readings(names[1]))

        def peer() -> None:
            (a, b), (c, d) = (np.loadtxt(name, delimiter=",", skiprows=1, unpack=True) for name in names)
            float((d - np.interp(c, a, b)).mean())

        own, theirs = _best(ours), _best(peer)
    return Row(what="agree, 200,000 pairs, beside numpy.loadtxt and numpy.interp", value=own / theirs, limit=12,
               at_least=False, detail=f"{own:.2f} s and {theirs:.2f} s")


def _best(work: Callable[[], object], times: int = 3) -> float:
    def once() -> float:
        start = time.perf_counter()
        work()
        return time.perf_counter() - start

    return min(once() for _ in range(times))
