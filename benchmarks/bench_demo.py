"""The demo's own work against its limit of 10 s, and the first live reading against 1 s after `serve` starts."""

from __future__ import annotations

import json
import subprocess
import sys

from benchmarks.row import Row

WORK_LIMIT_S, FIRST_LIMIT_S = 10.0, 1.0


def run() -> list[Row]:
    """Run `demo --once` as a user would and read its own figures."""
    done = subprocess.run([sys.executable, "-m", "tapwright", "demo", "--once", "--json"], capture_output=True,
                          text=True, check=True)
    document = json.loads(done.stdout)
    return [
        Row("demo work / 10 s", document["seconds"] / WORK_LIMIT_S, 1.0, at_least=False,
            detail=f"{document['seconds']:.2f} s for all steps"),
        Row("first live reading / 1 s", document["first_reading_s"] / FIRST_LIMIT_S, 1.0, at_least=False,
            detail=f"{document['first_reading_s']:.2f} s from the start of the server's process to a client"),
    ]
