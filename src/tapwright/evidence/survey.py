"""A survey: what a meter showed on each pad in each state of the instrument, as people write it down.

In: a CSV file with a row a pad and a column a state (comma, semicolon or tab between cells; decimal point or comma).
Out: a `Survey` of parsed columns and cells, volts and ohms. Every complaint names the line and the column.
"""

from __future__ import annotations

import csv
import functools
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapwright.core.errors import SurveyError
from tapwright.core.files import read_text
from tapwright.evidence.survey_cells import AC, HZ, OHMS, VOLTS, Cell, read_cell, with_counts

OFF = "off"  # the one state in which the instrument does not run (contract, section pins)
CELLS_OUT = "cells out"
GROUND, SUPPLY = "ground", "supply"
MOST_BYTES = 20_000_000
MOST_PADS = 1000

_RESISTOR = r"(\d+(?:[.,]\d+)?)\s*([kKM]?)(\d*)\s*(?:Ω|ohms?|R)?"
_LOAD = re.compile(rf"{_RESISTOR}\s+to\s+(ground|gnd|supply)$", re.I)
_TRIAL = re.compile(rf"pad\s+(.+?)\s+(high|low)\s+through\s+{_RESISTOR}$", re.I)
_METER = re.compile(r"meter\s+(\S.*)$", re.I)
_SCALE = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6}


@dataclass(frozen=True)
class Load:
    """A resistor put on the measured pad alone: `ohm` to "ground" or to a source at the supply's volts."""

    ohm: float
    to: str

    @property
    def text(self) -> str:
        """The load as headings spell it: `10k to ground`."""
        return f"{ohm_text(self.ohm)} to {self.to}"


@dataclass(frozen=True)
class Trial:
    """Another pad held "high" or "low" through a resistor while this column was measured."""

    pad: str
    drive: str
    ohm: float

    @property
    def text(self) -> str:
        """The trial as headings spell it: `pad 11 high through 10k`."""
        return f"pad {self.pad} {self.drive} through {ohm_text(self.ohm)}"


@dataclass(frozen=True, kw_only=True)
class Column:
    """What one column of a survey holds.

    Parameters
    ----------
    heading : as written
    number : 1-based column of the file
    state : the plain column's heading; `cells out` for continuity
    quantity : "volts", "ohms", "ac" or "hz"
    module_out : measured with the module lifted off
    load, trial : what hung on the pad, or on another one
    meter : the name of the meter where several were used
    """

    heading: str
    number: int
    state: str
    quantity: str = VOLTS
    module_out: bool = False
    load: Load | None = None
    trial: Trial | None = None
    meter: str = ""

    @property
    def place(self) -> str:
        """Where it stands, as errors say it."""
        return f"column {self.number} '{self.heading}'"

    @property
    def is_plain(self) -> bool:
        """Whether this is a state's own column: no test in its heading."""
        return self.quantity == VOLTS and not self.module_out and self.load is None and self.trial is None


@dataclass(frozen=True, kw_only=True)
class Survey:
    """Pads by columns.

    Parameters
    ----------
    pads : the pads' names, in the file's order
    lines : the line of the file on which each stands, same order
    notes : what was written beside each, same order
    columns : every column of measurements
    cells : one dict a pad, keyed by the place in `columns`; blank cells are absent
    """

    path: Path
    pads: tuple[str, ...]
    lines: tuple[int, ...]
    notes: tuple[str, ...]
    columns: tuple[Column, ...]
    cells: tuple[dict[int, Cell], ...]

    @property
    def states(self) -> tuple[str, ...]:
        """The plain states in the file's order."""
        return tuple(dict.fromkeys(column.state for column in self.columns if column.is_plain))

    @property
    def running(self) -> tuple[str, ...]:
        """The states in which the instrument runs: all but one named `off`."""
        return tuple(state for state in self.states if not is_off(state))


@functools.lru_cache(maxsize=1024)
def is_off(state: str) -> bool:
    """Whether a state is the one in which the instrument does not run."""
    return _same(state) == OFF


def ohm_text(ohm: float) -> str:
    """Return a resistance as headings spell it: `470`, `4.7k`, `1M`."""
    for scale, letter in ((1e6, "M"), (1e3, "k")):
        if ohm >= scale:
            return f"{ohm / scale:g}{letter}"
    return f"{ohm:g}"


def read_survey(path: Path) -> Survey:
    """Read a survey file.

    Raises
    ------
    SurveyError : the file cannot be read; text stands in a cell of volts; a pad or a column is there twice; a test's
        state is no plain column. The message names line and column.
    """
    rows = _rows(path, read_text(path, error=SurveyError, most=MOST_BYTES))
    if not rows:
        raise SurveyError("the file is empty", path=path, line=1,
                          expected="a header row: pad, an optional note, then a column a state")
    head_line, head = rows[0]
    note_at, columns = _columns(path, head_line, head)
    pads: list[str] = []
    notes: list[str] = []
    cells: list[dict[int, Cell]] = []
    first_line: dict[str, int] = {}
    for line, row in rows[1:]:
        pad = row[0].strip()
        if not pad:
            raise SurveyError("no pad name", path=path, line=line, place="column 1 'pad'", expected="the pad's name")
        if pad in first_line:
            raise SurveyError(f"pad '{pad}' is there twice", path=path, line=line, place="column 1 'pad'",
                              expected=f"each pad once (the first is on line {first_line[pad]})",
                              do="put all its measurements on one line")
        first_line[pad] = line
        if len(row) > len(head) and any(text.strip() for text in row[len(head):]):
            raise SurveyError(f"{len(row)} cells under {len(head)} headings", path=path, line=line,
                              place=f"column {len(head) + 1}", expected="no more cells than headings",
                              do="put numbers with a decimal comma in quotes, or set semicolons between the cells")
        pads.append(pad)
        notes.append(row[note_at].strip() if note_at is not None and note_at < len(row) else "")
        cells.append({i: cell for i, column in enumerate(columns) if column.number <= len(row)
                      and (cell := read_cell(row[column.number - 1], column.quantity, path=path, line=line,
                                             place=column.place)) is not None})
    if len(pads) > MOST_PADS:
        raise SurveyError(f"{len(pads)} pads", path=path, line=rows[MOST_PADS + 1][0], place="column 1 'pad'",
                          expected=f"{MOST_PADS} pads at most", do="split the survey by board")
    for column in columns:
        if column.trial is not None and column.trial.pad not in first_line:
            raise SurveyError(f"no pad '{column.trial.pad}' in the survey", path=path, line=head_line,
                              place=column.place, expected="a pad that has a row",
                              do="correct the heading, or add the pad's row")
    if not pads:
        raise SurveyError("no pads under the header", path=path, line=head_line + 1, expected="a row a pad")
    meters = [(column.quantity, column.meter) for column in columns]
    return Survey(path=path, pads=tuple(pads), lines=tuple(first_line.values()), notes=tuple(notes),
                  columns=tuple(columns), cells=tuple(with_counts(meters, cells)))


def parse_test(text: str) -> dict[str, object] | None:
    """Parse one part of a heading after a state; None where it is no test.

    Returns the fields of `Column` that it sets.
    """
    text = " ".join(text.split())
    folded = text.casefold()
    if folded == "module out":
        return {"module_out": True}
    if folded in (AC, HZ):
        return {"quantity": folded}
    if found := _LOAD.match(text):
        to = GROUND if found.group(4).casefold() in ("ground", "gnd") else SUPPLY
        ohm = _ohm(found.group(1), found.group(2), found.group(3))
        return {"load": Load(ohm, to)} if ohm > 0 else None
    if found := _TRIAL.match(text):
        ohm = _ohm(found.group(3), found.group(4), found.group(5))
        return {"trial": Trial(found.group(1), found.group(2).casefold(), ohm)} if ohm > 0 else None
    if found := _METER.match(text):
        return {"meter": found.group(1)}
    return None


def _rows(path: Path, text: str) -> list[tuple[int, list[str]]]:
    first = next((line for line in text.split("\n") if line.strip()), "")
    bare = re.sub(r'"[^"]*"', "", first)
    mark = ";" if ";" in bare else "\t" if "\t" in bare else ","
    reader = csv.reader(io.StringIO(text), delimiter=mark, skipinitialspace=True)
    rows = []
    line = 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((line, row))
            line = reader.line_num + 1
    except csv.Error as trouble:
        raise SurveyError(f"not a table: {trouble}", path=path, line=line, expected="cells set apart by commas",
                          ) from None
    return rows


def _columns(path: Path, line: int, head: Sequence[str]) -> tuple[int | None, list[Column]]:
    if head[0].strip().casefold() not in ("pad", "pads"):
        raise SurveyError(f"the first heading is '{head[0].strip()}'", path=path, line=line, place="column 1",
                          expected="'pad'", do="begin with a header row: pad, note, then a column a state")
    note_at = next((i for i, text in enumerate(head) if i and text.strip().casefold() in ("note", "notes")), None)
    split: list[tuple[int, str, list[str]]] = []
    for i, text in enumerate(head[1:], 2):
        heading = " ".join(text.split())
        if i - 1 == note_at:
            continue
        if not heading:
            raise SurveyError("a column without a heading", path=path, line=line, place=f"column {i}",
                              expected="a state's name")
        split.append((i, heading, re.split(r"\s+/\s+", heading)))
    plain = {_same(heading): heading for _, heading, parts in split if _state_parts(parts) == len(parts)}
    columns: list[Column] = []
    seen: dict[tuple[object, ...], Column] = {}
    for i, heading, parts in split:
        column = _column(path, line, i, heading, parts, plain)
        key = (_same(column.state), column.quantity, column.module_out, column.load, column.trial, column.meter)
        if key in seen:
            raise SurveyError(f"'{heading}' is there twice", path=path, line=line, place=f"column {i} '{heading}'",
                              expected=f"each column once (the first is column {seen[key].number})",
                              do="name the states apart")
        seen[key] = column
        columns.append(column)
    if not any(column.is_plain for column in columns):
        raise SurveyError("no column of a plain state", path=path, line=line,
                          expected="a column a state, its heading the state's name")
    return note_at, columns


def _state_parts(parts: Sequence[str]) -> int:
    # How many leading parts belong to the state's own name: "current / 2" is a state, "linked / module out" is not.
    count = len(parts)
    while count > 1 and (_same(parts[count - 1]) == "ohms to ground" or parse_test(parts[count - 1]) is not None):
        count -= 1
    return count


def _column(path: Path, line: int, number: int, heading: str, parts: Sequence[str], plain: dict[str, str]) -> Column:
    place = f"column {number} '{heading}'"
    if _same(parts[0]) == CELLS_OUT:
        if [_same(part) for part in parts[1:]] != ["ohms to ground"]:
            raise SurveyError("no test that is made with the cells out", path=path, line=line, place=place,
                              expected="'cells out / ohms to ground'")
        return Column(heading=heading, number=number, state=CELLS_OUT, quantity=OHMS)
    count = _state_parts(parts)
    state = " / ".join(parts[:count])
    fields: dict[str, object] = {}
    for part in parts[count:]:
        found = parse_test(part)
        if found is None or (fields.keys() & found.keys()):
            raise SurveyError(f"'{part}' does not fit here", path=path, line=line, place=place,
                              expected="STATE / TEST, the tests being 'R to ground', 'R to supply', 'module out', "
                                       "'ac', 'hz' or a trial")
        fields.update(found)
    if len(parts) > 1 and count == len(parts) and _same(parts[0]) in plain:
        raise SurveyError(f"'{' / '.join(parts[1:])}' is no test", path=path, line=line, place=place,
                          expected="'10k to ground', '10k to supply', 'module out', 'ac', 'hz', "
                                   "'pad NAME high through 10k', or several of them with ' / ' between")
    if count < len(parts):
        if _same(state) not in plain and fields.keys() != {"meter"}:
            raise SurveyError(f"no plain column for the state '{state}'", path=path, line=line, place=place,
                              expected="a state that has a column of its own: " + ", ".join(list(plain.values())[:8]),
                              do=f"add a column '{state}', or correct the heading")
        state = plain.get(_same(state), state)
    return Column(heading=heading, number=number, state=state, **fields)  # type: ignore[arg-type]


def _ohm(number: str, letter: str, after: str) -> float:
    # 4k7 is 4.7k, as resistors are marked (IEC 60062).
    text = number.replace(",", ".")
    if after:
        text = f"{text}.{after}" if "." not in text and letter else f"{text}{after}"
    return float(text) * _SCALE[letter]


def _same(text: str) -> str:
    return " ".join(text.split()).casefold()
