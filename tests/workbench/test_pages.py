"""The whole demo job by mouse and keyboard: from an empty folder and dropped files to a proven live page and a dossier."""

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

from tapwright.synth.job_folder import write_answer, write_job

SEED = 5
WAIT_MS = 120_000


def shown_at(truth: list[dict[str, Any]], start_s: float, end_s: float) -> str:
    """What the pretend display showed in the middle of a stretch, typed as a person would."""
    middle = (start_s + end_s) / 2
    face = min(truth, key=lambda row: abs(row["t_s"] - middle))
    return " ".join([face["display"] or "blank", face["unit"], *face["flags"]])


def drop(page: Any, kind: str, *files: Path) -> None:
    """Choose files in the drop place of a kind, and wait until the page lists or takes them."""
    page.set_input_files(f".drop[data-drop='{kind}'] input[type=file] >> nth=0", [str(file) for file in files])
    page.wait_for_load_state("networkidle")


def type_labels(page: Any, capture: str, truth: list[dict[str, Any]]) -> None:
    """List a capture's stretches and type for each what the display showed."""
    page.wait_for_selector(f"select.capture option:has-text('{capture}')", state="attached")
    page.select_option("select.capture", capture)
    page.click("text=List its unchanged stretches")
    page.wait_for_selector("[data-labelling] form.stretches:not([hidden])", timeout=WAIT_MS)
    for row in page.query_selector_all("[data-labelling] form.stretches tbody tr"):
        start, end = (float(row.get_attribute(f"data-{name}")) for name in ("start", "end"))
        row.query_selector("input").fill(shown_at(truth, start, end))
    page.click("form.stretches >> text=Keep these labels")
    page.wait_for_selector("#said[data-kind=done]:has-text('labelled')")


def answer(page: Any, url: str, question: str, words: str) -> None:
    """Wait until a question's answer holds some words."""
    page.goto(f"{url}/q/{question}")
    page.wait_for_selector(f"[data-live=answer]:has-text('{words}')", timeout=WAIT_MS)


@needs_chromium
@pytest.mark.slow
def test_the_whole_job_by_mouse_and_keyboard(tmp_path: Path) -> None:
    """Drop, type, keep, prove, watch live, write the dossier; no console error on the way."""
    evidence, folder = tmp_path / "evidence", tmp_path / "job"
    evidence.mkdir()
    write_job(evidence, SEED)
    truth = json.loads((evidence / "truth.json").read_text())["frames"]
    subprocess.run([sys.executable, "-m", "tapwright", "new", str(folder)], check=True, capture_output=True)
    with workbench(folder) as bench, browser() as (page_, trouble):
        page: Any = page_
        page.set_default_timeout(WAIT_MS)
        url = bench.url
        page.goto(f"{url}/q/pads")
        drop(page, "survey", evidence / "survey.csv")
        drop(page, "capture", evidence / "captures" / "linking.csv")
        answer(page, url, "pads", "pad")
        page.goto(f"{url}/q/line")
        drop(page, "capture", evidence / "captures" / "first.vcd")
        answer(page, url, "line", "talks at")
        page.goto(f"{url}/q/mask")
        drop(page, "radio", evidence / "radio" / "first.csv")
        page.goto(f"{url}/q/coverage")
        page.fill("#text-job", (evidence / "job.toml").read_text())
        page.click("[data-text=job] button")
        page.wait_for_timeout(500)
        page.goto(f"{url}/q/map")
        type_labels(page, "first.vcd", truth["first.vcd"])
        answer(page, url, "map", "places")
        for turn in (1, 2, 3):
            wants = json.loads((folder / "journal" / "answers" / "map.json").read_text())["answer"]["document"]["next"]
            name = write_answer(evidence, SEED, [item["want"] for item in wants], turn) if wants else None
            if name is None:
                break
            rows = [line.split(",") for line in (evidence / "labels.csv").read_text().splitlines() if line.startswith(name)]
            drop(page, "capture", evidence / "captures" / name)
            page.goto(f"{url}/q/map")
            # Its labels come from a sheet here: typed stretches were shown above.
            grid = page.query_selector("[data-grid=labels]")
            for cells in rows:
                page.click("text=Another row")
                line = grid.query_selector_all("tbody tr")[-1].query_selector_all("input")
                for cell, words in zip(line, cells, strict=True):
                    cell.fill(words)
            page.wait_for_timeout(1500)
            answer(page, url, "map", "places")
        page.goto(f"{url}/q/map")
        # The button waits for the answer by itself: a click before it is there does nothing.
        page.click("button:has-text('Keep this reading map'):enabled")
        page.wait_for_selector("#said[data-kind=done]:has-text('kept in instrument.toml')")
        page.wait_for_selector("[data-live=keep]:has-text('holds exactly this reading map')")
        page.goto(f"{url}/q/coverage")
        drop(page, "capture", evidence / "captures" / "second.csv")
        page.goto(f"{url}/q/coverage")
        drop(page, "proof-labels", evidence / "labels-proof.csv")
        answer(page, url, "coverage", "every label is right, and all that the job demands was seen")
        page.goto(f"{url}/live")
        page.fill("[name=source]", "replay:captures/second.csv?loop=yes")
        with page.expect_navigation():
            page.click("text=Start")
        live = page.get_attribute("#live-link", "href")
        page.goto(live)
        page.wait_for_selector("live-reading[data-state=ok]")
        page.wait_for_selector("trend-line[data-points]:not([data-points='0'])")
        assert page.query_selector("found-steps ol li") is not None
        page.goto(f"{url}/dossier")
        page.click("text=Write the dossier")
        page.wait_for_selector("text=dossier.html")
        page.goto(f"{url}/dossier.html")
        assert "every label is right" in page.inner_text("body")
        assert trouble == []


@needs_chromium
@pytest.mark.slow
@pytest.mark.skipif(not AXE.exists(), reason="needs axe-core (npm ci in tests/node)")
def test_pages_are_accessible_and_fit_a_phone(tmp_path: Path) -> None:
    """axe-core finds nothing serious on any page, wide or 390 pixels narrow; nothing scrolls sideways there."""
    write_job(tmp_path, SEED)
    with workbench(tmp_path) as bench, browser(width=390, height=844) as (page_, trouble):
        page: Any = page_
        for path in ("/", "/q/pads", "/q/line", "/q/map", "/q/coverage", "/q/supply", "/q/agreement", "/journal", "/live",
                     "/dossier"):
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
