"""Single things that a hand does on the workbench's pages, in a real Chromium: drop of every kind, stop, zoom, undo."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.workbench.house import Open, browser, drag, needs_chromium, until, workbench

from tapwright.job.folder import start_job
from tapwright.synth.job_folder import write_job
from tapwright.web.workbench.uploads import PLACES

SEED = 3
QUESTIONS = ("pads", "line", "frames", "mask", "map", "coverage", "supply", "agreement")
#: Of each kind of PLACES, a file of the pretend instrument's evidence.
EXAMPLES = {
    "capture": "captures/first.vcd", "radio": "radio/first.csv", "survey": "survey.csv", "labels": "labels.csv",
    "proof-labels": "labels-proof.csv", "subtitles": "said.vtt", "job": "job.toml", "supply": "supply.toml",
    "reference": "agreement/reference.csv", "meter": "agreement/meter.csv", "spec": "agreement/spec.toml",
}
pytestmark = [needs_chromium, pytest.mark.slow]


@pytest.fixture(scope="module")
def evidence(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pretend instrument's evidence, not yet on any workbench."""
    folder = tmp_path_factory.mktemp("evidence")
    write_job(folder, SEED)
    (folder / "said.vtt").write_text("WEBVTT\n\n00:01.000 --> 00:02.500\n6.82 mg/L AUTO\n")
    return folder


@pytest.fixture
def page() -> Iterator[Any]:
    """A page; nothing may have been complained of on its console at the end."""
    with browser() as (given, trouble):
        one: Any = given
        one.set_default_timeout(60_000)
        yield one
        assert trouble == []


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Open]:
    """A workbench on a folder just begun."""
    start_job(tmp_path / "job", name="meter")
    with workbench(tmp_path / "job") as opened:
        yield opened


@pytest.fixture
def full(tmp_path: Path) -> Iterator[Open]:
    """A workbench on all evidence, none of it worked out yet."""
    write_job(tmp_path / "job", SEED)
    with workbench(tmp_path / "job") as opened:
        yield opened


def working(pid: int) -> list[str]:
    """The commands of processes that a process started."""
    found = subprocess.run(["ps", "-o", "args=", "--ppid", str(pid)], capture_output=True, text=True, check=False)
    return [line for line in found.stdout.splitlines() if "tapwright" in line]


def test_every_kind_of_evidence_can_be_dropped_somewhere(empty: Open, evidence: Path, page: Any) -> None:
    """Each kind of PLACES has its place on a page; a file dragged there is taken, journalled, and undone by its button."""
    places: dict[str, str] = {}
    for question in QUESTIONS:
        page.goto(f"{empty.url}/q/{question}")
        for place in page.query_selector_all(".drop"):
            places.setdefault(place.get_attribute("data-drop"), question)
    assert set(places) == set(PLACES) == set(EXAMPLES)
    for kind, file in EXAMPLES.items():
        page.goto(f"{empty.url}/q/{places[kind]}")
        drag(page, kind, evidence / file)
        if kind == "subtitles":  # it waits for its capture, which the first drop brought
            page.wait_for_selector("form.captions:not([hidden])")
            continue
        assert page.get_attribute("#said", "data-kind") == "done", (kind, page.inner_text("#said"))
        place = PLACES[kind][0]
        taken = empty.folder / (place if "." in place else f"{place}/{Path(file).name}")
        assert taken.read_bytes() == (evidence / file).read_bytes(), kind
    page.click("#said button:has-text('Undo')")
    page.wait_for_selector("#said:has-text('taken back')")
    assert not (empty.folder / "agreement" / "spec.toml").exists()


def test_a_file_dropped_beside_the_places_does_not_leave_the_page(empty: Open, evidence: Path, page: Any) -> None:
    """The browser would open it in the page's stead; the page says where it belongs instead."""
    page.goto(f"{empty.url}/q/line")
    hand = page.context.new_cdp_session(page)
    data = {"items": [], "files": [str(evidence / "survey.csv")], "dragOperationsMask": 1}
    for event in ("dragEnter", "dragOver", "drop"):
        hand.send("Input.dispatchDragEvent", {"type": event, "data": data, "x": 5, "y": 5})
    page.wait_for_selector("#said:has-text('dashed places')")
    assert page.url == f"{empty.url}/q/line"


def test_work_is_stopped_and_goes_on_when_asked(full: Open, page: Any) -> None:
    """Stop ends the process that works; pages say so, and nothing begins again until someone asks."""
    page.goto(full.url)
    page.click("[data-do=work-stop]")
    page.wait_for_selector(".work:has-text('Stopped.')")
    time.sleep(2.5)  # two looks at the folder
    assert working(full.pid) == []
    assert page.inner_text(".work").startswith("Stopped.")
    page.click("button:has-text('Work it out')")
    page.goto(f"{full.url}/q/frames")
    page.wait_for_selector("[data-live=answer]:has-text('Frames are')")


def test_writing_the_dossier_is_stopped_and_leaves_none(full: Open, page: Any) -> None:
    """A command that a button started ends with Stop; its file is not there in half."""
    page.goto(f"{full.url}/dossier")
    page.click("text=Write the dossier")
    page.wait_for_selector(".work:has-text('Writing the dossier')")
    page.click("[data-do=work-stop]")
    page.wait_for_selector(".work:has-text('Stopped.')")
    until(page, "() => !document.querySelector('[data-do=report]').disabled")
    assert working(full.pid) == []
    assert not (full.folder / "report" / "dossier.html").exists()


def test_sending_is_stopped_and_nothing_of_it_is_kept(empty: Open, tmp_path: Path, page: Any) -> None:
    """An upload over a slow line shows how far it is; Stop ends it."""
    large = tmp_path / "large.csv"
    large.write_bytes(b"0,0\n" * 2_000_000)
    page.goto(f"{empty.url}/q/line")
    line = page.context.new_cdp_session(page)
    line.send("Network.enable")
    line.send("Network.emulateNetworkConditions", {"offline": False, "latency": 0, "downloadThroughput": -1,
                                                   "uploadThroughput": 1_000_000})
    page.set_input_files(".drop[data-drop=capture] input", str(large))
    page.wait_for_selector("[data-send-stop]")
    page.click("[data-send-stop]")
    page.wait_for_selector("#said:has-text('stopped; nothing of it is kept')")
    until(page, "() => document.querySelector('.sending').hidden")
    assert [path.name for path in (empty.folder / "captures").iterdir()] == []


def test_what_changes_outside_shows_at_once(full: Open, page: Any) -> None:
    """A survey changed by another program is on the page within seconds, without a click; its answer is worked out anew."""
    page.goto(f"{full.url}/q/supply")
    page.wait_for_selector("[data-live=answer]:has-text('Yes')")
    plan = full.folder / "supply.toml"
    plan.write_text(plan.read_text().replace("amps = 0.06", "amps = 9.0"))
    until(page, "() => document.querySelector('#text-supply').value.includes('amps = 9.0')", seconds=10)
    page.wait_for_selector("[data-live=answer]:has-text('No:')")
    page.goto(f"{full.url}/q/pads")
    survey = full.folder / "survey.csv"
    survey.write_text(survey.read_text().replace("wide trace", "widest trace"))
    until(page, "() => [...document.querySelectorAll('[data-grid=survey] input')].some(i => i.value === 'widest trace')",
          seconds=10)


def test_text_being_typed_is_not_lost_to_a_change_outside(full: Open, page: Any) -> None:
    """The page says that the file changed, keeps what was typed, and shows the file's text on request."""
    page.goto(f"{full.url}/q/supply")
    page.click("#text-supply")
    page.keyboard.press("Control+Home")
    page.keyboard.type("# mine\n")
    plan = full.folder / "supply.toml"
    plan.write_text("# theirs\n" + plan.read_text())
    page.wait_for_selector("[data-outside]:not([hidden])")
    assert page.input_value("#text-supply").startswith("# mine\n")
    page.click("[data-take-outside]")
    assert page.input_value("#text-supply").startswith("# theirs\n")


def test_pictures_are_enlarged_and_made_small_again(full: Open, page: Any) -> None:
    """*Larger* shows the picture at more than its width, to be scrolled; *Smaller* takes that back."""
    page.goto(f"{full.url}/q/supply")
    width = "() => document.querySelector('.picture svg').getBoundingClientRect().width"
    page.wait_for_selector(".picture svg")
    before = page.evaluate(width)
    page.click("[data-zoom]")
    assert page.get_attribute("[data-zoom]", "aria-pressed") == "true"
    assert page.evaluate(width) > 1.5 * before
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "the page itself does not scroll sideways"
    page.click("[data-zoom]:has-text('Smaller')")
    assert page.evaluate(width) == before


def test_survey_cells_are_typed_and_advised_on(empty: Open, page: Any) -> None:
    """Cells typed in the grid are kept as they are typed; the advice follows, and leads to the cell it asks for."""
    page.goto(f"{empty.url}/q/pads")
    page.locator("[data-grid=survey] tbody input").nth(2).click()
    for row in (("0", "0", "0"), ("0", "2.9", "2.9"), ("0", "2.9", "2.7"), ("0", "0", "2.9")):
        for cell in row:
            page.keyboard.type(cell)
            page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
    page.wait_for_selector("[data-live=answer]:has-text('pads are settled')")
    assert (empty.folder / "survey.csv").read_text().splitlines()[2] == "2,,0,2.9,2.9"
    page.locator("[data-cell-pad]").first.click()
    assert page.evaluate("document.activeElement.closest('[data-grid=survey]') !== null")
