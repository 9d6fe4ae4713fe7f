"""LABELS.csv: what the display showed, and when; typing shorthand is understood.

Columns `capture,start_s,end_s,display,unit,flags`; times in seconds on the labels' own clock. An empty display is a
blank one. `6.8k`, `6.82 kohm`, `−0.0` and `O.L` are read as a person means them.
"""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from tapwright.core import units
from tapwright.core.errors import LabelError
from tapwright.core.files import read_text, write_text

COLUMNS = ("capture", "start_s", "end_s", "display", "unit", "flags")
_NEEDED = ("start_s", "end_s", "display")
MOST_DISPLAY, MOST_LABELS = 40, 200_000

_NUMBER = re.compile(r"(-?)(\d*)(?:\.(\d*))?")
_TYPED = re.compile(r"(-?[ ]*[\d ]*(?:[.,]\d*)?)\s*([^\d\s.,-].*)?")
# How people type the overload sign; the last are what displays of other makers show.
_OVERLOAD = re.compile(r"[-+]?\.?[O0]\.?F?\.?L\.?D?|OFL|OVER|OVL|OVLD", re.IGNORECASE)


@dataclass(frozen=True)
class Label:
    """One stretch of time and what the display showed in it.

    Parameters
    ----------
    row : 1-based data row of the file
    capture : the capture's file name; empty where the file has no such column
    start_s, end_s : seconds on the labels' clock, start before end
    display : as the eye reads it, in one spelling (`-` for minus, `.` for the point); empty for a blank display
    unit : as shown, with its prefix
    flags : words, sorted
    """

    row: int
    capture: str
    start_s: float
    end_s: float
    display: str
    unit: str
    flags: tuple[str, ...]

    @property
    def is_blank(self) -> bool:
        """Whether the display showed nothing."""
        return not self.display

    @property
    def is_number(self) -> bool:
        """Whether the display showed a number."""
        return is_number(self.display)

    @property
    def is_overload(self) -> bool:
        """Whether the display showed the overload sign."""
        return is_overload(self.display)

    @property
    def value(self) -> Decimal | None:
        """The number in the shown unit, None where there is none."""
        return Decimal(self.display) if self.is_number else None


def is_number(display: str) -> bool:
    """Whether display text is a number: digits, at most one point, perhaps a minus."""
    match = _NUMBER.fullmatch(display)
    return bool(match and (match.group(2) or match.group(3)))


def is_overload(display: str) -> bool:
    """Whether display text is an overload sign as people type it."""
    return bool(_OVERLOAD.fullmatch(display.replace(" ", "")))


def normal_display(text: str) -> tuple[str, str]:
    """Return typed display text in one spelling, and the unit that was typed with it (empty where none was)."""
    text = " ".join(text.split())
    text = text.translate(_SIGNS)
    if is_overload(text) or not text:
        text = text.replace(" ", "").upper()
        # A nought typed for the letter: nobody's display shows the number nought-L.
        return (text.replace("0", "O") if is_overload(text) else text), ""
    match = _TYPED.fullmatch(text)
    if match:
        number = match.group(1).replace(" ", "").replace(",", ".")
        if is_number(number):
            return number.rstrip("."), (match.group(2) or "").strip()
    return text, ""


# Signs of other keyboards, and the plus that says nothing.
_SIGNS = str.maketrans({"−": "-", "–": "-", "—": "-", "‐": "-", "‑": "-", "’": "", "'": "", "+": "", "\u2009": ""})


def read_labels(path: Path) -> tuple[Label, ...]:
    """Read a labels file.

    Raises
    ------
    LabelError : the file cannot be read, a column is missing, or a row is wrong (with its line)
    """
    path = Path(path)
    text = read_text(path, error=LabelError, most=64_000_000)
    lines = text.split("\n")
    first = next((i for i, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise LabelError("the file is empty", path=path, expected="the heading " + ",".join(COLUMNS))
    separator = max(",;\t", key=lines[first].count)
    reader = csv.reader(io.StringIO("\n".join(lines[first:])), delimiter=separator, strict=True)
    try:
        head = [cell.strip().lower() for cell in next(reader)]
        _check_head(path, first + 1, head)
        labels: list[Label] = []
        for row in reader:
            if any(cell.strip() for cell in row):
                labels.append(_label(path, first + reader.line_num, head, row, len(labels) + 1))
                if len(labels) > MOST_LABELS:
                    raise LabelError(f"more than {MOST_LABELS} labels", path=path, expected="fewer")
    except csv.Error as trouble:
        raise LabelError(f"{trouble}", path=path, line=first + reader.line_num, expected="comma separated cells",
                         do="mend that line") from None
    if not labels:
        raise LabelError("no labels below the heading", path=path, expected="a row for each stretch of time")
    return tuple(labels)


def write_labels(path: Path, labels: tuple[Label, ...]) -> None:
    """Write a labels file, whole or not at all."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for label in labels:
        writer.writerow([label.capture, _plain(label.start_s), _plain(label.end_s), label.display, label.unit,
                         " ".join(label.flags)])
    write_text(path, out.getvalue())


def append_labels(path: Path, labels: tuple[Label, ...]) -> None:
    """Add rows at the end of a labels file; its heading, its other columns and its rows stay as they are.

    Raises
    ------
    LabelError : the file is no labels file
    """
    text = read_text(path, error=LabelError, most=64_000_000)
    lines = text.split("\n")
    at = next((i for i, line in enumerate(lines) if line.strip()), 0)
    first = lines[at]
    separator = max(",;\t", key=first.count)
    head = [cell.strip().lower() for cell in next(csv.reader([first], delimiter=separator))]
    _check_head(path, at + 1, head)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n", delimiter=separator)
    for label in labels:
        cells = {"capture": label.capture, "start_s": _plain(label.start_s), "end_s": _plain(label.end_s),
                 "display": label.display, "unit": label.unit, "flags": " ".join(label.flags)}
        writer.writerow([cells.get(name, "") for name in head])
    write_text(path, text + ("" if text.endswith("\n") else "\n") + out.getvalue())


def _plain(seconds: float) -> str:
    return f"{seconds:.4f}".rstrip("0").rstrip(".")


def _check_head(path: Path, line: int, head: list[str]) -> None:
    for name in _NEEDED:
        if name not in head:
            raise LabelError(f"no column named {name}", path=path, line=line,
                             expected="the heading " + ",".join(COLUMNS), do="write that heading in the first line")
    twice = next((name for name in head if name and head.count(name) > 1), None)
    if twice:
        raise LabelError(f"two columns named {twice}", path=path, line=line, expected="each once")


def _label(path: Path, line: int, head: list[str], row: list[str], number: int) -> Label:
    if len(row) > len(head) and any(cell.strip() for cell in row[len(head):]):
        raise LabelError(f"{len(row)} cells under {len(head)} headings", path=path, line=line,
                         expected=f"{len(head)} cells", do="quote a cell that holds the separator")
    cells = {name: row[i].strip() if i < len(row) else "" for i, name in enumerate(head)}
    start_s = _seconds(path, line, "start_s", cells["start_s"])
    end_s = _seconds(path, line, "end_s", cells["end_s"])
    if end_s <= start_s:
        raise LabelError(f"end_s {end_s:g} is not after start_s {start_s:g}", path=path, line=line,
                         expected="a stretch of time")
    display, typed_unit = normal_display(cells["display"])
    if len(display) > MOST_DISPLAY:
        raise LabelError(f"a display of {len(display)} characters", path=path, line=line, place="column display",
                         expected=f"at most {MOST_DISPLAY}")
    return Label(row=number, capture=cells.get("capture", ""), start_s=start_s, end_s=end_s, display=display,
                 unit=_unit(path, line, typed_unit, cells.get("unit", "")),
                 flags=tuple(sorted(set(cells.get("flags", "").split()))))


def _unit(path: Path, line: int, typed: str, column: str) -> str:
    """Return the unit of a row: the column's; a unit or a prefix typed behind the number where it says more."""
    unit, typed_unit = units.normal(column), units.normal(typed)
    if not typed_unit or typed_unit == unit:
        return unit
    if not unit:
        return typed_unit
    prefix = {"K": "k", "u": "µ"}.get(typed_unit, typed_unit)
    if prefix in units.PREFIXES:
        parsed = units.parse(unit)
        if parsed.prefix == prefix:
            return unit
        if not parsed.prefix:
            return prefix + unit
    raise LabelError(f"'{typed}' typed behind the number, but '{column}' in the column unit", path=path, line=line,
                     expected="one unit", do="take one of them out")


def _seconds(path: Path, line: int, name: str, text: str) -> float:
    try:
        value = float(text.replace(",", ".") if text.count(",") == 1 else text)
    except ValueError:
        raise LabelError(f"'{text}' is no number", path=path, line=line, place=f"column {name}",
                         expected="seconds") from None
    if not math.isfinite(value) or abs(value) > 1e12:
        raise LabelError(f"'{text}' is no time", path=path, line=line, place=f"column {name}", expected="seconds")
    return value
