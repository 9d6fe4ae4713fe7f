"""The dossier: one self-contained HTML file, and a PDF where a browser that can print is there."""

from __future__ import annotations

import datetime
import hashlib
import os
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tapwright import VERSION
from tapwright.core.files import write_text
from tapwright.job.answers import Answer
from tapwright.job.ask import questions
from tapwright.job.desk import Desk
from tapwright.job.details import details, rebuild
from tapwright.job.memory import recall, work_out

#: Browsers that print a page without a window; the first that is there is used.
PRINTERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "microsoft-edge")
PRINT_S = 60
_SURE = {"settled": "settled", "open": "not all settled", "none": "no answer yet"}


@dataclass(frozen=True, kw_only=True)
class Written:
    """What was written; `pdf` is None where no browser could print, `why` says so."""

    html: Path
    pdf: Path | None
    why: str
    answers: tuple[Answer, ...]


def write_report(folder: Path) -> Written:
    """Write `report/dossier.html` (and `.pdf`) of a job folder.

    Raises
    ------
    TapwrightError : the job file is wrong, or the folder cannot be written
    """
    desk = Desk.open(folder)
    answers = tuple((recall(module, desk) or work_out(module, desk)).answer for module in questions())
    place = folder / "report"
    place.mkdir(exist_ok=True)
    html = place / "dossier.html"
    write_text(html, dossier(desk, answers))
    pdf, why = _print(html, place / "dossier.pdf")
    return Written(html=html, pdf=pdf, why=why, answers=answers)


def dossier(desk: Desk, answers: tuple[Answer, ...]) -> str:
    """Return the dossier as HTML; it needs no other file."""
    environment = Environment(loader=FileSystemLoader(Path(__file__).parent / "templates"), autoescape=True,
                              undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["picture"] = Markup  # our own SVG: every word in it is escaped already
    description = desk.place("instrument.toml")
    return environment.get_template("dossier.html").render(
        job=desk.job, answers=answers, sure=_SURE, version=VERSION, date=datetime.date.today().isoformat(),
        details={answer.id: details(answer, desk) for answer in answers}, rebuild=rebuild(answers, desk),
        description=description[0].read_text(encoding="utf-8") if description else "",
        evidence=[_evidence(desk, name) for name in dict.fromkeys(name for answer in answers for name in answer.files)],
    )


def _evidence(desk: Desk, name: str) -> dict[str, object]:
    path = desk.folder / name
    if not path.is_file():
        return {"name": name, "bytes": "", "digest": "taken out since"}
    with path.open("rb") as file:
        return {"name": name, "bytes": path.stat().st_size, "digest": hashlib.file_digest(file, "sha256").hexdigest()}


def _print(html: Path, pdf: Path) -> tuple[Path | None, str]:
    browser = next((found for name in PRINTERS if (found := shutil.which(name))), None)
    if browser is None:
        return None, "no browser that prints without a window is installed: open dossier.html and print it to a PDF"
    with tempfile.TemporaryDirectory(prefix="tapwright-print-") as profile:
        part = Path(profile) / "dossier.pdf"
        # A browser's sandbox does not work for root; the page printed is our own and runs no script.
        as_root = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        command = [browser, "--headless", *as_root, "--disable-gpu", "--no-first-run", "--disable-sync",
                   "--disable-background-networking", "--disable-component-update", "--no-pdf-header-footer",
                   f"--user-data-dir={profile}/profile", f"--print-to-pdf={part}", html.resolve().as_uri()]
        try:
            subprocess.run(command, capture_output=True, timeout=PRINT_S, check=True)
            shutil.move(part, pdf)
        except (OSError, subprocess.SubprocessError):
            return None, f"{Path(browser).name} could not print it: open dossier.html and print it to a PDF"
    return pdf, ""
