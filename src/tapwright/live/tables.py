"""Recorded readings as tables for other software: CSV in pieces, Parquet whole.

Columns are those of the API's reading: `t` (Unix seconds), `seq`, `display`, `value`, `unit`, `flags`, `status`, and
`t_s` (seconds from the session's start).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tapwright.live.store import Row

COLUMNS = ("t", "seq", "display", "value", "unit", "flags", "status", "t_s")
LINES_AT_ONCE = 1000


def csv_lines(rows: Iterable[Row]) -> Iterator[str]:
    """Yield the CSV in pieces of many lines; memory does not grow with the recording."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for i, (seq, t, t_s, display, value, unit, flags, status) in enumerate(rows, 1):
        writer.writerow((f"{t:.6f}", seq, display, "" if value is None else repr(value), unit, flags, status,
                         f"{t_s:.6f}"))
        if i % LINES_AT_ONCE == 0:
            yield text.getvalue()
            text.seek(0)
            text.truncate()
    yield text.getvalue()


def parquet(rows: Iterable[Row]) -> bytes:
    """Return the table as a Parquet file; texts are dictionary-encoded by the writer."""
    import polars

    columns: list[list[object]] = [[] for _ in COLUMNS]
    for seq, t, t_s, display, value, unit, flags, status in rows:
        for column, cell in zip(columns, (t, seq, display, value, unit, flags, status, t_s), strict=True):
            column.append(cell)
    kinds = (polars.Float64, polars.Int64, polars.String, polars.Float64, polars.String, polars.String, polars.String,
             polars.Float64)
    frame = polars.DataFrame([polars.Series(name, column, dtype=kind)
                              for name, column, kind in zip(COLUMNS, columns, kinds, strict=True)])
    out = io.BytesIO()
    frame.write_parquet(out)
    return out.getvalue()
