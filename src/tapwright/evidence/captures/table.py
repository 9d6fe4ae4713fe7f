"""Tables of samples (.csv, .tsv): a header row, time in seconds, one column a channel of levels or of volts.

Large files are parsed in pieces by machine code; small ones, and any piece with more than plain numbers, by plain
Python, which also says what is wrong and where.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.errors import CaptureError
from tapwright.evidence.captures import _volts
from tapwright.evidence.captures._levels import levels_of
from tapwright.evidence.captures._source import ReadOptions, Source

SUFFIXES = (".csv", ".tsv")
PIECE_BYTES = 1 << 22
FAST_FROM_BYTES = 1 << 19  # below, loading machine code (0.1 s) costs more than it saves
MOST_COLUMNS = 1024
MOST_LINE_BYTES = 1 << 16
MOST_VOLTS = 1e6
FEW_ROWS = 8  # fewer changes hold no character that can be told
_TIME_HEADING = re.compile(r"t$|t[_ (\[]|time|s$|sec|x$|x[-_ ]?axis|.*(time|second|\(s\)|\[s\]|_s$)", re.IGNORECASE)
_TENS = np.array([float(f"1e{i}") for i in range(23)])
_FORM = "a table: a header row such as 't_s,rx', then rows of seconds and levels or volts"
_UNKNOWN = frozenset({"x", "z", "u", "w", "?", "-"})
_WORDS = {"true": 1.0, "false": 0.0, "h": 1.0, "l": 0.0, "high": 1.0, "low": 0.0}


@dataclass
class _Column:
    """One channel while it is read."""

    name: str
    is_levels: bool = True
    last: float = math.nan
    first: float = math.nan
    ticks: list[NDArray[np.int64]] = field(default_factory=list)
    values: list[NDArray[np.float64]] = field(default_factory=list)


@dataclass
class _Times:
    """What is kept of the time column: heading, first, last, count, and whether the steps are even."""

    heading: str
    power: int = 12
    first: int = 0
    last: int = 0
    n: int = 0
    step: int = 0
    even: bool = True
    all_ticks: list[NDArray[np.int64]] = field(default_factory=list)


class _NotLevels(Exception):
    """A column that looked like levels holds volts further down."""

    def __init__(self, column: int) -> None:
        self.column = column
        super().__init__()


def matches(head: bytes) -> bool:
    """Return whether this looks like a table: text whose first two lines have the same number of separators."""
    lines = head.split(b"\n")
    if b"\0" in head or len(lines) < 3:
        return False
    return any(0 < lines[0].count(mark) == lines[1].count(mark) for mark in (b",", b"\t", b";"))


def read(source: Source, options: ReadOptions) -> Capture:
    """Read a table of samples.

    Raises
    ------
    CaptureError : no header, ragged rows, cells that are no numbers, times that do not rise
    """
    volts: set[int] = set()
    while True:
        try:
            return _read_once(source, options, volts)
        except _NotLevels as found:
            volts.add(found.column)


def _read_once(source: Source, options: ReadOptions, volts: set[int]) -> Capture:
    pieces = _whole_lines(source)
    head_line, body = next(pieces, (1, b""))[1].partition(b"\n")[::2]
    mark, (heading, *names) = _header(source, head_line)
    columns = [_Column(name, is_levels=i not in volts and options.low_v is None) for i, name in enumerate(names)]
    times, line, done = _Times(heading), 2, 0
    for first_line, piece in _chain(body, pieces):
        line = first_line if first_line else line
        if piece and not piece.isspace():
            _take(source, _numbers(source, piece, mark, len(names) + 1, line), columns, times, line, piece)
        done += len(piece)
        if options.progress:
            options.progress(min(done / source.size, 1))
    if not times.n:
        raise CaptureError("a header but no row", path=source.path, line=2, expected="rows of samples")
    return _capture(source, options, columns, times)


def _chain(body: bytes, pieces: Iterator[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
    yield 2, body
    yield from pieces


def _whole_lines(source: Source) -> Iterator[tuple[int, bytes]]:
    """Yield (line number of the first line, bytes) with pieces cut at line ends."""
    rest, line = b"", 1
    for piece in source.pieces(PIECE_BYTES):
        if b"\r" in piece:
            piece = piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        piece = rest + piece if rest else piece
        cut = piece.rfind(b"\n") + 1
        if not cut and len(piece) > PIECE_BYTES:
            raise CaptureError("a line of more than 4 MB", path=source.path, line=line, expected="a table of samples")
        rest = piece[cut:]
        if cut:
            yield line, piece[:cut]
            line += piece.count(b"\n", 0, cut)
    if rest:
        yield line, rest


def _header(source: Source, line: bytes) -> tuple[str, list[str]]:
    controls = sum((letter < 32 and letter not in b"\t\r\f") or letter == 127 for letter in line[:MOST_LINE_BYTES])
    if controls or len(line) > MOST_LINE_BYTES:
        raise CaptureError("binary data, no table at all" if controls else "binary data, or a line without end",
                           path=source.path, line=1, expected=_FORM,
                           do="give packed samples the ending .bin and --rate, a value change dump .vcd")
    try:
        text = line.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        raise CaptureError(f"byte 0x{line[trouble.start]:02X} is not UTF-8 text", path=source.path, line=1,
                           expected=_FORM, do="save a table again as UTF-8; give packed samples the ending .bin and "
                           "--rate, a value change dump .vcd") from None
    mark = "\t" if source.suffix == ".tsv" or ("\t" in text and "," not in text) else ","
    if mark == "," and "," not in text and ";" in text:
        mark = ";"
    names = [cell.strip().strip('"').strip() for cell in text.split(mark)]
    if len(names) < 2:
        raise CaptureError(f"a header with one column, '{text[:40].strip()}'", path=source.path, line=1,
                           expected="time in seconds and at least one channel, separated by "
                           + ("tabs" if mark == "\t" else "commas"))
    if len(names) > MOST_COLUMNS:
        raise CaptureError(f"{len(names)} columns", path=source.path, line=1, expected=f"at most {MOST_COLUMNS}")
    lower = [name.lower() for name in names]
    if "hex" in lower:
        raise CaptureError("a column named hex, so this is a file of frames or bytes", path=source.path, line=1,
                           expected="a capture", do="give it to 'tapwright frames' instead")
    if all(_is_number(name) for name in names):
        raise CaptureError("the first row holds numbers", path=source.path, line=1, expected="a header row with names",
                           do="put a line such as 't_s,rx' on top")
    for i, name in enumerate(names[1:], 1):
        if not name:
            raise CaptureError(f"column {i + 1} has no name", path=source.path, line=1, expected="a name a column")
        if name in names[1:i]:
            raise CaptureError(f"two columns named '{name}'", path=source.path, line=1, expected="different names")
    return mark, names


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _numbers(source: Source, piece: bytes, mark: str, n_columns: int, line: int) -> NDArray[np.float64]:
    """Return a piece's cells, shape (n_columns, n_rows); unknown levels (x, z) are NaN."""
    if len(piece) >= FAST_FROM_BYTES:
        fast = _compiled(piece, mark, n_columns)
        if fast is not None:
            return fast
    return _by_rows(source, piece, mark, n_columns, line)


def _compiled(piece: bytes, mark: str, n_columns: int) -> NDArray[np.float64] | None:
    """Return a piece's cells read by machine code, None where some are not plain numbers."""
    from tapwright.evidence._table_kernels import numbers

    room = piece.count(b"\n") + 1
    out = np.empty((n_columns, room))
    n = numbers(np.frombuffer(piece, np.uint8), len(piece), ord(mark), n_columns, out.ravel(), room, _TENS)
    return None if n < 0 else out[:, :n]


def _by_rows(source: Source, piece: bytes, mark: str, n_columns: int, line: int) -> NDArray[np.float64]:
    try:
        rows = piece.decode("ascii").split("\n")
    except UnicodeDecodeError as trouble:
        raise CaptureError(f"byte 0x{piece[trouble.start]:02X} among the numbers", path=source.path,
                           line=line + piece.count(b"\n", 0, trouble.start), expected="numbers") from None
    flat: list[float] = []
    for i, row in enumerate(rows):
        if not row or row.isspace():
            continue
        cells = row.split(mark)
        if len(cells) != n_columns:
            raise CaptureError(f"{len(cells)} cells", path=source.path, line=line + i,
                               expected=f"{n_columns} as in the header", do="check whether the file is cut short")
        try:
            values = list(map(float, cells))
        except ValueError:
            values = [_cell(source, cell, j, line + i) for j, cell in enumerate(cells)]
        else:
            if not math.isfinite(sum(values)):
                values = [_cell(source, cell, j, line + i) for j, cell in enumerate(cells)]
        flat.extend(values)
    return np.array(flat, np.float64).reshape(-1, n_columns).T


def _cell(source: Source, cell: str, column: int, line: int) -> float:
    text = cell.strip().strip('"').lower()
    if column and text in _UNKNOWN:
        return math.nan
    if column and text in _WORDS:
        return _WORDS[text]
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CaptureError(f"'{cell.strip()[:40]}' in column {column + 1}", path=source.path, line=line,
                           expected="seconds" if column == 0 else "0, 1, x, z or volts")
    return value


def _take(
    source: Source, cells: NDArray[np.float64], columns: list[_Column], times: _Times, line: int, piece: bytes,
) -> None:
    seconds = cells[0]
    if not times.n:
        # Picoseconds hold any rate that is met, and 106 days; longer clocks (seconds since 1970) get nanoseconds.
        times.power = 12 if abs(seconds[-1]) < 4e6 else 9
    far = np.abs(seconds) > 2**62 / 10.0**times.power
    if far.any():
        row = int(np.argmax(far))
        raise CaptureError(f"a time of {seconds[row]:g} s", path=source.path, line=_line_of_row(piece, line, row),
                           expected="seconds")
    ticks = np.rint(seconds * 10.0**times.power).astype(np.int64)
    steps = np.diff(ticks, prepend=times.last) if times.n else np.diff(ticks)
    if len(steps) and steps.min() <= 0:
        bad = int(np.argmax(steps <= 0)) + (0 if times.n else 1)
        before = ticks[bad - 1] if bad else times.last
        raise CaptureError(
            f"the time {seconds[bad]:.12g} s does not come after {before / 10.0**times.power:.12g} s", path=source.path,
            line=_line_of_row(piece, line, bad), expected="times that rise from row to row")
    if len(steps):
        if not times.step:
            times.step = int(np.partition(steps, len(steps) // 2)[len(steps) // 2])
        # Written times are rounded: even steps may differ by a hundredth, or by one in the last place.
        times.even &= bool(steps.max() - steps.min() <= max(times.step // 50, 2))
    if not times.n:
        times.first = int(ticks[0])
    times.last = int(ticks[-1])
    wild = np.abs(cells[1:]) > MOST_VOLTS
    if wild.any():
        i, row = (int(k) for k in np.argwhere(wild)[0])
        raise CaptureError(f"{cells[i + 1, row]:g} in column {i + 2}", path=source.path,
                           line=_line_of_row(piece, line, row), expected="0, 1, x, z or volts")
    for i, column in enumerate(columns):
        _take_column(i, column, ticks, cells[i + 1], first=not times.n)
    if any(not column.is_levels for column in columns):
        times.all_ticks.append(ticks)
    times.n += len(ticks)


def _line_of_row(piece: bytes, line: int, row: int) -> int:
    """Return the file's line of a piece's row; blank lines are no rows."""
    filled = [i for i, text in enumerate(piece.split(b"\n")) if text.strip()]
    return line + (filled[row] if row < len(filled) else 0)


def _take_column(
    i: int, column: _Column, ticks: NDArray[np.int64], values: NDArray[np.float64], *, first: bool,
) -> None:
    if column.is_levels and not bool(((values == 0) | (values == 1) | np.isnan(values)).all()):
        raise _NotLevels(i)
    if not column.is_levels:
        column.values.append(values.astype(np.float32))
        return
    codes = np.where(np.isnan(values), 2.0, values)
    changed = np.append(first or codes[0] != column.last, codes[1:] != codes[:-1])
    column.ticks.append(ticks[changed])
    column.values.append(codes[changed])
    column.last = float(codes[-1])


def _capture(source: Source, options: ReadOptions, columns: list[_Column], times: _Times) -> Capture:
    sample = times.step if times.even and times.n > 2 else 0
    end = times.last + sample
    volts = [np.concatenate(column.values) for column in columns if not column.is_levels]
    ticks = np.concatenate(times.all_ticks) if times.all_ticks else np.empty(0, np.int64)
    middle = max((float(part.max() + part.min()) / 2 for part in volts if part.max() - part.min() > 0.4), default=1.0)
    channels: list[Channel] = []
    notes = _taken_as(columns, times)
    unlike: list[str] = []
    for column in columns:
        if column.is_levels:
            codes = np.concatenate(column.values).astype(np.int8)
            first, edges, unknown = levels_of(np.concatenate(column.ticks), codes, times.first, end - 1)
            channels.append(Channel(name=column.name, first_level=first, edge_ticks=edges, unknown_ticks=unknown))
            continue
        values = np.concatenate(column.values).astype(np.float64)
        if np.isnan(values).any():
            raise CaptureError("an unknown level among volts", path=source.path, place=f"column {column.name}",
                               expected="volts in every row")
        channel = _from_volts(column.name, ticks, values, options, middle)
        channels.append(channel)
        (unlike if channel.analogue else notes).append(f"{column.name}: {channel.note}")
    if unlike and len(unlike) == len(columns):
        notes.append("no column has two levels")
    return Capture(path=source.path, tick_s=Fraction(1, 10**times.power), start_tick=times.first, end_tick=end,
                   sample_ticks=sample, channels=tuple(channels), notes=(*notes, *unlike))


def _taken_as(columns: list[_Column], times: _Times) -> list[str]:
    """Return what was taken for what, where the table does not look like a capture."""
    is_time = _TIME_HEADING.match(times.heading) is not None
    if is_time and times.n >= FEW_ROWS:
        return []
    levels = [column.name for column in columns if column.is_levels]
    volts = [column.name for column in columns if not column.is_levels]
    taken = [f"{', '.join(names[:4])}{' ...' if len(names) > 4 else ''} as {what}"
             for names, what in ((levels, "levels"), (volts, "volts")) if names]
    note = (f"the first column '{times.heading}' was taken as seconds, {' and '.join(taken)}: {times.n} rows, "
            f"{times.first / 10**times.power:g} s to {times.last / 10**times.power:g} s")
    if not is_time:
        note += "; if that is wrong, put time in seconds first, under a heading such as t_s"
    if times.n < FEW_ROWS:
        note += "; so few rows can hold no byte: export the whole capture, every sample or every change"
    return [note]


def _from_volts(
    name: str, ticks: NDArray[np.int64], values: NDArray[np.float64], options: ReadOptions, middle: float,
) -> Channel:
    distinct = np.unique(values[:: max(len(values) // 4096, 1)])
    exact = len(distinct) == 2 and distinct[1] - distinct[0] >= _volts.STEADY_SWING_V
    if options.low_v is None and exact and len(np.unique(values)) == 2:
        # Exactly two values: levels written as volts, perhaps only their changes, so nothing to interpolate.
        high = values == distinct[1]
        turns = np.flatnonzero(high[1:] != high[:-1]) + 1
        return Channel(name=name, first_level=int(high[0]), edge_ticks=ticks[turns],
                       note=f"levels {distinct[0]:g} V and {distinct[1]:g} V")
    sliced = _volts.slice_volts(ticks, values, options.low_v, options.high_v, middle)
    if sliced.analogue:
        return Channel(name=name, first_level=0, edge_ticks=np.empty(0, np.int64), analogue=True,
                       note=f"{sliced.low_v:.3g} to {sliced.high_v:.3g} V, not two levels")
    edges = np.rint(sliced.edges).astype(np.int64)
    order = np.arange(len(edges))
    edges = np.maximum.accumulate(edges - order) + order  # rounding must not make two edges one
    words = f"levels {sliced.low_v:.3g} V and {sliced.high_v:.3g} V" if len(edges) else \
        f"steady at {(sliced.low_v + sliced.high_v) / 2:.3g} V"
    return Channel(name=name, first_level=sliced.first_level, edge_ticks=edges, note=words)
