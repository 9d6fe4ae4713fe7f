"""Frames files: rows of `t_s,hex` with an optional `channel` <-> `Frames`.

`t_s` is seconds of a frame's first byte, `hex` its bytes with or without spaces; `??` is a byte that a mask does not
settle. Small files are read row by row; large ones as whole columns, and again row by row only to name the place of a
mistake.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapwright.core.errors import CaptureError, UsageError
from tapwright.core.files import atomic, read_bytes, read_text
from tapwright.core.frame import Frames

LARGE_BYTES = 1_000_000  # from here on a column reader's import (0.2 s) is won back
HEAD_BYTES = 4096
_HEX = re.compile(r"(?:[0-9A-Fa-f?]{2})+")
_ROWS_AT_ONCE = 50_000


def is_frame_rows(path: Path) -> bool:
    """Whether a file's heading is that of a frames file: it has `t_s` and `hex`, and no `error` as bytes files do."""
    names = _heading(path)
    return "t_s" in names and "hex" in names and "error" not in names


def is_byte_rows(path: Path) -> bool:
    """Whether a file's heading is that of a bytes file: `t_s`, `hex` and `error`."""
    names = _heading(path)
    return "t_s" in names and "hex" in names and "error" in names


def read_frame_rows(path: Path, *, channel: str | None = None) -> Frames:
    """Read a frames file.

    Parameters
    ----------
    path : the file
    channel : the channel to keep; needed where the file holds frames of several, ignored where it names none

    Raises
    ------
    CaptureError : no such heading, no rows, a time that is no number or goes back, hex that is not whole bytes
    UsageError : the file has several channels and none was named, or not the one named
    """
    path = Path(path)
    if path.is_file() and path.stat().st_size >= LARGE_BYTES:
        columns = _read_columns(path)
        if columns is not None:
            return _frames(path, *columns, channel)
    return _frames(path, *_read_rows(path), channel)


def write_frame_rows(path: Path, frames: Frames) -> None:
    """Write a frames file whole or not at all; bytes that a mask does not settle are written as `??`."""
    text = frames.data.tobytes().hex().upper()
    if frames.unsettled is not None and frames.unsettled.any():
        digits = np.frombuffer(text.encode(), np.uint8).copy()
        digits[np.repeat(frames.unsettled, 2)] = ord("?")
        text = digits.tobytes().decode()
    cuts = (2 * frames.offsets).tolist()
    times = frames.t_s.tolist()
    name = io.StringIO()
    csv.writer(name, lineterminator="").writerow([frames.channel])
    tail = f",{name.getvalue()}\n" if frames.channel else "\n"
    with atomic(Path(path)) as file:
        file.write("t_s,hex,channel\n" if frames.channel else "t_s,hex\n")
        for start in range(0, len(times), _ROWS_AT_ONCE):
            file.write("".join(f"{_seconds(times[i])},{text[cuts[i]:cuts[i + 1]]}{tail}"
                               for i in range(start, min(start + _ROWS_AT_ONCE, len(times)))))


def _seconds(t_s: float) -> str:
    # The shortest digits that give the same number back.
    return repr(t_s)


def _heading(path: Path) -> list[str]:
    if not path.is_file():
        return []
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES).decode("utf-8-sig", "replace")
    lines = [line for line in head.splitlines() if line.strip()]
    return _split(lines[0]) if lines else []


def _split(line: str) -> list[str]:
    cells = next(csv.reader([line], delimiter="\t" if "\t" in line and "," not in line else ","), [])
    return [cell.strip().lower() for cell in cells]


_Columns = tuple["NDArray[np.float64]", "NDArray[np.uint8]", "NDArray[np.int64]", "NDArray[np.bool_] | None",
                 "list[str] | None"]


def _read_rows(path: Path) -> _Columns:
    """Read row by row: t_s, all bytes, their offsets, which are unsettled, each row's channel."""
    text = read_text(path, error=CaptureError)
    lines = text.split("\n")
    first = next((i for i, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise CaptureError("the file is empty", path=path, expected="a heading t_s,hex and a row a frame")
    names = _split(lines[first])
    if "t_s" not in names or "hex" not in names:
        raise CaptureError(f"the heading is '{lines[first][:60]}'", path=path, line=first + 1,
                           expected="columns t_s and hex, and channel where there are several lines")
    at_t, at_hex = names.index("t_s"), names.index("hex")
    at_channel = names.index("channel") if "channel" in names else None
    times: list[float] = []
    hexes: list[str] = []
    channels: list[str] | None = None if at_channel is None else []
    latest: dict[str, float] = {}
    for number, cells in _rows(path, lines, first):
        if len(cells) <= max(at_t, at_hex):
            raise CaptureError(f"{len(cells)} cells", path=path, line=number, expected=f"{len(names)}, as the heading")
        name = cells[at_channel].strip() if at_channel is not None and at_channel < len(cells) else ""
        t_s = _time(path, number, cells[at_t])
        if t_s < latest.get(name, -math.inf):
            raise CaptureError(f"time goes back from {latest[name]:g} to {t_s:g} s", path=path, line=number,
                               place="column t_s", expected="rows in order of time", do="sort the rows by t_s")
        latest[name] = t_s
        times.append(t_s)
        hexes.append(_hex(path, number, cells[at_hex]))
        if channels is not None:
            channels.append(name)
    if not times:
        raise CaptureError("a heading but no rows", path=path, expected="a row a frame")
    data, offsets, unsettled = _bytes_of(hexes)
    return np.array(times, np.float64), data, offsets, unsettled, channels


def _rows(path: Path, lines: list[str], first: int) -> Iterator[tuple[int, list[str]]]:
    delimiter = "\t" if "\t" in lines[first] and "," not in lines[first] else ","
    for number, line in enumerate(lines[first + 1:], first + 2):
        if not line.strip():
            continue
        if '"' in line:
            try:
                yield number, next(csv.reader([line], delimiter=delimiter, strict=True))
            except csv.Error as trouble:
                raise CaptureError(f"a row that is no CSV ({trouble})", path=path, line=number,
                                   expected="closed quotes") from None
        else:
            yield number, line.split(delimiter)


def _time(path: Path, line: int, cell: str) -> float:
    try:
        t_s = float(cell)
    except ValueError:
        t_s = math.nan
    if not math.isfinite(t_s) or "_" in cell:
        raise CaptureError(f"'{cell.strip()[:40]}' is no time", path=path, line=line, place="column t_s",
                           expected="seconds as a number")
    return t_s


def _hex(path: Path, line: int, cell: str) -> str:
    digits = "".join(cell.split())
    if _HEX.fullmatch(digits) and ("?" not in digits or _pairs_of_marks(digits)):
        return digits
    raise _bad_hex(path, line, cell, digits)


def _pairs_of_marks(digits: str) -> bool:
    return all((digits[i] == "?") == (digits[i + 1] == "?") for i in range(0, len(digits), 2))


def _bad_hex(path: Path, line: int, cell: str, digits: str) -> CaptureError:
    if not digits:
        found = "no bytes"
    elif (odd := re.search(r"[^0-9A-Fa-f?]", digits)) is not None:
        found = f"'{odd.group()}' is no hex digit"
    elif len(digits) % 2:
        found = f"{len(digits)} hex digits, an odd number"
    else:
        found = "half a byte is '?'"
    shown = cell.strip()
    return CaptureError(found + (f" in '{shown[:40]}{'...' if len(shown) > 40 else ''}'" if digits else ""), path=path,
                        line=line, place="column hex", expected="two hex digits a byte (or ?? for one not settled)")


def _bytes_of(hexes: list[str]) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.bool_] | None]:
    lengths = np.fromiter((len(digits) for digits in hexes), np.int64, len(hexes)) // 2
    offsets = np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths)])
    joined = "".join(hexes)
    unsettled = None
    if "?" in joined:
        unsettled = np.frombuffer(joined.encode(), np.uint8)[::2] == ord("?")
        joined = joined.replace("?", "0")
    return np.frombuffer(bytes.fromhex(joined), np.uint8), offsets, unsettled


def _read_columns(path: Path) -> _Columns | None:
    """Read a large file as columns; None where anything is out of the ordinary, so that the rows are looked at."""
    import polars as pl

    raw = read_bytes(path, error=CaptureError)
    names = _heading(path)
    if "t_s" not in names or "hex" not in names or len(set(names)) != len(names):
        return None
    try:
        table = pl.read_csv(raw, has_header=True, new_columns=names, infer_schema=False,
                            separator="," if b"," in raw[:HEAD_BYTES] else "\t")
        hexes = table["hex"].str.replace_all(" ", "", literal=True)
        times = table["t_s"].str.strip_chars().cast(pl.Float64, strict=True).to_numpy()
    except pl.exceptions.PolarsError:
        return None
    sizes = hexes.str.len_bytes().to_numpy()
    if hexes.null_count() or table["t_s"].null_count() or not len(times) or not np.isfinite(times).all() \
            or (sizes % 2).any() or (sizes == 0).any():
        return None
    channels: list[str] | None = None
    if "channel" in names:
        column = table["channel"].fill_null("").str.strip_chars()
        channels = [str(column[0])] if column.n_unique() == 1 else column.to_list()
    if (channels is None or len(channels) == 1) and (np.diff(times) < 0).any():
        return None
    joined = "".join(hexes.to_list())
    unsettled = None
    if "?" in joined:
        marks = np.frombuffer(joined.encode(), np.uint8) == ord("?")
        if len(marks) != int(sizes.sum()) or (marks[::2] != marks[1::2]).any():
            return None
        unsettled, joined = marks[::2], joined.replace("?", "0")
    try:
        data = np.frombuffer(bytes.fromhex(joined), np.uint8)
    except ValueError:
        return None
    offsets = np.concatenate([np.zeros(1, np.int64), np.cumsum(sizes.astype(np.int64) // 2)])
    return (times, data, offsets, unsettled, channels) if offsets[-1] == len(data) else None


def _frames(path: Path, t_s: NDArray[np.float64], data: NDArray[np.uint8], offsets: NDArray[np.int64],
            unsettled: NDArray[np.bool_] | None, channels: list[str] | None, wanted: str | None) -> Frames:
    """Return the frames of one channel."""
    names = list(dict.fromkeys(channels)) if channels else [""]
    if wanted is not None and channels:
        name = next((n for n in names if n == wanted), None) or next(
            (n for n in names if n.rpartition(".")[2] == wanted), None)
        if name is None:
            raise UsageError(f"no frames of channel '{wanted}'", path=path,
                             expected="one of " + ", ".join(n or "(no name)" for n in names[:20]))
    elif len(names) == 1:
        name = names[0]
    else:
        raise UsageError(f"frames of {len(names)} channels: {', '.join(n or '(no name)' for n in names[:20])}",
                         path=path, expected="frames of one channel", do="name one with --channel NAME")
    frames = Frames(t_s, data, offsets, unsettled=unsettled, channel=name)
    if channels and len(names) > 1:
        frames = frames.take(np.array([i for i, n in enumerate(channels) if n == name], np.int64))
    return frames
