"""The bytes of lines as a table: `t_s,channel,hex,error`, a row a byte (or a word of a clocked pair)."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tapwright.core.errors import CaptureError
from tapwright.core.files import atomic, read_text
from tapwright.core.line import ByteError, LineBytes

HEADER = "t_s,channel,hex,error"
_ERROR_NAMES = {ByteError.NONE: "", ByteError.FRAMING: "framing", ByteError.PARITY: "parity",
                ByteError.BROKEN: "broken"}
_ERROR_OF = {name: int(error) for error, name in _ERROR_NAMES.items()}


def write_byte_rows(path: Path, rows: list[LineBytes]) -> None:
    """Write bytes of all channels in time order, whole or not at all."""
    with atomic(path) as file:
        file.write(HEADER + "\n")
        table = [(t, i, j) for i, row in enumerate(rows) for j, t in enumerate(row.t_s.tolist())]
        table.sort()
        for t, i, j in table:
            row = rows[i]
            digits = (row.bits + 3) // 4
            file.write(f"{t:.9f},{_quoted(row.channel)},{int(row.values[j]):0{digits}X},"
                       f"{_ERROR_NAMES[ByteError(row.errors[j])]}\n")


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"' if any(mark in name for mark in ',"\n') else name


def read_byte_rows(path: Path) -> list[LineBytes]:
    """Read bytes, one `LineBytes` a channel in order of first appearance.

    Raises
    ------
    CaptureError : no such header, ragged rows, times that fall, hex digits or errors that are none
    """
    import csv

    lines = read_text(path, error=CaptureError).split("\n")
    if lines[0].strip().lower().replace(" ", "") != HEADER:
        raise CaptureError(f"a header '{lines[0][:60]}'", path=path, line=1, expected=HEADER)
    found: dict[str, tuple[list[float], list[int], list[int], list[int]]] = {}
    for number, cells in enumerate(csv.reader(lines[1:]), 2):
        if not cells:
            continue
        if len(cells) != 4:
            raise CaptureError(f"{len(cells)} cells", path=path, line=number, expected="4: " + HEADER)
        times, values, errors, digits = found.setdefault(cells[1], ([], [], [], []))
        try:
            t, value = float(cells[0]), int(cells[2], 16)
        except ValueError:
            raise CaptureError(f"'{cells[0][:20]}', '{cells[2][:20]}'", path=path, line=number,
                               expected="seconds and hex digits") from None
        if not np.isfinite(t) or (times and t < times[-1]) or not 0 <= value < 2**64:
            raise CaptureError(f"'{cells[0][:20]}', '{cells[2][:20]}'", path=path, line=number,
                               expected="times that do not fall and at most 16 hex digits")
        if cells[3] not in _ERROR_OF:
            raise CaptureError(f"an error '{cells[3][:20]}'", path=path, line=number,
                               expected="empty, framing, parity or broken")
        times.append(t)
        values.append(value)
        errors.append(_ERROR_OF[cells[3]])
        digits.append(len(cells[2].strip()))
    return [LineBytes(channel=name, t_s=np.array(times), values=np.array(values, np.uint64),
                      errors=np.array(errors, np.uint8), bits=4 * max(digits))
            for name, (times, values, errors, digits) in found.items()]
