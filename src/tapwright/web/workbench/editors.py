"""What can be edited on the pages, and how an edit is checked: by the very readers that the commands use."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tapwright.core.errors import TapwrightError, UsageError
from tapwright.evidence.instrument_file import load_instrument
from tapwright.evidence.job_file import load_job
from tapwright.evidence.labels import COLUMNS, read_labels
from tapwright.evidence.survey import read_survey
from tapwright.job.desk import SAMPLING, Desk
from tapwright.web.workbench.grid import complaint, grid_text, read_grid

_FIRST_SURVEY = [["pad", "note", "off", "on", "linked"], *([str(i), "", "", "", ""] for i in range(1, 7))]


@dataclass(frozen=True, kw_only=True)
class Edit:
    """A file's new content; `complaint` is what its reader says against it, empty where it is content."""

    file: str
    content: str
    what: str
    complaint: str = ""


@dataclass(frozen=True, kw_only=True)
class _Kind:
    file: str
    what: str
    read: Callable[[Path], object]
    first: list[list[str]] | None = None
    begun: str = ""  # what a text that is not there yet begins with


def _job(path: Path) -> object:
    with tempfile.TemporaryDirectory() as folder:
        shutil.copyfile(path, Path(folder) / "job.toml")
        try:
            return load_job(Path(folder))
        except TapwrightError as error:
            raise type(error)(error.found, path=path, line=error.line, place=error.place, expected=error.expected,
                              do=error.do) from None


def _plan(path: Path) -> object:
    from tapwright.supply.read import read_plan

    return read_plan(path)


def _readings(path: Path) -> object:
    from tapwright.agreement.readings import read_readings

    return read_readings(path)


def _spec(path: Path) -> object:
    from tapwright.agreement.spec import load_spec

    return load_spec(path)


#: Round numbers of no part in particular: a form to fill in.
_BEGUN_PLAN = """\
# Every number here stands for one of your own parts: put in what they are published with or measured at.
[cells]
chemistry = "alkaline"
size = "AA"
series = 2

[converter]
kind = "boost"
output_v = 5.0
input_min_v = 0.9
start_v = 1.8
efficiency = 0.85

[instrument]
amps = 0.005
low_v = 2.0

[[load]]
name = "running"
amps = 0.08
"""
_BEGUN_SPEC = """\
# What the instrument's sheet allows, a table a range:
# [[range]]
# from = 0
# to = 50
# unit = "mg/L"
# percent_of_reading = 1.0
# counts = 5
# resolution = 0.01
"""

TABLES = {
    "survey": _Kind(file="survey.csv", what="typed survey cells", read=read_survey, first=_FIRST_SURVEY),
    "labels": _Kind(file="labels.csv", what="edited labels", read=read_labels, first=[list(COLUMNS)]),
    "labels-proof": _Kind(file="labels-proof.csv", what="edited labels for the proof", read=read_labels,
                          first=[list(COLUMNS)]),
}
TEXTS = {
    "job": _Kind(file="job.toml", what="edited what the job demands", read=_job),
    "instrument": _Kind(file="instrument.toml", what="edited the description", read=load_instrument),
    "supply": _Kind(file="supply.toml", what="edited the supply plan", read=_plan, begun=_BEGUN_PLAN),
    "spec": _Kind(file="agreement/spec.toml", what="edited the allowed errors", read=_spec,
                  begun=_BEGUN_SPEC),
    "reference": _Kind(file="agreement/reference.csv", what="typed the reference's readings", read=_readings,
                       begun="point,value,unit,u\n"),
    "meter": _Kind(file="agreement/meter.csv", what="typed the instrument's readings", read=_readings,
                   begun="point,value,unit\n"),
}


#: The grids and texts of each question's page.
_GRIDS = {"pads": ("survey",), "map": ("labels",), "coverage": ("labels-proof",)}
_TEXTS = {"map": ("instrument",), "coverage": ("job",), "supply": ("supply",),
          "agreement": ("reference", "meter", "spec")}


def table(name: str, asked: dict[str, Any]) -> Edit:
    """Return an edited table. It is kept even where its reader complains: a survey is typed cell by cell."""
    kind = _of(TABLES, name)
    content = grid_text(asked.get("rows"))
    return Edit(file=kind.file, content=content, what=kind.what, complaint=complaint(content, kind.file, kind.read))


def complaint_of(name: str, content: str) -> str:
    """Return what a table's reader says against a content, empty where it is content."""
    kind = _of(TABLES, name)
    return complaint(content, kind.file, kind.read)


def text(name: str, asked: dict[str, Any]) -> Edit:
    """Return an edited text.

    Raises
    ------
    UsageError : its reader complains; nothing is kept then
    """
    kind = _of(TEXTS, name)
    content = str(asked.get("text", "")).replace("\r\n", "\n")
    said = complaint(content, kind.file, kind.read)
    if said:
        raise UsageError(said)
    return Edit(file=kind.file, content=content, what=kind.what)


def tried(name: str, asked: dict[str, Any]) -> dict[str, Any]:
    """Return what would come of a text: the complaint, and for a supply plan its outcome with a picture."""
    kind = _of(TEXTS, name)
    content = str(asked.get("text", ""))
    said = complaint(content, kind.file, kind.read)
    if said or name != "supply":
        return {"complaint": said}
    from tapwright.supply.draw import run_picture
    from tapwright.supply.read import parse_plan
    from tapwright.supply.report import report

    found = report(parse_plan(content, Path(kind.file))).answer
    return {"complaint": "", "verdict": found.verdict, "picture": run_picture(found), "checks": [
        {"name": check.name, "ok": bool(check.ok), "why": check.why} for check in found.checks]}


def sampling(desk: Desk, asked: dict[str, Any]) -> Edit:
    """Return `captures/sampling.toml` with the rate of one .bin."""
    name = str(asked.get("capture", ""))
    try:
        rate, width = float(asked.get("rate_hz", 0)), int(asked.get("width", 8))
    except (TypeError, ValueError):
        raise UsageError("this is no rate", expected="samples a second, a number") from None
    if not 0 < rate < 1e12 or width not in (8, 16) or '"' in name or "\n" in name:
        raise UsageError(f"{rate:g} samples a second, {width} bits", expected="a rate over 0, and 8 or 16 bits")
    known = {**desk.sampling, name: (rate, width)}
    content = "# Packed samples: how fast and how wide each .bin was sampled.\n" + "".join(
        f'["{file}"]\nrate_hz = {rate:g}\nwidth = {width}\n' for file, (rate, width) in sorted(known.items()))
    return Edit(file=SAMPLING, content=content, what=f"sample rate of {name}")


def sampling_of(path: Path) -> list[str]:
    """Return the options that a command needs for a capture."""
    known = Desk.open(path.parent.parent).sampling.get(path.name) if path.suffix == ".bin" else None
    return ["--rate", f"{known[0]:g}", "--width", str(known[1])] if known else []


def removable(desk: Desk) -> set[str]:
    """Return the evidence files that may be taken out."""
    files = {desk.named(path) for path in (*desk.every_capture, *desk.captions, *desk.radio)}
    return files | {kind.file for kind in (*TABLES.values(), *TEXTS.values())
                    if kind.file != "job.toml" and (desk.folder / kind.file).is_file()}


def sources(desk: Desk) -> list[str]:
    """Return sources that a person may want to read live."""
    return [*(f"replay:captures/{path.name}?loop=yes" for path in desk.captures[::-1]),
            "serial:///dev/ttyUSB0", "tcp://127.0.0.1:4001"]


def context(name: str, desk: Desk) -> dict[str, Any]:
    """Return what a question's page shows for editing."""
    grids = {key: read_grid(desk.folder / TABLES[key].file, TABLES[key].first or [[]]) for key in _GRIDS.get(name, ())}
    texts = {key: _text_of(desk.folder / TEXTS[key].file) for key in _TEXTS.get(name, ())}
    return {"grids": grids, "texts": texts, "begun": {key: TEXTS[key].begun for key in texts},
            "captures": [{**_file(desk, path), "sampling": desk.sampling.get(path.name)}
                         for path in desk.every_capture],
            "captions": [_file(desk, path) for path in desk.captions],
            "radio": [_file(desk, path) for path in desk.radio]}


def _file(desk: Desk, path: Path) -> dict[str, Any]:
    there = path.exists()  # a link may point to what was moved away
    return {"name": path.name, "file": desk.named(path), "bytes": path.stat().st_size if there else 0, "there": there}


def _text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8", errors="replace") if path.is_file() else ""


def _of(kinds: dict[str, _Kind], name: str) -> _Kind:
    if name not in kinds:
        raise UsageError(f"nothing called '{name}' can be edited", expected="one of " + ", ".join(kinds))
    return kinds[name]
