"""Labels typed for stretches of a capture, or taken from captions: rows of labels.csv, and what they look like so far.

Typed stretches have the capture's own clock. Where labels of another clock (a video's) are in the file already, typed
rows are put on that clock, since one offset is found for all of them.
"""

from __future__ import annotations

import csv
import io
from typing import Any

from tapwright.core.errors import TapwrightError, UsageError
from tapwright.evidence.labels import COLUMNS, Label, read_labels
from tapwright.evidence.subtitles import Captions, parse_caption, read_subtitles
from tapwright.job.ask import questions
from tapwright.job.desk import Desk
from tapwright.job.memory import last
from tapwright.job.questions.coverage import labelled_picture
from tapwright.web.workbench.editors import TABLES, Edit
from tapwright.web.workbench.grid import complaint, read_grid

SAME_S = 0.002  # rows of one stretch: times are kept to 0.1 ms
_QUESTION = {"labels": "map", "labels-proof": "coverage"}
_OWN_CLOCK_S = 0.3  # labels this near are on the capture's own clock (the contract's "within 0.3 s")


def typed(desk: Desk, asked: dict[str, Any]) -> Edit:
    """Return the labels file with what was typed for stretches (`{"start_s", "end_s", "shown"}`).

    Raises
    ------
    UsageError : a row does not read like a display, or there is no such capture
    """
    name, capture = _table(asked), _capture(desk, asked)
    clock_s = _clock_s(desk, name)
    rows = []
    for row in asked.get("rows", []):
        text = str(row.get("shown", "")).strip()
        if not text:
            continue
        shown = parse_caption(text)
        if shown is None:
            raise UsageError(f"'{text[:60]}' reads like no display",
                             expected="the display first, then unit and flags, like '6.82 mg/L AUTO', 'OL' or 'blank'")
        try:
            start_s, end_s = float(row["start_s"]) + clock_s, float(row["end_s"]) + clock_s
        except (KeyError, TypeError, ValueError):
            raise UsageError("a stretch without times", expected="start_s and end_s, seconds") from None
        rows.append(Label(row=0, capture=capture, start_s=start_s, end_s=end_s, display=shown[0], unit=shown[1],
                          flags=shown[2]))
    return _with(desk, name, rows, f"labelled {_many(len(rows), 'stretch', 'stretches')} of {capture}")


def captions(desk: Desk, asked: dict[str, Any]) -> Captions:
    """Return what a caption file of the job says, as labels of a capture; errors as `read_subtitles`."""
    file = str(asked.get("file", ""))
    path = next((path for path in desk.captions if desk.named(path) == file), None)
    if path is None:
        raise UsageError(f"no caption file called '{file[:80]}'", expected="one of captures/*.vtt or *.srt")
    return read_subtitles(path, capture=_capture(desk, asked))


def captioned(desk: Desk, asked: dict[str, Any]) -> Edit:
    """Return the labels file with the rows of a caption file."""
    found = captions(desk, asked)
    return _with(desk, _table(asked), list(found.labels),
                 f"{_many(len(found.labels), 'label', 'labels')} from {asked['file']}")


def shown_in(desk: Desk, asked: dict[str, Any], stretches: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return stretches with what labels already say of each (`shown`, empty for nothing)."""
    name, capture = _table(asked), _capture(desk, asked)
    clock_s = _clock_s(desk, name)
    labels = [label for label in _labels(desk, name) if label.capture == capture]
    out = []
    for stretch in stretches:
        middle_s = (stretch["start_s"] + stretch["end_s"]) / 2 + clock_s
        label = next((label for label in labels if label.start_s <= middle_s < label.end_s), None)
        out.append({**stretch, "shown": "" if label is None else _words(label)})
    return out


def coverage_so_far(desk: Desk, contradicted: set[int]) -> str:
    """Return a picture of what believed labels have shown, against what the job demands; empty without labels."""
    labels = [label for label in _labels(desk, "labels") if label.row not in contradicted]
    return labelled_picture(labels, desk.job.demands) if labels else ""


def _with(desk: Desk, name: str, new: list[Label], what: str) -> Edit:
    """Return the labels file with rows added; a row of the same stretch is replaced, other columns stay."""
    kind = TABLES[name]
    rows = read_grid(desk.folder / kind.file, [list(COLUMNS)])
    head = [cell.strip().lower() for cell in rows[0]]
    at: dict[str, int] = {column: head.index(column) for column in ("capture", "start_s", "end_s") if column in head}
    if len(at) < 3:
        raise UsageError(f"{kind.file} has no heading", expected=",".join(COLUMNS), do="mend its first row below")
    replaced = [(label.capture, label.start_s, label.end_s) for label in new]
    kept = [row for row in rows[1:] if not any(_same(row, at, *times) for times in replaced)]
    for label in new:
        cells = {"capture": label.capture, "start_s": _plain(label.start_s), "end_s": _plain(label.end_s),
                 "display": label.display, "unit": label.unit, "flags": " ".join(label.flags)}
        kept.append([cells.get(column, "") for column in head])
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([rows[0], *kept])
    return Edit(file=kind.file, content=out.getvalue(), what=what,
                complaint=complaint(out.getvalue(), kind.file, kind.read))


def _same(row: list[str], at: dict[str, int], capture: str, start_s: float, end_s: float) -> bool:
    try:
        return (row[at["capture"]].strip() == capture and abs(float(row[at["start_s"]]) - start_s) < SAME_S
                and abs(float(row[at["end_s"]]) - end_s) < SAME_S)
    except ValueError:
        return False


def _clock_s(desk: Desk, name: str) -> float:
    """Return how far the labels of a file are ahead of the captures, as found last; 0 where nothing is known."""
    if not _labels(desk, name):
        return 0.0
    module = next(module for module in questions() if module.__name__.endswith(f".{_QUESTION[name]}"))
    offset_s = last(module, desk.folder).get("offset_s")
    return float(offset_s) if isinstance(offset_s, (int, float)) and abs(offset_s) > _OWN_CLOCK_S else 0.0


def _labels(desk: Desk, name: str) -> tuple[Label, ...]:
    path = desk.folder / TABLES[name].file
    try:
        return read_labels(path) if path.is_file() else ()
    except TapwrightError:
        return ()  # its question says what is wrong with it


def _table(asked: dict[str, Any]) -> str:
    return "labels-proof" if asked.get("for") == "proof" else "labels"


def _capture(desk: Desk, asked: dict[str, Any]) -> str:
    capture = str(asked.get("capture", ""))
    if capture not in {path.name for path in desk.captures}:
        raise UsageError(f"no capture called '{capture[:80]}'" if capture else "no capture is chosen",
                         expected="one of captures/", do="drop the capture first, then choose it")
    return capture


def _words(label: Label) -> str:
    return " ".join(part for part in (label.display or "blank", label.unit, *label.flags) if part)


def _many(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _plain(seconds: float) -> str:
    return f"{seconds:.4f}".rstrip("0").rstrip(".")
