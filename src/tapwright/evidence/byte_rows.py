"""The bytes of lines as a table: `t_s,channel,hex,error`, a row a byte (or a word of a clocked pair).

Rows are made as a matrix of characters, a block at a time: formatting them one by one costs ten times more.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from tapwright.core.errors import CaptureError
from tapwright.core.files import atomic, read_text
from tapwright.core.line import ByteError, LineBytes

HEADER = "t_s,channel,hex,error"
BLOCK_ROWS = 1 << 14
COMPILED_FROM = 200_000  # rows; below, loading machine code (0.1 s) costs more than it saves
FAST_FROM_BYTES = 4_000_000  # below, loading the library costs more than it saves
MOST_S = 4e9  # nanoseconds up to here fit into 64 bits
_ERROR_NAMES = {ByteError.NONE: "", ByteError.FRAMING: "framing", ByteError.PARITY: "parity",
                ByteError.BROKEN: "broken"}
_ERROR_OF = {name: int(error) for error, name in _ERROR_NAMES.items()}
_HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
_NOTHING = 0  # a cell of the character matrix that is left out


def write_byte_rows(path: Path, rows: list[LineBytes]) -> None:
    """Write bytes of all channels in time order, whole or not at all; times to the nanosecond.

    Raises
    ------
    TapwrightError : the file cannot be written
    """
    widest = max((_tail_width(row) for row in rows), default=0)
    with atomic(path, "wb") as file:
        file.write(HEADER.encode() + b"\n")
        if len(rows) == 1 and len(rows[0]) >= COMPILED_FROM:
            _write_compiled(file, rows[0])
        elif len(rows) == 1:
            for i in range(0, len(rows[0]), BLOCK_ROWS):
                part = slice(i, i + BLOCK_ROWS)
                file.write(_text(_times(rows[0].t_s[part]), _tails(rows[0], part, widest)))
        elif rows:
            _write_merged(file, rows, widest)


def _write_compiled(file: IO[bytes], row: LineBytes) -> None:
    from tapwright.evidence._table_kernels import byte_rows

    head = np.frombuffer(("," + _quoted(row.channel) + ",").encode(), np.uint8)
    names = np.zeros(8 * len(_ERROR_NAMES), np.uint8)
    for error, name in _ERROR_NAMES.items():
        names[8 * error:8 * error + len(name)] = np.frombuffer(name.encode(), np.uint8)
    digits = (row.bits + 3) // 4
    out = np.empty(BLOCK_ROWS * (40 + len(head) + digits), np.uint8)
    for i in range(0, len(row), BLOCK_ROWS):
        t_s, values, errors = (part[i:i + BLOCK_ROWS] for part in (row.t_s, row.values, row.errors))
        used = byte_rows(t_s, values, errors, len(t_s), head, len(head), digits, names, out)
        file.write(out[:used].data)


def _write_merged(file: IO[bytes], rows: list[LineBytes], widest: int) -> None:
    t_s = np.concatenate([row.t_s for row in rows])
    channel = np.repeat(np.arange(len(rows)), [len(row) for row in rows])
    starts = np.cumsum([0] + [len(row) for row in rows])
    order = np.argsort(t_s, kind="stable")
    for i in range(0, len(order), BLOCK_ROWS):
        mine = order[i:i + BLOCK_ROWS]
        tails = np.zeros((len(mine), widest), np.uint8)
        for j, row in enumerate(rows):
            here = np.flatnonzero(channel[mine] == j)
            if len(here):
                tails[here] = _tails(row, mine[here] - starts[j], widest)
        file.write(_text(_times(t_s[mine]), tails))


def _times(t_s: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return times as characters with nine decimals, shape (n, width), `_NOTHING` before the first digit."""
    total = np.rint(np.abs(t_s) * 1e9)
    whole = np.floor(total / 1e9).astype(np.int64)
    part = (total - whole * 1e9).astype(np.uint32)
    n_whole = max(len(str(int(whole.max()))), 1) if len(whole) else 1
    out = np.zeros((len(t_s), n_whole + 11), np.uint8)
    out[t_s < 0, 0] = ord("-")
    for i in range(n_whole):
        whole, digit = np.divmod(whole, 10)
        out[:, n_whole - i] = digit + ord("0")
        if i:  # no leading zeros
            out[:, n_whole - i][(whole == 0) & (digit == 0)] = _NOTHING
    out[:, n_whole + 1] = ord(".")
    for i in range(9):
        rest = part // np.uint32(10)
        out[:, n_whole + 10 - i] = part - rest * np.uint32(10) + np.uint32(ord("0"))
        part = rest
    return out


def _tail_width(row: LineBytes) -> int:
    return len(_quoted(row.channel).encode()) + 2 + (row.bits + 3) // 4 + 1 + 7 + 1


def _tails(row: LineBytes, which: slice | NDArray[np.int64], width: int) -> NDArray[np.uint8]:
    """Return `,channel,hex,error` and the line end as characters, shape (n, width)."""
    values, errors = row.values[which], row.errors[which]
    head = np.frombuffer(("," + _quoted(row.channel) + ",").encode(), np.uint8)
    digits = (row.bits + 3) // 4
    out = np.zeros((len(values), width), np.uint8)
    out[:, :len(head)] = head
    for i in range(digits):
        nibble = (values >> np.uint64(4 * (digits - 1 - i))) & np.uint64(15)
        out[:, len(head) + i] = _HEX[nibble.astype(np.intp)]
    at = len(head) + digits
    out[:, at] = ord(",")
    for error in np.unique(errors[errors > 0]) if errors.any() else ():
        name = np.frombuffer(_ERROR_NAMES[ByteError(error)].encode(), np.uint8)
        out[np.flatnonzero(errors == error)[:, None], np.arange(at + 1, at + 1 + len(name))] = name
    out[:, -1] = ord("\n")
    return out


def _text(times: NDArray[np.uint8], tails: NDArray[np.uint8]) -> bytes:
    columns = [c for c in (times, tails) if c.shape[1]]
    table = np.concatenate(columns, axis=1)
    # Columns that are empty in every row go first; what is left is mostly full.
    table = table[:, table.any(axis=0)]
    return table[table != _NOTHING].tobytes() if not table.all() else table.tobytes()


def _quoted(name: str) -> str:
    name = name.replace("\0", "")
    return '"' + name.replace('"', '""') + '"' if any(mark in name for mark in ',"\r\n') else name


def read_byte_rows(path: Path) -> list[LineBytes]:
    """Read bytes, one `LineBytes` a channel in order of first appearance.

    Raises
    ------
    CaptureError : no such header, ragged rows, times that fall, hex digits or errors that are none
    """
    if path.is_file() and path.stat().st_size >= FAST_FROM_BYTES:
        fast = _read_fast(path)
        if fast is not None:
            return fast
    lines = read_text(path, error=CaptureError).split("\n")
    if lines[0].strip().lower().replace(" ", "") != HEADER:
        raise CaptureError(f"a header '{lines[0][:60]}'", path=path, line=1, expected=HEADER)
    found: dict[str, tuple[list[float], list[int], list[int], list[int]]] = {}
    rows = csv.reader(lines[1:])
    while True:
        try:
            cells = next(rows, None)
        except csv.Error as trouble:
            raise CaptureError(str(trouble), path=path, line=rows.line_num + 1, expected=HEADER) from None
        if cells is None:
            break
        if cells:
            _take_row(path, rows.line_num + 1, cells, found)
    return [LineBytes(channel=name, t_s=np.array(times), values=np.array(values, np.uint64),
                      errors=np.array(errors, np.uint8), bits=4 * max(digits))
            for name, (times, values, errors, digits) in found.items()]


def _read_fast(path: Path) -> list[LineBytes] | None:
    """Read a large file by a library; None where anything in it is odd, so that the plain way says what and where."""
    import polars as pl

    names = HEADER.split(",")
    text = {name: pl.col(name).str.strip_chars() for name in names}
    try:
        table = pl.scan_csv(path, infer_schema=False).rename(
            lambda name: name.strip().lower()).select(
            text["t_s"].cast(pl.Float64, strict=False), pl.col("channel").cast(pl.Categorical),
            text["hex"].str.to_integer(base=16, strict=False).alias("value"),
            text["hex"].str.contains("^[0-9A-Fa-f]{1,15}$").alias("sound"),
            text["hex"].str.len_bytes().cast(pl.UInt8).alias("digits"),
            text["error"].fill_null("").replace_strict(list(_ERROR_OF), list(_ERROR_OF.values()), default=None,
                                         return_dtype=pl.UInt8).alias("error")).collect(engine="streaming")
    except (pl.exceptions.PolarsError, OSError):
        return None
    if table.null_count().sum_horizontal()[0] or not table["sound"].all():
        return None
    out = []
    for part in table.partition_by("channel", maintain_order=True):
        t_s = part["t_s"].to_numpy().astype(np.float64)
        if not np.isfinite(t_s).all() or np.abs(t_s).max() > MOST_S or (np.diff(t_s) < 0).any():
            return None
        out.append(LineBytes(channel=str(part["channel"][0]), t_s=t_s,
                             values=part["value"].to_numpy().astype(np.uint64),
                             errors=part["error"].to_numpy().astype(np.uint8),
                             bits=4 * int(part["digits"].to_numpy().max())))
    return out


def _take_row(
    path: Path, line: int, cells: list[str], found: dict[str, tuple[list[float], list[int], list[int], list[int]]],
) -> None:
    if len(cells) != 4:
        raise CaptureError(f"{len(cells)} cells", path=path, line=line, expected="4: " + HEADER)
    times, values, errors, digits = found.setdefault(cells[1], ([], [], [], []))
    text = cells[2].strip()
    try:
        t = float(cells[0])
    except ValueError:
        t = math.nan
    if not math.isfinite(t) or abs(t) > MOST_S or (times and t < times[-1]):
        raise CaptureError(f"a time '{cells[0][:20]}'", path=path, line=line, expected="seconds that do not fall")
    if not 1 <= len(text) <= 16 or not all(letter in "0123456789abcdefABCDEF" for letter in text):
        raise CaptureError(f"'{cells[2][:20]}'", path=path, line=line, expected="1 to 16 hex digits")
    if cells[3].strip() not in _ERROR_OF:
        raise CaptureError(f"an error '{cells[3][:20]}'", path=path, line=line,
                           expected="empty, framing, parity or broken")
    times.append(t)
    values.append(int(text, 16))
    errors.append(_ERROR_OF[cells[3].strip()])
    digits.append(len(text))
