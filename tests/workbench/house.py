"""Starts a real workbench on a job folder and drives a real browser on it."""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium")
AXE = Path(__file__).parents[1] / "node" / "node_modules" / "axe-core" / "axe.min.js"
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="needs chromium (apt install chromium)")


@dataclass(frozen=True)
class Open:
    """A running workbench."""

    url: str
    folder: Path
    pid: int


@contextlib.contextmanager
def workbench(folder: Path) -> Iterator[Open]:
    """Serve a folder's workbench as a program of its own, on a free loopback port."""
    command = [sys.executable, "-m", "tapwright", "open", str(folder), "--port", "0", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        try:
            yield Open(json.loads(server.stdout.readline())["url"].rstrip("/"), folder, server.pid)
        finally:
            server.terminate()


@contextlib.contextmanager
def browser(width: int = 1200, height: int = 900) -> Iterator[tuple[object, list[str]]]:
    """Give a page of a real Chromium, and the list in which console errors and page errors gather."""
    from playwright.sync_api import sync_playwright

    trouble: list[str] = []
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=[
            "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync"])
        page = chromium.new_page(viewport={"width": width, "height": height})
        page.on("console", lambda message: trouble.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: trouble.append(str(error)))
        try:
            yield page, trouble
        finally:
            chromium.close()


def serious_findings(page: object) -> list[str]:
    """Return what axe-core finds serious or critical on the page that is open."""
    # Read and evaluated rather than added as a script: the pages' policy lets no foreign script in, as it should.
    page.evaluate(AXE.read_text(encoding="utf-8"))  # type: ignore[attr-defined]
    found = page.evaluate("axe.run()")  # type: ignore[attr-defined]
    return [f"{item['id']}: {item['nodes'][0]['html'][:200]}" for item in found["violations"]
            if item["impact"] in ("serious", "critical")]


def drag(page: object, kind: str, *files: Path) -> None:
    """Drag files from outside onto the drop place of a kind and let go, as a file manager does; wait for the answer.

    Chromium's own input (DevTools protocol, Input.dispatchDragEvent): the page gets a real DataTransfer with the files.
    """
    place = page.locator(f".drop[data-drop='{kind}']").first  # type: ignore[attr-defined]
    place.scroll_into_view_if_needed()
    box = place.bounding_box()
    hand = page.context.new_cdp_session(page)  # type: ignore[attr-defined]
    data = {"items": [], "files": [str(file) for file in files], "dragOperationsMask": 1}
    with page.expect_response(lambda answer: "/drop/" in answer.url):  # type: ignore[attr-defined]
        for event in ("dragEnter", "dragOver", "drop"):
            hand.send("Input.dispatchDragEvent", {"type": event, "data": data, "x": box["x"] + box["width"] / 2,
                                                  "y": box["y"] + box["height"] / 2})
    page.wait_for_selector("#said:not([data-kind=work])")  # type: ignore[attr-defined]
    hand.detach()


def until(page: object, claim: str, arg: object = None, *, seconds: float = 120) -> None:
    """Wait until a JavaScript claim about the page holds (the pages' policy forbids Playwright's own way)."""
    ends = time.monotonic() + seconds
    while not page.evaluate(claim, arg):  # type: ignore[attr-defined]
        if time.monotonic() > ends:
            raise AssertionError(f"not within {seconds:g} s: {claim} ({arg})")
        page.wait_for_timeout(50)  # type: ignore[attr-defined]
