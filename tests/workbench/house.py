"""Starts a real workbench on a job folder and drives a real browser on it."""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
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
