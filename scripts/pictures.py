"""Make the pictures of the README: the demo's job folder on the workbench, and its live page, in a real Chromium.

Run it from the repository: `.venv/bin/python scripts/pictures.py` (needs chromium).
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

OUT = Path(__file__).parents[1] / "docs" / "pictures"


def main() -> None:
    """Do the demo's job in a temporary folder and take the pictures."""
    OUT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        run = [sys.executable, "-m", "tapwright"]
        subprocess.run([*run, "demo", "--once", "--dir", folder], check=True, stdout=subprocess.DEVNULL)
        live = [*run, "serve", "--json", "--port", "0", "--no-record", "--job", folder, "--source",
                f"replay:{folder}/captures/second.csv?loop=yes"]
        bench = [*run, "open", folder, "--port", "0", "--json"]
        with sync_playwright() as playwright:
            chromium = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            with subprocess.Popen(live, stdout=subprocess.PIPE, text=True) as server:
                page = chromium.new_page(viewport={"width": 1100, "height": 780})
                page.goto(_address(server))
                page.wait_for_selector("live-reading[data-state=ok]")
                page.click("text=1 min")
                page.wait_for_timeout(14000)
                page.wait_for_selector("live-reading[data-state=ok]")
                page.screenshot(path=OUT / "readout.png")
                page.goto(page.url + "overlay?size=110&background=3b6b52")
                page.set_viewport_size({"width": 620, "height": 190})
                page.wait_for_selector("#reading[data-state=ok]")
                page.screenshot(path=OUT / "overlay.png")
                server.terminate()
            with subprocess.Popen(bench, stdout=subprocess.PIPE, text=True) as server:
                page = chromium.new_page(viewport={"width": 1100, "height": 760})
                url = _address(server).rstrip("/")
                for name, path in (("workbench", "/"), ("pads", "/q/pads"), ("frames", "/q/frames"), ("map", "/q/map"),
                                   ("coverage", "/q/coverage"), ("supply", "/q/supply")):
                    _picture(page, url + path, name)
                server.terminate()
            chromium.close()


def _picture(page: Page, address: str, name: str) -> None:
    page.goto(address)
    page.wait_for_selector(".answer", timeout=120_000)
    page.wait_for_timeout(500)
    page.screenshot(path=OUT / f"{name}.png")


def _address(server: subprocess.Popen[str]) -> str:
    assert server.stdout is not None
    text = ""
    for line in server.stdout:
        text += line
        try:
            return str(json.loads(text)["url"])
        except json.JSONDecodeError:
            continue
    raise SystemExit("the server did not start")


if __name__ == "__main__":
    main()
