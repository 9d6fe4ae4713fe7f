"""The README's walk-through, done as it is written there, in a real Chromium; it makes the README's pictures too.

    TAPWRIGHT_PICTURES=docs/pictures .venv/bin/python -m pytest -q tests/workbench/test_walk_through.py
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from tests.workbench.house import browser, drag, needs_chromium, until, workbench

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
STORY = README.partition("## A first walk-through")[2].partition("\n## ")[0]
WAIT_MS = 180_000


def told(words: str) -> str:
    """Return words that the walk-through must hold: what is done here is what stands there."""
    assert words in re.sub(r"\s+", " ", STORY), f"the README's walk-through does not say: {words}"
    return words


def picture(page: Any, name: str, *, at: str = "", size: tuple[int, int] = (1100, 780)) -> None:
    """Take a picture of the page, from some element on, where pictures are asked for; the README shows each."""
    assert f"docs/pictures/{name}.png" in README
    folder = os.environ.get("TAPWRIGHT_PICTURES")
    if not folder:
        return
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.wait_for_timeout(400)
    page.evaluate("at => scrollTo(0, at ? document.querySelector(at).getBoundingClientRect().top + scrollY - 80 : 0)", at)
    page.screenshot(path=ROOT / folder / f"{name}.png")


@contextmanager
def demo(folder: Path) -> Iterator[str]:
    """`make demo` without the setting up: run until Ctrl+C, giving the address that it prints."""
    command = [sys.executable, "-u", "-m", "tapwright", "demo", "--dir", str(folder), "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as program:
        assert program.stdout is not None
        try:
            yield next(line.split()[1] for line in program.stdout if line.startswith("Readings:"))
        finally:
            program.send_signal(signal.SIGINT)
            program.wait(60)


@needs_chromium
@pytest.mark.slow
def test_the_walk_through_of_the_readme(tmp_path: Path) -> None:
    """With nothing but what the README says: from `make demo` to a live reading of one's own making."""
    made = tmp_path / "tapwright-demo"
    assert set(re.findall(r"docs/pictures/(\w+)\.png", README)) == {path.stem for path in (ROOT / "docs/pictures").glob("*.png")}
    with browser(width=1100, height=780) as (page_, trouble):
        page: Any = page_
        page.set_default_timeout(WAIT_MS)
        with demo(made) as address:
            told("make demo")
            page.goto(address)
            page.wait_for_selector("live-reading[data-state=ok]")
            if os.environ.get("TAPWRIGHT_PICTURES"):
                page.click("text=1 min")
                page.wait_for_timeout(14_000)
                page.wait_for_selector("live-reading[data-state=ok]")
            picture(page, "readout")
            page.goto(address + "overlay?size=110&background=3b6b52")
            page.wait_for_selector("#reading[data-state=ok]")
            picture(page, "overlay", size=(620, 190))
        page.set_viewport_size({"width": 1100, "height": 780})
        mine = tmp_path / "mine"
        told(".venv/bin/tapwright new mine")
        subprocess.run([sys.executable, "-m", "tapwright", "new", str(mine)], check=True, capture_output=True)
        told(".venv/bin/tapwright open mine")
        with workbench(mine) as bench:
            page.goto(bench.url)
            by_hand(page, made)
        # A page that goes with its server is no fault of its own.
        assert [text for text in trouble if "ERR_CONNECTION_REFUSED" not in text and "ERR_INCOMPLETE" not in text] == []


def by_hand(page: Any, made: Path) -> None:
    """The steps on the pages, each with the words that the README promises."""
    def step(question: str, *drops: tuple[str, str], answer: str) -> None:
        page.click(f".stations a:has-text('{told(question)}')")
        for kind, file in drops:
            told(f"`{file}`")
            drag(page, kind, made / file)
        page.wait_for_selector(f"[data-live=answer]:has-text('{told(answer)}')")

    step("What does each pad do?", ("survey", "survey.csv"), ("capture", "captures/linking.csv"), answer="opens the data")
    picture(page, "pads", at="[data-live=answer] .picture")
    step("Which line talks, and how?", ("capture", "captures/first.vcd"), answer="talks at")
    step("Where does a frame begin and end?", answer="the check is")
    picture(page, "frames")
    step("What hides the radio side?", ("radio", "radio/first.csv"), answer="A fixed mask")
    step("What makes the number?", ("capture", "captures/asked-1.vcd"), ("labels", "labels.csv"), answer="is not believed")
    picture(page, "map")
    page.click(f"button:has-text('{told('Keep this reading map')}'):enabled")
    page.wait_for_selector("[data-live=keep]:has-text('holds exactly this reading map')")
    step("What have we not seen yet?", ("job", "job.toml"), ("capture", "captures/second.csv"),
         ("proof-labels", "labels-proof.csv"), answer="every label is right, and all that the job demands was seen")
    picture(page, "coverage")
    page.click(f"text={told('The live reading')}")
    assert page.input_value("[name=source]") == told("replay:captures/second.csv?loop=yes")
    with page.expect_navigation():
        page.click(f"form[data-live-start] button:has-text('{told('Start')}')")
    until(page, "() => /\\d/.test(document.querySelector('[data-live-reading] .big')?.textContent ?? '')")
    with page.expect_popup() as popup:
        page.click(f"text={told('open the live page')}")
    popup.value.wait_for_selector("live-reading[data-state=ok]")
    popup.value.close()
    step("Will the cells carry it?", ("supply", "supply.toml"), answer="it lasts for")
    picture(page, "supply")
    page.click(".job a")
    page.wait_for_selector("#answer-supply .answer")
    picture(page, "workbench")
    page.click(f"text={told('Dossier and board files')}")
    page.click(f"text={told('Write the dossier')}")
    page.wait_for_selector("a:has-text('dossier.html')")
