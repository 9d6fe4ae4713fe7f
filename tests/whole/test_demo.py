"""The whole thread: the demo succeeds on any instrument its generator draws, and ends on proven live readings."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.slow
@pytest.mark.parametrize("seed", [None, 1, 7])
def test_the_demo_proves_another_instrument_on_every_seed(seed: int | None, tmp_path: Path) -> None:
    """Other rate, form, frame length, map, check and key: no step knows the demo's answer."""
    extra = [] if seed is None else ["--seed", str(seed)]
    done = subprocess.run([sys.executable, "-m", "tapwright", "demo", "--once", "--json", "--dir", str(tmp_path / "job"),
                           *extra], capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr + done.stdout[-2000:]
    document = json.loads(done.stdout)
    assert document["wrong"] == []
    assert len(document["readings"]) == 10
    assert document["proof"]["verdict"] == "proven"
    # The first labels miss one range on purpose: the demo must have found unproven readings before the last capture.
    assert "are unproven" in done.stderr
    truth = json.loads((tmp_path / "job" / "truth.json").read_text())
    assert f"label {truth['wrong_label']} contradicts all the others" in done.stderr
    found = json.loads((tmp_path / "job" / "report" / "found" / "found.json").read_text())
    line = next(step for step in found["steps"] if step["id"] == "line")
    assert f"{truth['baud']} 8{truth['parity']}" in line["answer"]


def test_the_demo_does_not_write_over_a_folder_of_yours(tmp_path: Path) -> None:
    """A folder with other files is refused before anything is written."""
    (tmp_path / "notes.txt").write_text("mine")
    done = subprocess.run([sys.executable, "-m", "tapwright", "demo", "--once", "--dir", str(tmp_path)],
                          capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert "holds files that are not a demo's" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
