"""Readings as rows of a table and as a document."""

from __future__ import annotations

import csv
import io

from tapwright.mapping.apply import Readings
from tapwright.mapping.shown import Row

HEAD = "t_s,display,value,unit,flags,status"


def readings_csv(readings: Readings) -> str:
    """Return the contract's table, one row a frame."""
    # Rows repeat: each distinct one is written once and joined to its times.
    tails = [_cells([row.display, value_text(row), row.unit, row.flags, str(row.status)]) for row in readings.rows]
    lines = [f"{time_text(t_s)},{tails[which]}"
             for t_s, which in zip(readings.t_s.tolist(), readings.which.tolist(), strict=True)]
    return "\n".join([HEAD, *lines]) + "\n"


def readings_document(readings: Readings) -> list[dict[str, object]]:
    """Return the readings as plain values."""
    rows = [{"display": row.display, "value": None if row.value is None else float(row.value), "unit": row.unit,
             "flags": row.flags, "status": str(row.status)} for row in readings.rows]
    return [{"t_s": t_s, **rows[which]}
            for t_s, which in zip(readings.t_s.tolist(), readings.which.tolist(), strict=True)]


def value_text(row: Row) -> str:
    """Return a number without an exponent, empty where there is none."""
    return "" if row.value is None else f"{row.value:f}"


def time_text(t_s: float) -> str:
    """Return seconds to the nanosecond without trailing zeros."""
    return f"{t_s:.9f}".rstrip("0").rstrip(".")


def _cells(cells: list[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()
