"""Run the benchmarks: `python -m benchmarks [NAME]...`; every module `bench_NAME.py` has `run() -> list[Row]`.

The rows are printed and written to `benchmarks/results/`, with the date and the hardware.
"""

from __future__ import annotations

import datetime
import importlib
import os
import pkgutil
import platform
import sys
from pathlib import Path

from benchmarks.row import Row

HERE = Path(__file__).parent


def main(wanted: list[str]) -> int:
    """Run the named benchmarks, or all; return 1 when a row misses its limit."""
    names = sorted(info.name for info in pkgutil.iter_modules([str(HERE)]) if info.name.startswith("bench_"))
    chosen = [name for name in names if not wanted or name.removeprefix("bench_") in wanted]
    if not chosen:
        print("no such benchmark; there are: " + ", ".join(name.removeprefix("bench_") for name in names))
        return 2
    missed = False
    for name in chosen:
        print(f"{name} ...", flush=True)
        rows: list[Row] = importlib.import_module(f"benchmarks.{name}").run()
        lines = [row.line() for row in rows]
        print("\n".join(lines), flush=True)
        missed |= any(not row.ok for row in rows)
        results = HERE / "results"
        results.mkdir(exist_ok=True)
        head = f"{datetime.date.today().isoformat()}, {platform.machine()}, {os.cpu_count()} cores, " \
               f"{_cpu()}, Python {platform.python_version()}"
        (results / f"{name.removeprefix('bench_')}.md").write_text(
            f"# {name.removeprefix('bench_')}\n\n{head}\n\n" + "\n".join(f"- {line}" for line in lines) + "\n",
            encoding="utf-8")
    return int(missed)


def _cpu() -> str:
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return platform.processor() or "unknown processor"
    return next((line.split(":", 1)[1].strip() for line in text.splitlines() if line.startswith("model name")),
                "unknown processor")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
