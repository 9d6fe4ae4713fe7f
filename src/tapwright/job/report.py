"""The dossier: one self-contained HTML file, and a PDF where a browser that can print is there."""

from __future__ import annotations

import datetime
import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tapwright import VERSION
from tapwright.core.files import write_text
from tapwright.job.answers import Answer
from tapwright.job.ask import questions
from tapwright.job.desk import Desk
from tapwright.job.memory import recall, work_out

#: Browsers that print a page without a window; the first that is there is used.
PRINTERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "microsoft-edge")
PRINT_S = 60
_SURE = {"settled": "settled", "open": "not all settled", "none": "no answer yet"}


@dataclass(frozen=True, kw_only=True)
class Part:
    """A part of a chapter: a sentence, a table, a picture."""

    head: str
    words: str = ""
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    picture: str = ""


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
        details={answer.id: details(answer) for answer in answers},
        description=description[0].read_text(encoding="utf-8") if description else "",
        evidence=[_evidence(desk, name) for name in dict.fromkeys(name for answer in answers for name in answer.files)],
    )


def details(answer: Answer) -> list[Part]:
    """Return what another person needs to rebuild this step, out of the answer's document."""
    if answer.document is None or answer.id not in _DETAILS:
        return []
    return _DETAILS[answer.id](cast(dict[str, Any], answer.document))


def _pads(document: dict[str, Any]) -> list[Part]:
    rows = tuple((pad["pad"], pad["role"], f"{pad['probability']:.2f}", pad["driven_by"],
                  _plain(pad.get("source_ohm"), " ohm"), ", ".join(pad.get("follows") or []))
                 for pad in document.get("pads", []))
    parts = [Part(head="The pads", columns=("pad", "role", "probability", "driven by", "source", "follows"), rows=rows)]
    sheet = document.get("sheet")
    if sheet:
        wires = tuple((wire["pad"], wire["to"], wire["part"] or "–", wire["why"],
                       "yes" if wire["settled"] else "not yet") for wire in sheet["wires"])
        parts.append(Part(head="The tap sheet", columns=("from pad", "to", "through", "why", "settled"), rows=wires,
                          words="Cells out, leads off. " + " ".join(sheet["cautions"])))
        parts.append(Part(head="Pads to leave alone", columns=("pad", "why"),
                          rows=tuple((row["pad"], row["why"]) for row in sheet["leave"])))
    return parts


def _line(document: dict[str, Any]) -> list[Part]:
    rows = tuple((channel["name"], channel["kind"],
                  f"{channel['baud']:g} baud" if "baud" in channel else "",
                  f"{channel['data_bits']} data bits, parity {channel['parity']}, {channel['stop_bits']:g} stop, idle "
                  f"{channel['idle']}" if "baud" in channel else "") for channel in document.get("channels", []))
    return [Part(head="The lines", columns=("channel", "kind", "rate", "form"), rows=rows)]


def _frames(document: dict[str, Any]) -> list[Part]:
    checks = tuple(tuple((name, _plain(value)) for name, value in check.items() if name != "same_as")
                   for check in document.get("checks", []))
    rows = tuple((str(column["at"]), column["kind"], column.get("hex", "") or _plain(column.get("changing")))
                 for column in document.get("bytes", []))
    return [*(Part(head="The check", rows=check) for check in checks),
            Part(head="Byte by byte", columns=("byte", "kind", "value, or the bits that change"), rows=rows)]


def _mask(document: dict[str, Any]) -> list[Part]:
    return [Part(head="The mask", rows=tuple((name, _plain(document[name])) for name in
                                             ("kind", "key", "determined_bits", "total_bits") if name in document))]


def _map(document: dict[str, Any]) -> list[Part]:
    open_rows = tuple((item["what"], item["why"]) for item in document.get("undetermined", []))
    parts = [Part(head="Settled", words=", ".join(document.get("determined", [])) or "nothing yet")]
    return [*parts, Part(head="Open", columns=("what", "why"), rows=open_rows)] if open_rows else parts


def _coverage(document: dict[str, Any]) -> list[Part]:
    coverage = {**document["coverage"], **{f"digit {k}": v for k, v in document["coverage"]["digits"].items()}}
    rows = tuple((name, ", ".join(kind["seen"]), ", ".join(kind["never"])) for name, kind in coverage.items()
                 if name != "digits" and (kind["seen"] or kind["never"]))
    return [Part(head="The proof", words=f"{document['right']} of {document['labels']} labels right; verdict: "
                                         f"{document['verdict']}."),
            Part(head="The coverage", columns=("", "seen and right", "never seen"), rows=rows)]


def _supply(document: dict[str, Any]) -> list[Part]:
    rows = tuple((check["name"], "ok" if check["ok"] else "not ok", f"{_plain(check['value'])} {check['unit']}",
                  f"{_plain(check['limit'])} {check['unit']}") for check in document["checks"])
    return [Part(head="The checks", columns=("check", "", "value", "limit"), rows=rows)]


def _agreement(document: dict[str, Any]) -> list[Part]:
    rows = tuple((str(point["point"]), _plain(point["reference"]), _plain(point["meter"]), _plain(point["difference"]),
                  _plain(point.get("limit")), _plain(point.get("U")), _plain(point.get("verdict")))
                 for point in document.get("points", []))
    return [Part(head="Point by point", rows=rows,
                 columns=("point", "reference", "meter", "difference", "limit", "U", "verdict"))]


_DETAILS: dict[str, Callable[[dict[str, Any]], list[Part]]] = {
    "pads": _pads, "line": _line, "frames": _frames, "mask": _mask, "map": _map, "coverage": _coverage,
    "supply": _supply, "agreement": _agreement,
}


def _plain(value: object, unit: str = "") -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.5g}{unit}"
    if isinstance(value, (list, tuple)):
        return " to ".join(_plain(item) for item in value) if len(value) == 2 else ", ".join(map(_plain, value))
    return f"{value}{unit}"


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
