"""A raster of frames: frames down, bits across, constant bits pale, changing bits dark, found fields named."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Frames
from tapwright.draw.svg import FAINT, INK, PALE, PAPER, SECOND, SETTLED, Canvas
from tapwright.frames.anatomy import constant_run
from tapwright.frames.find import FramesReport
from tapwright.frames.place import n_check_bytes, places
from tapwright.frames.report import MOST_TYPES, kinds_of

MOST_ROWS = 120
MOST_BYTES = 96
BYTE_GAP = 3.0
KIND_GAP = 8.0  # between kinds of frames
LEFT, TOP = 64.0, 96.0
LEAST_WIDTH = 520.0


def raster(report: FramesReport) -> str:
    """Return an SVG picture of the first frames, a bit a cell, bit 7 of a byte leftmost; shorter frames end early."""
    whole = report.whole
    if not len(whole):
        return Canvas(400, 80, "No frames", "no frames were found").svg()
    frames = whole.take(np.arange(min(len(whole), MOST_ROWS)))
    longest = int(frames.lengths.max())
    shown = min(longest, MOST_BYTES)
    kinds = _kinds(report, frames)
    order = np.argsort(kinds, kind="stable")
    frames, kinds = frames.take(order), kinds[order]
    rows, there = _padded(frames, shown)
    cell = 8.0 if shown <= 16 else 5.0 if shown <= 32 else 3.0
    width_byte = 8 * cell + BYTE_GAP
    height = min(cell, 6.0)
    changing = np.zeros(rows.shape, np.uint8)
    for kind in np.unique(kinds):
        same = kinds == kind
        changing[same] = _changing(rows[same], there[same])
    # Kinds of frames stand one below the other, each in its own order of time.
    steps = np.concatenate([np.zeros(1, np.int64), np.cumsum(np.diff(kinds) != 0)])
    y = TOP + np.arange(len(rows)) * height + steps * KIND_GAP
    bottom = float(y[-1]) + height
    size = f"{longest} bytes" if frames.lengths.min() == longest else f"{frames.lengths.min()} to {longest} bytes"
    title = f"{len(rows)} of {len(whole)} frames, {size}"
    canvas = Canvas(max(LEFT + shown * width_byte + 24, LEAST_WIDTH), bottom + 64, title,
                    "Frames downwards in order of time, bits across, bit 7 of each byte first. A filled cell is a 1. "
                    "Bits that never change are pale.")
    canvas.text(LEFT, 22, title, size=14, bold=True)
    guards = _check_bytes(report, frames, shown)
    legend = "each row a frame; filled: 1; dark: the bit changes; pale: it never does"
    if guards.any():
        legend += "; violet: " + ", ".join(dict.fromkeys(one.check.kind for one in report.checks))
    canvas.text(LEFT, 40, legend, size=11, colour=FAINT)
    # A check that counts from the end has its place in a picture only where all frames are of one length.
    _names(canvas, report, longest if frames.lengths.min() == longest else None, shown, width_byte)
    for i in range(shown):
        x = LEFT + i * width_byte
        canvas.text(x + 4 * cell, TOP - 6, str(i), size=9 if cell > 3 else 7, anchor="middle", colour=FAINT)
        canvas.rect(x, TOP, 8 * cell, bottom - TOP, PAPER, stroke=PALE)
    _cells(canvas, rows, changing, guards, cell, width_byte, y, height)
    if not there.all():
        _ends(canvas, np.minimum(frames.lengths, shown), width_byte, y, height)
    begins = np.searchsorted(steps, steps)
    for k in np.flatnonzero((np.arange(len(rows)) - begins) % 10 == 0).tolist():
        canvas.text(LEFT - 6, float(y[k]) + height, str(k - int(begins[k])), size=9, anchor="end", colour=FAINT)
    for i in range(shown):
        if there[:, i].all() and (rows[:, i] == rows[0, i]).all():
            canvas.text(LEFT + i * width_byte + 4 * cell, bottom + 14, f"{rows[0, i]:02X}", size=10 if cell > 3 else 9,
                        anchor="middle", mono=True)
    note = "under a byte: its value where it is constant"
    if steps[-1]:
        note += "; kinds of frames one below the other"
    if not there.all():
        note += "; the stepped line: where frames end"
    canvas.text(LEFT, bottom + 34, note, size=11, colour=FAINT)
    return canvas.svg()


def _kinds(report: FramesReport, frames: Frames) -> NDArray[np.int64]:
    """Return the number of each frame's kind, by length where nothing else tells; all 0 where there is one kind."""
    if report.layout is not None and report.layout.variants:
        return kinds_of(frames, report.layout)
    lengths, kinds = np.unique(frames.lengths, return_inverse=True)
    return kinds if len(lengths) <= MOST_TYPES else np.zeros(len(frames), np.int64)


def _padded(frames: Frames, width: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return frames as a matrix of `width` columns, 0 where a frame is shorter, and where it has a byte."""
    there = np.arange(width) < frames.lengths[:, None]
    rows = np.zeros(there.shape, np.uint8)
    at = frames.offsets[:-1][:, None] + np.arange(width)
    rows[there] = frames.data[at[there]]
    return rows, there


def _changing(rows: NDArray[np.uint8], there: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return the mask of bits that change in each column, over the frames that have it."""
    ones = np.bitwise_or.reduce(np.where(there, rows, 0), axis=0)
    zeros = np.bitwise_or.reduce(np.where(there, ~rows, 0), axis=0)
    return np.asarray(ones & zeros, np.uint8)


def _check_bytes(report: FramesReport, frames: Frames, width: int) -> NDArray[np.bool_]:
    """Return the bytes that are a check's, shape (n_frames, width); they move with the end where lengths vary."""
    guards = np.zeros((len(frames), width), np.bool_)
    for row, length in enumerate(frames.lengths.tolist()):
        for found in report.checks:
            place = places(found.check, length)
            if place is not None:
                guards[row, place[2]:place[2] + place[3]] = True
    return guards


def _ends(canvas: Canvas, lengths: NDArray[np.int64], width_byte: float, y: NDArray[np.float64], height: float) -> None:
    """Draw a stepped line along the frames' ends: what is blank behind it was not sent."""
    x = (LEFT + lengths * width_byte - BYTE_GAP / 2).tolist()
    d = f"M{x[0]:g} {TOP:g}" + "".join(f"H{at:g}V{below + height:g}" for at, below in zip(x, y.tolist(), strict=True))
    canvas.path(d, SETTLED, width=1)


def _cells(canvas: Canvas, rows: NDArray[np.uint8], changing: NDArray[np.uint8], guards: NDArray[np.bool_],
           cell: float, width_byte: float, tops: NDArray[np.float64], height: float) -> None:
    """Draw runs of ones as one path each colour, so that the file stays small."""
    bits = np.unpackbits(rows, axis=1)
    moves = np.unpackbits(changing, axis=1).astype(np.bool_)
    guarded = np.repeat(guards, 8, axis=1)
    for colour, where in ((PALE, ~moves & ~guarded), (INK, moves & ~guarded), (SECOND, guarded)):
        d = []
        for y, line, which in zip(tops.tolist(), bits, where, strict=True):
            on = np.flatnonzero(line.astype(bool) & which)
            # Neighbours within one byte are one stroke.
            begins = [int(b) for k, b in enumerate(on) if k == 0 or on[k - 1] != b - 1 or b % 8 == 0]
            for begin in begins:
                end = begin
                while (end + 1) % 8 and end + 1 < len(line) and line[end + 1] and which[end + 1]:
                    end += 1
                x = LEFT + (begin // 8) * width_byte + (begin % 8) * cell
                d.append(f"M{x:g} {y:g}h{(end - begin + 1) * cell:g}v{height - 0.5:g}h{-(end - begin + 1) * cell:g}z")
        if d:
            canvas.path("".join(d), "none", fill=colour, width=0)


def _names(canvas: Canvas, report: FramesReport, n_bytes: int | None, shown: int, width_byte: float) -> None:
    """Write the fields' names over their bytes, with a bracket each."""
    layout = report.layout
    fields: list[tuple[int, int, str, str]] = []
    start, end = constant_run(report.bytes_), constant_run(report.bytes_, tail=True)
    if start:
        fields.append((0, len(start), "start", SETTLED))
    if layout is not None and layout.length == "field":
        fields.append((layout.field_at, 1, "length", SETTLED))
    if end and n_bytes is not None and len(start) < n_bytes:
        fields.append((n_bytes - len(end), len(end), "end", SETTLED))
    for found in report.checks:
        size = n_check_bytes(found.check.kind) * (2 if found.check.encoding == "hex" else 1)
        at = found.check.at if found.check.at >= 0 else (n_bytes or 0) + found.check.at
        if at >= 0:
            fields.append((at, size, found.check.kind, SECOND))
    for column in report.bytes_:
        if column.kind in ("counter", "toggles") and column.at >= 0:
            fields.append((column.at, 1, "counter" if column.kind == "counter" else "toggle", SETTLED))
    level_end = [0.0, 0.0]
    for at, size, name, colour in sorted(fields):
        if at + size > shown:
            continue
        x1, x2 = LEFT + at * width_byte, LEFT + (at + size) * width_byte - BYTE_GAP
        level = 0 if x1 >= level_end[0] else 1
        level_end[level] = max(x2, x1 + 6.5 * len(name)) + 6
        y = TOP - 22 - 15 * level
        canvas.line(x1, y + 3, x2, y + 3, colour, width=2)
        canvas.text(x1, y, name, size=11, colour=colour)
