"""The survey and the labels as grids that a page can edit: rows of text in and out, checked by the readers."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from tapwright.core.errors import TapwrightError, UsageError

MOST_ROWS, MOST_COLUMNS, MOST_CELL = 5000, 200, 200


def read_grid(path: Path, empty: list[list[str]]) -> list[list[str]]:
    """Return a table file as rows of cells, all of one length; `empty` where there is no file."""
    if not path.is_file():
        return empty
    text = path.read_text(encoding="utf-8-sig", errors="replace")
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(",;\t", key=first.count)
    rows = [row for row in csv.reader(io.StringIO(text), delimiter=separator) if any(cell.strip() for cell in row)]
    width = max((len(row) for row in rows), default=0)
    return [row + [""] * (width - len(row)) for row in rows] or empty


def grid_text(rows: object) -> str:
    """Return rows from a page as CSV text; rows and columns without any content are left out.

    Raises
    ------
    UsageError : not a list of rows of text, or too large
    """
    if not isinstance(rows, list) or not all(isinstance(row, list) and all(isinstance(cell, str) for cell in row)
                                             for row in rows):
        raise UsageError("this is no table", expected="rows of text cells")
    if len(rows) > MOST_ROWS or any(len(row) > MOST_COLUMNS or max(map(len, row), default=0) > MOST_CELL
                                    for row in rows):
        raise UsageError("this table is too large", expected=f"at most {MOST_ROWS} rows of {MOST_COLUMNS} cells")
    width = max((len(row) for row in rows), default=0)
    full = [[" ".join(cell.split()) for cell in row] + [""] * (width - len(row)) for row in rows]
    used = [i for i in range(width) if any(row[i] for row in full)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerows([[row[i] for i in used] for row in full if any(row)])
    return out.getvalue()


def complaint(text: str, name: str, read: Callable[[Path], object]) -> str:
    """Return what a reader says against a file's text, empty where it is content; nothing of the job is touched."""
    handle, temporary = tempfile.mkstemp(suffix=Path(name).suffix)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        read(Path(temporary))
    except TapwrightError as error:
        return error.message().replace(temporary, name)
    finally:
        os.unlink(temporary)
    return ""
