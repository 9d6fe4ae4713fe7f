"""The workbench's pages in a real Chromium: accessible, fit for a phone, and deaf to script in the evidence."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from tests.workbench.house import AXE, browser, needs_chromium, serious_findings, workbench

from tapwright.synth.job_folder import write_job

SEED = 5


@needs_chromium
@pytest.mark.slow
@pytest.mark.skipif(not AXE.exists(), reason="needs axe-core (npm ci in tests/node)")
def test_pages_are_accessible_and_fit_a_phone(tmp_path: Path) -> None:
    """axe-core finds nothing serious on any page or in the dossier at 390 pixels; nothing scrolls sideways there."""
    write_job(tmp_path, SEED)
    subprocess.run([sys.executable, "-m", "tapwright", "report", str(tmp_path)], check=True, capture_output=True)
    with workbench(tmp_path) as bench, browser(width=390, height=844) as (page_, trouble):
        page: Any = page_
        for path in ("/", "/q/pads", "/q/line", "/q/map", "/q/coverage", "/q/supply", "/q/agreement", "/journal", "/live",
                     "/dossier", "/dossier.html"):
            page.goto(bench.url + path)
            assert serious_findings(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= 391, path
        assert trouble == []


@needs_chromium
@pytest.mark.slow
def test_nothing_in_the_evidence_runs_in_the_page(tmp_path: Path) -> None:
    """Names, labels, units and notes with script in them stay text on every page."""
    payload = "<img src=x onerror=document.title='owned'><script>document.title='owned'</script>"
    write_job(tmp_path, SEED)
    quoted = json.dumps(payload)
    (tmp_path / "job.toml").write_text(f"name = {quoted}\nunits = [{quoted}]\nflags = [{quoted}]\n")
    rows = (tmp_path / "labels.csv").read_text().splitlines()
    (tmp_path / "labels.csv").write_text("\n".join([*rows, f'first.vcd,1,2,8,"{payload}",{random.Random(0).random()}']) + "\n")
    (tmp_path / "survey.csv").write_text(f'pad,note,off,on\n1,"{payload}",0,3\n2,,0,0\n')
    # Names in captures and words in captions are a stranger's too; a scope's name holds no blanks (IEEE 1364).
    name = payload.replace(" ", "/")
    (tmp_path / "captures" / "scopes.vcd").write_text(
        f"$timescale 1 us $end\n$scope module {name} $end\n$var wire 1 ! {name} $end\n$upscope $end\n"
        "$enddefinitions $end\n#0\n1!\n#100\n0!\n#200\n1!\n")
    (tmp_path / "captures" / "names.csv").write_text(f't_s,"{payload}"\n0,0\n1,1\n2,0\n')
    (tmp_path / "captures" / "said.vtt").write_text(f"WEBVTT\n\n00:01.000 --> 00:02.000\n{payload}\n")
    with workbench(tmp_path) as bench, browser() as (page_, _):
        page: Any = page_
        for path in ("/", "/q/pads", "/q/line", "/q/frames", "/q/map", "/q/coverage", "/journal", "/q/line"):
            page.goto(bench.url + path)
            time.sleep(0.3)
            assert page.title() != "owned"
