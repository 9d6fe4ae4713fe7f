"""The whole demo job by mouse and keyboard: from an empty folder and dropped files to a proven live page and a dossier.

Files are dragged in by Chromium's own input, everything else is clicked and typed. What the pretend display showed comes
from the generator's truth, which no question reads.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.workbench.house import browser, drag, needs_chromium, until, workbench

from tapwright.synth.job_folder import offsets_s, write_answer, write_job

SEED = 5  # any will do: nothing on the pages knows it
WAIT_MS = 120_000
MISREAD = 11  # the stretch that the person misreads, from 0
Eye = Callable[[float], str]  # seconds of the capture's clock -> what the display showed then


def eye_on(frames: list[dict[str, Any]]) -> Eye:
    """What the pretend display showed, from the truth of every frame."""
    def look(at_s: float) -> str:
        face = min(frames, key=lambda row: abs(row["t_s"] - at_s))
        return " ".join([face["display"] or "blank", face["unit"], *face["flags"]])
    return look


def eye_on_rows(labels: Path, capture: str, clock_s: float) -> Eye:
    """The same from rows of a labels file whose clock is `clock_s` ahead."""
    with labels.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["capture"] == capture]

    def look(at_s: float) -> str:
        row = min(rows, key=lambda row: abs((float(row["start_s"]) + float(row["end_s"])) / 2 - clock_s - at_s))
        return " ".join([row["display"] or "blank", row["unit"], row["flags"]]).strip()
    return look


def misread(text: str) -> str:
    """The last digit of the number misread by four."""
    at = max(i for i, char in enumerate(text.partition(" ")[0]) if char.isdigit())
    return text[:at] + str((int(text[at]) + 4) % 10) + text[at + 1:]


def label_on_the_strip(page: Any, capture: str, eye: Eye, *, wrong: int | None = None) -> int:
    """Pick a capture's first stretch on its strip, then type what was shown and press Enter, stretch after stretch."""
    page.wait_for_selector(f"select.capture option:has-text('{capture}')", state="attached")
    page.select_option("select.capture", capture)
    if not page.is_visible("form.stretches"):  # where one is listed, choosing another lists that
        page.click("text=List its unchanged stretches")
    page.wait_for_selector(f"form.stretches[data-capture='{capture}']:not([hidden])")
    rows = page.locator("form.stretches tbody tr")
    spans = [tuple(float(rows.nth(i).get_attribute(f"data-{side}")) for side in ("start", "end"))
             for i in range(rows.count())]
    page.locator(".strip button").first.click()
    for i, (start_s, end_s) in enumerate(spans):
        # The keyboard alone: Enter has moved on to this stretch, and the strip marks it.
        assert page.evaluate("document.activeElement.closest('tr').sectionRowIndex") == i
        assert page.locator(".strip button[data-here]").get_attribute("data-i") == str(i)
        text = eye((start_s + end_s) / 2)
        page.keyboard.type(misread(text) if i == wrong else text)
        page.keyboard.press("Enter")
        until(page, "i => document.querySelectorAll('.strip button')[i].hasAttribute('data-kept')", i)
        if i + 1 < len(spans):
            until(page, "i => document.activeElement.closest('tr')?.sectionRowIndex === i", i + 1)
    return len(spans)


def answered(page: Any, words: str) -> None:
    """Wait, on the question's page, until its answer holds some words."""
    page.wait_for_selector(f"[data-live=answer]:has-text('{words}')")


def go(page: Any, question: str) -> None:
    """Go to a question by its name at the top of the page."""
    page.click(f".stations a:has-text('{question}')")
    page.wait_for_selector(f"h1:has-text('{question}')")


@needs_chromium
@pytest.mark.slow
def test_the_whole_job_by_mouse_and_keyboard(tmp_path: Path) -> None:
    """Drop, label, correct, keep, edit, prove, watch live, write board files and dossier; no console error on the way."""
    evidence, folder = tmp_path / "evidence", tmp_path / "job"
    evidence.mkdir()
    write_job(evidence, SEED)
    truth = json.loads((evidence / "truth.json").read_text())
    subprocess.run([sys.executable, "-m", "tapwright", "new", str(folder)], check=True, capture_output=True)
    with workbench(folder) as bench, browser() as (page_, trouble):
        page: Any = page_
        page.set_default_timeout(WAIT_MS)
        page.goto(bench.url)
        wire(page, evidence)
        reading_map(page, evidence, folder, truth)
        description(page, folder)
        proof(page, evidence)
        cells_and_agreement(page, evidence)
        live(page, truth["frames"]["second.csv"])
        written(page, folder)
        page.click("text=Journal of changes")
        page.wait_for_selector("h1:has-text('Journal of changes')")
        journal = page.inner_text("tbody")
        assert all(words in journal for words in ("dropped first.vcd", "edited the description", "the board's files",
                                                  "dossier"))
        assert trouble == []


def wire(page: Any, evidence: Path) -> None:
    """Pads, line, frames, mask: from dropped files."""
    go(page, "What does each pad do?")
    drag(page, "survey", evidence / "survey.csv")
    drag(page, "capture", evidence / "captures" / "linking.csv")
    answered(page, "pad 5 at high opens the data")
    go(page, "Which line talks, and how?")
    drag(page, "capture", evidence / "captures" / "first.vcd")
    answered(page, "talks at")
    go(page, "What hides the radio side?")
    drag(page, "radio", evidence / "radio" / "first.csv")
    answered(page, "A fixed mask")
    page.click("button:has-text('Keep this mask'):enabled")
    page.wait_for_selector("#said[data-kind=done]:has-text('kept in mask.toml')")
    go(page, "What have we not seen yet?")
    drag(page, "job", evidence / "job.toml")


def reading_map(page: Any, evidence: Path, folder: Path, truth: dict[str, Any]) -> None:
    """Label on the strip with one misread, correct it where the page says so, show what it asks for, keep the map."""
    go(page, "What makes the number?")
    eye = eye_on(truth["frames"]["first.vcd"])
    label_on_the_strip(page, "first.vcd", eye, wrong=MISREAD)
    answered(page, f"Label {MISREAD + 1} contradicts the others")
    page.click(f".wrong-rows li:has-text('Row {MISREAD + 1}:') button")
    cells = page.locator(f"[data-grid=labels] tbody tr >> nth={MISREAD} >> input")
    assert cells.nth(3).evaluate("cell => cell === document.activeElement"), "Correct it goes to the display's cell"
    start_s, end_s = (float(cells.nth(i).input_value()) for i in (1, 2))
    page.keyboard.press("Control+A")
    page.keyboard.type(eye((start_s + end_s) / 2).partition(" ")[0])
    page.wait_for_selector("[data-live=answer]:not(:has-text('contradicts')):has-text('places')")
    for turn in (1, 2, 3):
        wants = json.loads((folder / "journal" / "answers" / "map.json").read_text())["answer"]["document"]["next"]
        name = write_answer(evidence, SEED, [item["want"] for item in wants], turn) if wants else None
        if name is None:
            break
        drag(page, "capture", evidence / "captures" / name)
        page.wait_for_selector(f"select.capture option:has-text('{name}')", state="attached")
        label_on_the_strip(page, name, eye_on_rows(evidence / "labels.csv", name, offsets_s(SEED)[0]))
        page.wait_for_selector(f"[data-live=answer]:has-text('{name}')")
    answered(page, ", 0 are open")
    page.click("button:has-text('Keep this reading map'):enabled")
    page.wait_for_selector("#said[data-kind=done]:has-text('kept in instrument.toml')")
    page.wait_for_selector("[data-live=keep]:has-text('holds exactly this reading map')")


def description(page: Any, folder: Path) -> None:
    """Edit the description by hand: a wrong key is said while it is typed, a new name is kept."""
    before = (folder / "instrument.toml").read_bytes()
    page.click("#text-instrument")
    page.keyboard.press("Control+Home")
    page.keyboard.type("colour = 3\n")
    page.wait_for_selector("[data-text=instrument] .complaint:has-text('colour')")
    assert (folder / "instrument.toml").read_bytes() == before, "what is only typed is not kept"
    for _ in range(len("colour = 3\n")):
        page.keyboard.press("Backspace")
    page.wait_for_selector("[data-text=instrument] .complaint", state="hidden")
    text = page.input_value("#text-instrument")
    line = next(line for line in text.splitlines() if line.startswith("name = "))
    page.locator("#text-instrument").evaluate("(area, at) => area.setSelectionRange(at, at)", text.index(line) + len(line) - 1)
    page.keyboard.type(", pond 3")
    page.click("[data-text=instrument] button:has-text('Keep it')")
    page.wait_for_selector("#said[data-kind=done]:has-text('instrument.toml is kept')")
    assert ", pond 3\"" in (folder / "instrument.toml").read_text()


def proof(page: Any, evidence: Path) -> None:
    """Another capture and its labels: the proof runs by itself."""
    go(page, "What have we not seen yet?")
    drag(page, "capture", evidence / "captures" / "second.csv")
    drag(page, "proof-labels", evidence / "labels-proof.csv")
    answered(page, "every label is right, and all that the job demands was seen")


def cells_and_agreement(page: Any, evidence: Path) -> None:
    """The supply plan changes as a number is moved; agreement from dropped readings."""
    go(page, "Will the cells carry it?")
    drag(page, "supply", evidence / "supply.toml")
    answered(page, "Yes")
    page.wait_for_selector(".tried:has-text('With these numbers: works')")
    amps = page.locator(".numbers-of label:has-text('load.amps') input").last
    amps.click()
    page.keyboard.press("Control+A")
    page.keyboard.type("9")
    page.wait_for_selector(".tried:has-text('With these numbers: fails')")
    go(page, "Does it still agree?")
    for kind, name in (("reference", "reference.csv"), ("meter", "meter.csv"), ("spec", "spec.toml")):
        drag(page, kind, evidence / "agreement" / name)
    answered(page, "all 12 points lie within the limits")


def live(page: Any, shown: list[dict[str, Any]]) -> None:
    """Start the live reading, watch it on the workbench and on its own page."""
    page.click("text=The live reading")
    page.click("[name=source]")
    page.keyboard.press("Control+A")
    page.keyboard.type("replay:captures/second.csv?loop=yes")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    faces = {f"{row['display']} {row['unit']}" for row in shown}
    seen = set()
    for _ in range(2):  # it is watched: the figure changes by itself
        until(page, "seen => /\\d/.test(document.querySelector('[data-live-reading] .big').textContent)"
                    " && !seen.includes(document.querySelector('[data-live-reading] .big').textContent)", sorted(seen))
        seen.add(page.inner_text("[data-live-reading] .big"))
    assert {text.replace("−", "-") for text in seen} <= faces
    assert page.inner_text("[data-live-reading] .note").endswith("ok")
    with page.expect_popup() as popup:
        page.click("#live-link")
    readout = popup.value
    readout.wait_for_selector("live-reading[data-state=ok]")
    readout.wait_for_selector("trend-line[data-points]:not([data-points='0'])")
    readout.wait_for_selector("found-steps ol li:has-text('every label is right')")
    assert ", pond 3" in readout.inner_text("#name")
    readout.close()
    page.click("text=Stop it")
    page.wait_for_selector("#live-link", state="detached")


def written(page: Any, folder: Path) -> None:
    """Board files and the dossier, HTML and PDF."""
    page.click("text=Dossier and board files")
    page.click("text=Write the board's files")
    page.wait_for_selector("li:has-text('board/c/reading.c')")
    assert "int " in (folder / "board" / "c" / "reading.c").read_text()
    page.click("text=Write the dossier")
    page.wait_for_selector("a:has-text('dossier.pdf')")
    assert (folder / "report" / "dossier.pdf").read_bytes().startswith(b"%PDF")
    with page.expect_popup() as popup:
        page.click("a:has-text('dossier.html')")
    popup.value.wait_for_load_state()
    text = popup.value.inner_text("body")
    popup.value.close()
    for part in ("The tap sheet", "The lines", "The check", "The mask", "every label is right", "The checks",
                 "all 12 points lie within the limits", "Before anyone repeats this", "The description, whole", ", pond 3"):
        assert part in text, part
