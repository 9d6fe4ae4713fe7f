"""Files of readings -> numbers with their units, row by row, nothing guessed.

A file is a table of points (`point,value[,unit][,u]`), a time series (`t_s,value[,unit]`), or one hand-typed table that
holds both sides (`point,reference,meter[,unit][,u]`). Further columns are left alone, but for `status`: a recorded row
whose status is not `ok` holds no reading and is counted, never compared.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from tapwright.core import units
from tapwright.core.errors import AgreementError
from tapwright.core.files import read_text

MOST_BYTES = 2_000_000_000
# Far beyond any unit's range; between them squares and ratios of differences stay inside what a float holds.
MOST_SIZE, LEAST_SIZE = 1e40, 1e-40
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_PLAIN_SIGNS = frozenset("0123456789+-.eE")
_FORMS = "a header with point,value or t_s,value (and unit, u where known)"


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Readings of one instrument, in the file's order.

    Parameters
    ----------
    name : what the file is called in messages
    labels : names of the points, or the times as written
    times_s : float64, shape (n_rows,), rising; None for a table of points
    values : float64, shape (n_rows,), each in its row's unit
    units : each row's unit in one spelling, "" where none is given
    u : float64, shape (n_rows,), standard uncertainty (k = 1) in the row's unit, NaN where none is given
    lines : int64, shape (n_rows,), 1-based line in the file
    gap_before : bool, shape (n_rows,), True where rows without a reading stood between this row and the one before
    left_out : number of rows that held no reading (overload, blank, unproven, broken)
    starts_at : Unix seconds of time 0, None where only the file's own clock is known
    """

    name: str
    labels: tuple[str, ...]
    times_s: NDArray[np.float64] | None
    values: NDArray[np.float64]
    units: tuple[str, ...]
    u: NDArray[np.float64]
    lines: NDArray[np.int64]
    gap_before: NDArray[np.bool_]
    left_out: int = 0
    starts_at: float | None = None

    def __len__(self) -> int:
        return len(self.values)


def read_readings(path: Path) -> Readings:
    """Read one file of readings.

    Raises
    ------
    AgreementError : not a table of readings; names the line, what was found and what was expected
    """
    table = _Table.read(path)
    key = table.key_column()
    table.need("value")
    return table.readings(key, "value", "u")


def read_both(path: Path) -> tuple[Readings, Readings] | None:
    """Read a table that holds reference and meter side by side; None where the file is of another form.

    Raises
    ------
    AgreementError : as `read_readings`
    """
    table = _Table.read(path)
    if "reference" not in table.head or "meter" not in table.head:
        return None
    if "value" in table.head:
        table.fail("both 'value' and 'reference', 'meter' as columns", table.head_line,
                   "either value alone or the two side by side")
    key = table.key_column()
    return table.readings(key, "reference", "u"), table.readings(key, "meter", "u_meter")


def of_recording(name: str, starts_at: float, rows: Iterable[tuple[float, float | None, str, str]]) -> Readings:
    """Return a recording's rows (seconds from its start, value, unit, status) as readings.

    Raises
    ------
    AgreementError : no row holds a reading
    """
    every = list(rows)
    kept = [i for i, (_, value, _, status) in enumerate(every) if status == "ok" and value is not None]
    if not kept:
        raise AgreementError("a recording without a reading whose status is ok", path=name, expected="readings")
    gap = np.zeros(len(kept), dtype=bool)
    gap[1:] = np.diff(kept) > 1
    spelled = {unit: units.normal(unit) for _, _, unit, _ in every}
    return Readings(
        name=name, labels=tuple(f"{every[i][0]:.6f}" for i in kept), times_s=np.array([every[i][0] for i in kept]),
        values=np.array([every[i][1] for i in kept], dtype=np.float64),
        units=tuple(spelled[every[i][2]] for i in kept), u=np.full(len(kept), np.nan),
        lines=np.array(kept, dtype=np.int64) + 1, gap_before=gap, left_out=len(every) - len(kept), starts_at=starts_at)


@dataclass(frozen=True)
class _Table:
    """A table's cells by column; `lines` are the rows' 1-based lines."""

    path: Path
    head: tuple[str, ...]
    head_line: int
    columns: tuple[list[str], ...]
    lines: list[int]

    @classmethod
    def read(cls, path: Path) -> _Table:
        text = read_text(path, error=AgreementError, most=MOST_BYTES)
        cells, wide, lines = _quoted(text, path) if '"' in text else _bare(text)
        if not lines:
            raise AgreementError("an empty file", path=path, expected=_FORMS)
        head = tuple(cell.strip().lower() for cell in cells[: wide[0]])
        table = cls(path, head, lines[0], (), lines[1:])
        table._check_shape(wide)
        return replace(table, columns=tuple(cells[len(head) + i :: len(head)] for i in range(len(head))))

    def _check_shape(self, wide: list[int]) -> None:
        for name in self.head:
            if name and self.head.count(name) > 1:
                self.fail(f"two columns named '{name}'", self.head_line, "each name once")
        if not self.lines:
            self.fail("a header and no row", self.head_line, "at least two readings")
        if set(wide) != {len(self.head)}:
            i = next(i for i, count in enumerate(wide) if count != len(self.head))
            self.fail(f"{wide[i]} cells", self.lines[i - 1], f"{len(self.head)}, as in the header",
                      "write decimals with a point, not a comma, and leave no cell out")

    def fail(self, found: str, line: int | None, expected: str = "", do: str = "") -> NoReturn:
        raise AgreementError(found, path=self.path, line=line, expected=expected, do=do)

    def key_column(self) -> str:
        if "point" in self.head and "t_s" in self.head:
            self.fail("both 'point' and 't_s' as columns", self.head_line, "points by name, or a time series")
        if "point" not in self.head and "t_s" not in self.head:
            self.fail("neither a column 'point' nor 't_s'", self.head_line, _FORMS, self._head_words())
        return "point" if "point" in self.head else "t_s"

    def need(self, name: str) -> None:
        if name not in self.head:
            self.fail(f"no column '{name}'", self.head_line, _FORMS, self._head_words())

    def _head_words(self) -> str:
        return "the header found is " + ",".join(self.head)[:80]

    def column(self, name: str) -> list[str] | None:
        if name not in self.head:
            return None
        return [cell.strip() for cell in self.columns[self.head.index(name)]]

    def readings(self, key: str, value: str, u: str) -> Readings:
        n = len(self.lines)
        labels, cells = self.column(key) or [], self.column(value) or []
        status = self.column("status")
        keep = np.ones(n, dtype=bool) if status is None else np.array([word in ("ok", "") for word in status])
        every = np.flatnonzero(keep)
        rows: Sequence[int] = range(n) if keep.all() else every.tolist()
        if len(every) == 0:
            self.fail("no row whose status is ok", None, "rows that hold a reading")
        if "" in labels and (empty := next((i for i in rows if not labels[i]), None)) is not None:
            self.fail(f"an empty cell under '{key}'", self.lines[empty], "a name for every point")
        shown = self.column("unit") or [""] * n
        spelled = {text: units.normal(text) for text in set(shown)}
        kept_units = (spelled[shown[0]],) * len(every) if len(spelled) == 1 else tuple(spelled[shown[i]] for i in rows)
        gap = np.zeros(len(every), dtype=bool)
        gap[1:] = np.diff(every) > 1
        times_s = self.times(labels, rows) if key == "t_s" else None
        return Readings(
            name=self.path.name,
            labels=tuple(labels[i] for i in rows),
            times_s=times_s,
            values=self._numbers(value, cells, rows),
            units=kept_units,
            u=self._uncertainties(u, rows),
            lines=np.asarray(self.lines, dtype=np.int64)[every],
            gap_before=gap,
            left_out=n - len(every),
            starts_at=None if times_s is None else self._start(times_s, rows),
        )

    def _start(self, times_s: NDArray[np.float64], rows: Sequence[int]) -> float | None:
        """Return the clock's time at t_s = 0, where the rows carry it as `t` too (an exported recording)."""
        clock = self.column("t")
        first = None if clock is None else clock[rows[0]]
        return None if not first else self._number("t", first, self.lines[rows[0]]) - float(times_s[0])

    def times(self, labels: list[str], rows: Sequence[int]) -> NDArray[np.float64]:
        times = self._numbers("t_s", labels, rows)
        # Recorded frames that arrive together have one time; in a typed table that is a slip.
        step = np.diff(times)
        back = np.flatnonzero(step < 0 if "status" in self.head else step <= 0)
        if len(back):
            i = int(back[0]) + 1
            self.fail(f"time {labels[rows[i]]} after {labels[rows[i - 1]]}", self.lines[rows[i]],
                      "times that rise from row to row", "put the rows in order and keep one a time")
        return times

    def _uncertainties(self, name: str, rows: Sequence[int]) -> NDArray[np.float64]:
        cells = self.column(name)
        u = np.full(len(rows), np.nan)
        if cells is None:
            return u
        given = [k for k, i in enumerate(rows) if cells[i]]
        u[given] = self._numbers(name, cells, [rows[k] for k in given])
        bad = np.flatnonzero(u < 0)
        if len(bad):
            i = rows[int(bad[0])]
            self.fail(f"a negative uncertainty {cells[i]}", self.lines[i], "a standard uncertainty (k = 1), 0 or more")
        return u

    def _numbers(self, name: str, cells: list[str], rows: Sequence[int]) -> NDArray[np.float64]:
        wanted = cells if len(rows) == len(cells) else [cells[i] for i in rows]
        # The signs of all cells at once are far quicker to look at than each cell; a bad one is then looked for.
        if frozenset("".join(wanted)) <= _PLAIN_SIGNS:
            try:
                numbers = np.array(wanted, dtype=object).astype(np.float64) if wanted else np.zeros(0)
                size = np.abs(numbers)
                if bool(np.all((size <= MOST_SIZE) & ((size >= LEAST_SIZE) | (size == 0)))):
                    return numbers
            except ValueError:
                pass
        return np.array([self._number(name, cells[i], self.lines[i]) for i in rows], dtype=np.float64)

    def _number(self, name: str, cell: str, line: int) -> float:
        text = cell.replace("−", "-")
        if not _NUMBER.fullmatch(text):
            self.fail(f"'{cell}' under '{name}'" if cell else f"an empty cell under '{name}'", line, "a number")
        number = float(text)
        if abs(number) > MOST_SIZE or 0 < abs(number) < LEAST_SIZE:
            self.fail(f"'{cell}' under '{name}' is too {'large' if abs(number) > 1 else 'small'}", line,
                      f"0, or a number of {LEAST_SIZE:g} to {MOST_SIZE:g}")
        return number


def _bare(text: str) -> tuple[list[str], list[int], list[int]]:
    """Return all cells in a row, the number of cells in each line, and the lines that hold any; no quotes in `text`.

    One flat list of text, and no list a row, keeps the collector of garbage out of long recordings.
    """
    kept = [(number, line) for number, line in enumerate(text.split("\n"), 1) if line.replace(",", "").strip()]
    wide = [line.count(",") + 1 for _, line in kept]
    return ",".join([line for _, line in kept]).split(","), wide, [number for number, _ in kept]


def _quoted(text: str, path: Path) -> tuple[list[str], list[int], list[int]]:
    """Return the same as `_bare` of a text with quoted cells."""
    reader = csv.reader(io.StringIO(text), strict=True)
    cells: list[str] = []
    wide: list[int] = []
    lines: list[int] = []
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                cells += row
                wide.append(len(row))
                lines.append(reader.line_num)
    except csv.Error as trouble:
        raise AgreementError(str(trouble), path=path, line=reader.line_num,
                             expected="comma-separated values") from None
    return cells, wide, lines


def read_times(path: Path) -> NDArray[np.float64]:
    """Read a file of times (a column `t_s`), seconds, rising.

    Raises
    ------
    AgreementError : no such column, or a cell that is no time
    """
    table = _Table.read(path)
    table.need("t_s")
    return table.times(table.column("t_s") or [], range(len(table.lines)))
