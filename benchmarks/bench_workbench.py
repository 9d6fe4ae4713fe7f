"""The workbench in a real browser: every page of the demo's job under 300 ms, a capture of 500 MB freezes nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path
from typing import Any

import numpy as np
from tests.workbench.house import Open, browser, workbench

from benchmarks.row import Row
from tapwright.synth.job_folder import write_job

SEED, PAGE_LIMIT_S, FROZEN_LIMIT_S, MEMORY_LIMIT_MB = 5, 0.3, 0.5, 300
SIZE, RATE_HZ, BIT = 500_000_000, 1_000_000, 104  # 104 samples a bit: 9600 baud
VISITS = 5
QUESTIONS = ("pads", "line", "frames", "mask", "map", "coverage", "supply", "agreement")
WATCH = """() => { let last = performance.now(); window.longest = 0;
  const see = (now) => {
    window.longest = Math.max(window.longest, now - last); last = now; requestAnimationFrame(see); };
  requestAnimationFrame(see); }"""


def run() -> list[Row]:
    """Return the rows."""
    with tempfile.TemporaryDirectory(prefix="bench-") as place:
        return [*_pages(Path(place) / "demo"), *_large(Path(place))]


def _pages(folder: Path) -> list[Row]:
    """Load each page of a job whose answers are all worked out."""
    folder.mkdir()
    write_job(folder, SEED)
    rows = []
    with workbench(folder) as bench, browser() as (page_, trouble):
        page: Any = page_
        page.goto(bench.url)
        quiet = 0
        while quiet < 3:  # nothing is being worked out, for a second and a half
            page.wait_for_timeout(500)
            quiet = 0 if page.query_selector(".work") else quiet + 1
        for path in ("/", *(f"/q/{name}" for name in QUESTIONS), "/journal", "/live", "/dossier"):
            times = []
            for _ in range(VISITS):
                page.goto(bench.url + path, wait_until="load")
                times.append(page.evaluate("performance.getEntriesByType('navigation')[0].loadEventStart") / 1000)
            rows.append((statistics.median(times), path))
        assert trouble == []
    slowest, where = max(rows)
    said = ", ".join(f"{path} {1000 * seconds:.0f}" for seconds, path in rows)
    return [Row("workbench: slowest page of the demo's job, s", slowest, PAGE_LIMIT_S, False,
                f"{where}; medians of {VISITS}, ms: {said}")]


def _large(place: Path) -> list[Row]:
    """Drop a capture on the page and have its line found; watch frames of the page and answers of the server."""
    capture = place / "long.bin"
    _write_capture(capture)
    folder = place / "job"
    subprocess.run([sys.executable, "-m", "tapwright", "new", str(folder)], check=True, capture_output=True)
    with workbench(folder) as bench, browser() as (page_, _):
        page: Any = page_
        page.set_default_timeout(300_000)
        page.goto(f"{bench.url}/q/line")
        page.evaluate(WATCH)
        with _Asking(bench) as asking:
            begun = time.monotonic()
            page.set_input_files(".drop[data-drop='capture'] input[type=file] >> nth=0", str(capture))
            page.wait_for_selector("#said[data-kind=done]:has-text('taken')")
            taken_s = time.monotonic() - begun
            page.fill("form[data-sampling='long.bin'] input[name=rate_hz]", str(RATE_HZ))
            page.click("form[data-sampling='long.bin'] button")
            page.wait_for_selector("[data-live=answer]:has-text('talks at')")
            answered_s = time.monotonic() - begun - taken_s
            longest_s = page.evaluate("window.longest") / 1000
        peak_mb = _peak_mb(bench)
    return [Row("workbench: 500 MB dropped, longest time between two frames of the page, s", longest_s, FROZEN_LIMIT_S,
                False, f"taken in {taken_s:.1f} s, its line found in {answered_s:.1f} s"),
            Row("workbench: 500 MB dropped, slowest answer of the server meanwhile, s", max(asking.waits, default=0.0),
                FROZEN_LIMIT_S, False, f"{len(asking.waits)} pages asked for"),
            Row("workbench: 500 MB dropped, server's peak memory, MB", peak_mb, MEMORY_LIMIT_MB, False)]


def _write_capture(path: Path) -> None:
    """Write packed samples, mostly idle: a frame of 8N1 bytes every half second."""
    rng = np.random.default_rng(3)
    frame = np.concatenate([np.concatenate([[0], byte >> np.arange(8) & 1, [1]]) for byte in rng.integers(0, 256, 12)])
    wave = np.repeat(frame.astype(np.uint8), BIT)
    with path.open("wb") as file:
        for _ in range(SIZE // (RATE_HZ // 2)):
            piece = np.ones(RATE_HZ // 2, np.uint8)
            piece[1000:1000 + len(wave)] = wave
            file.write(piece.tobytes())


class _Asking:
    """Asks the server for a page ten times a second, and keeps how long each answer took."""

    def __init__(self, bench: Open) -> None:
        self.url, self.waits, self._stop = f"{bench.url}/q/line", [], threading.Event()
        self._thread = threading.Thread(target=self._ask)

    def __enter__(self) -> _Asking:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _ask(self) -> None:
        while not self._stop.wait(0.1):
            begun = time.monotonic()
            with urllib.request.urlopen(self.url, timeout=60) as answer:
                answer.read()
            self.waits.append(time.monotonic() - begun)


def _peak_mb(bench: Open) -> float:
    """Return the most memory that the server's process has held, by the kernel's own count."""
    lines = (Path("/proc") / str(bench.pid) / "status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM:")) / 1024
