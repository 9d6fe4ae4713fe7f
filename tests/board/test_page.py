"""The board's page in a real Chromium, served by the board's program."""

from __future__ import annotations

import gzip
import time
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from tests.board.board_face import Face, running
from tests.board.frames import frame
from tests.workbench.house import AXE, browser, needs_chromium, serious_findings


def test_the_page_is_one_small_file_that_asks_no_other_host() -> None:
    """Under 16 KB compressed, and not one address of another host in it."""
    page = resources.files("tapwright.board.program").joinpath("page.html").read_bytes()
    assert len(gzip.compress(page)) < 16 * 1024
    assert b"http://" not in page
    assert b"https://" not in page


@needs_chromium
@pytest.mark.slow
def test_reading_loss_self_test_and_cells_are_shown(tmp_path: Path) -> None:
    """What the board says stands on the page, in words and not by colour alone; no error in the console."""
    face = Face()
    face.volts = 2.2
    with running(tmp_path, face, settings="battery_pin = 3\n") as program, browser() as (page_, trouble):
        page: Any = page_
        page.goto(program.url)
        page.wait_for_selector("body[data-state=none]")
        assert page.inner_text("#state") == "waiting for the first reading"
        for i in range(3):
            program.send(frame(f"-6.8{i}", "mg/L", "HOLD", "MIN"))
            time.sleep(0.1)
        page.wait_for_selector("body[data-state=ok]")
        page.wait_for_function("document.querySelector('#display').textContent === '-6.82'")
        assert page.inner_text("#unit") == "mg/L"
        assert page.inner_text("#flags").split() == ["HOLD", "MIN"]
        assert page.inner_text("#test") == "self-test: passed"
        page.wait_for_function("document.querySelector('#cells').textContent === 'cells 2.20 V: worn, change them'")
        if AXE.is_file():
            assert serious_findings(page) == []
        program.send(frame("7.01", "pH", watched=1))
        page.wait_for_selector("body[data-state=unproven]")
        assert page.inner_text("#unit") == "?"
        page.wait_for_selector("body[data-state=lost]")
        assert page.inner_text("#state") == "signal lost: an old reading"
        if AXE.is_file():
            assert serious_findings(page) == []
        assert not trouble


@needs_chromium
@pytest.mark.slow
def test_a_failed_self_test_stands_on_the_page(tmp_path: Path) -> None:
    """In words, as an alarm, and readable."""
    def damage(files: dict[str, str]) -> None:
        files["reading.py"] = files["reading.py"].replace("'mg/L'", "'mg/dL'", 1)

    with running(tmp_path, change=damage) as program, browser() as (page_, _):
        page: Any = page_
        page.goto(program.url)
        page.wait_for_function("document.querySelector('#test').textContent === 'self-test: failed at frame 1 of 2'")
        assert "alarm" in page.get_attribute("#test", "class")
        if AXE.is_file():
            assert serious_findings(page) == []


@needs_chromium
@pytest.mark.slow
def test_the_set_up_form_and_the_overlay(tmp_path: Path) -> None:
    """The form saves a network and shows no password; the overlay is the reading alone on a clear ground."""
    face = Face()
    with running(tmp_path, face) as program, browser() as (page_, _):
        page: Any = page_
        page.goto(program.url + "/overlay")
        program.send(frame("19.3", "°C"))
        page.wait_for_function("document.querySelector('#display').textContent === '19.3'")
        assert page.is_hidden("#name")
        assert page.is_hidden("#wifi")
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgba(0, 0, 0, 0)"
        page.goto(program.url + "/setup")
        page.wait_for_selector("#wifi:visible")
        page.fill("input[name=name]", "pond house")
        page.fill("input[name=password]", "under the grotto")
        page.click("#wifi button")
        page.wait_for_function("document.querySelector('#said').textContent.startsWith('saved')")
        program.wait(lambda: "restart" in face.done)
    assert "wifi = pond house | under the grotto" in (tmp_path / "settings").read_text()
