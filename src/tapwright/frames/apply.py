"""Bytes -> frames by a known layout, and whether their checks hold.

`split` cuts a whole recording, `Splitter` the same bytes as they arrive; both go through `frames/scan.py`, so that the
frames do not depend on how a stream is chopped.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core import registry
from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.line import ByteError, LineBytes
from tapwright.frames.checks._spans import spelled
from tapwright.frames.place import CHECKS, places
from tapwright.frames.scan import Scanner

CHUNK = 1 << 16


def split(rows: LineBytes, layout: FrameLayout) -> Frames:
    """Cut a recording into frames.

    Parameters
    ----------
    rows : the bytes of one line (words of more than 8 bits give several bytes, high byte first)
    layout : how frames stand in them

    Returns
    -------
    One row a frame received, cut ones too with `broken` set; bytes that belong to no frame are left out.
    """
    t_s, data, errors = as_bytes(rows)
    bounds = stretches(t_s, layout.gap_s, character_time(rows)) if layout.gap_s else np.array([0, len(data)])
    scanner = Scanner(layout)
    raw = data.tobytes()
    cuts: list[tuple[int, int, bool]] = []
    synced = False
    edges = bounds.tolist()
    single = _single_frames(data, bounds, layout).tolist()
    for i in range(len(edges) - 1):
        if single[i]:
            cuts.append((edges[i], edges[i + 1], False))
            synced = True
        else:
            _, synced, _ = scanner.scan(raw, edges[i], edges[i], edges[i + 1], True, synced or i > 0, cuts)
    if _first_is_whole(raw, cuts, layout):
        cuts[0] = (cuts[0][0], cuts[0][1], False)
    starts = np.array([cut[0] for cut in cuts], np.int64)
    ends = np.array([cut[1] for cut in cuts], np.int64)
    broken = np.array([cut[2] for cut in cuts], np.bool_)
    if errors.any() and len(cuts):
        bad = np.concatenate([np.zeros(1, np.int64), np.cumsum(errors != ByteError.NONE)])
        broken |= bad[ends] > bad[starts]
    lengths = ends - starts
    offsets = np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths)])
    at = np.arange(offsets[-1]) - np.repeat(offsets[:-1], lengths) + np.repeat(starts, lengths)
    return Frames(t_s[starts], data[at], offsets, broken, channel=rows.channel)


def _first_is_whole(raw: bytes, cuts: list[tuple[int, int, bool]], layout: FrameLayout) -> bool:
    """Say whether a recording's first closed piece is a whole frame, where nothing but the others can tell.

    It is when it begins as all others do or, where they begin in many ways, when it is as long as one of them.
    """
    if layout.length != "delimited" or layout.start or layout.checks or len(cuts) < 3 or not cuts[0][2]:
        return False
    first, *others = [raw[start:end] for start, end, _ in cuts]
    if not first.endswith(layout.end):
        return False
    low, high = min(others), max(others)  # what these two share, all share
    shared = next((i for i, (a, b) in enumerate(zip(low, high, strict=False)) if a != b), min(len(low), len(high)))
    return first.startswith(low[:shared]) if shared else len(first) in {len(other) for other in others}


def _single_frames(data: NDArray[np.uint8], bounds: NDArray[np.int64], layout: FrameLayout) -> NDArray[np.bool_]:
    """Say which stretches are one whole frame each, so that they need no scanning (it would find the same)."""
    begins, sizes = bounds[:-1], np.diff(bounds)
    single = np.zeros(len(sizes), np.bool_)
    least = max(len(layout.start), len(layout.end), 1)
    if layout.variants or layout.length not in ("fixed", "field") or (layout.length == "fixed" and
                                                                       layout.n_bytes < least):
        return single
    if layout.length == "fixed":
        fits = np.flatnonzero(sizes == layout.n_bytes)
    else:
        fits = np.flatnonzero(sizes >= max(Scanner(layout).forms[0].least, least))
        fits = fits[data[begins[fits] + layout.field_at].astype(np.int64) + layout.field_add == sizes[fits]]
    for i, value in enumerate(layout.start):
        fits = fits[data[begins[fits] + i] == value]
    for i, value in enumerate(layout.end[::-1]):
        fits = fits[data[begins[fits] + sizes[fits] - 1 - i] == value]
    single[fits] = True
    return single


def as_bytes(rows: LineBytes) -> tuple[NDArray[np.float64], NDArray[np.uint8], NDArray[np.uint8]]:
    """Return times, bytes and errors; a word of more than 8 bits becomes several bytes, high byte first."""
    if rows.bits <= 8:
        return rows.t_s, rows.values.astype(np.uint8), rows.errors
    size = (rows.bits + 7) // 8
    shifts = np.arange(8 * (size - 1), -1, -8, dtype=np.uint64)
    data = (rows.values[:, None] >> shifts & np.uint64(0xFF)).astype(np.uint8).ravel()
    # Where in the word each byte stood is not told; within half a word's time they are in order and no gap opens.
    t_s = rows.t_s[:, None] + character_time(rows) * np.arange(size)
    return t_s.ravel(), data, np.repeat(rows.errors, size)


def character_time(rows: LineBytes) -> float:
    """Return the length of a character in seconds: as known, else the shortest usual distance of two bytes."""
    if (rows.character_s > 0 and rows.bits <= 8) or len(rows) < 3:
        return rows.character_s
    steps = np.diff(rows.t_s[:100_000])
    steps = steps[steps > 0]
    shortest = float(np.quantile(steps, 0.05)) if len(steps) else 0.0
    return shortest / (2 * ((rows.bits + 7) // 8)) if rows.bits > 8 else shortest


def stretches(t_s: NDArray[np.float64], gap_s: float, character_s: float) -> NDArray[np.int64]:
    """Return where stretches without a gap begin, and the end: int64, shape (n_stretches + 1,)."""
    inner = np.flatnonzero(np.diff(t_s) - character_s > gap_s) + 1
    return np.concatenate([np.zeros(1, np.int64), inner, np.full(1, len(t_s), np.int64)])


def check_ok(frames: Frames, layout: FrameLayout) -> NDArray[np.bool_]:
    """Say for each frame whether all its checks hold.

    Returns
    -------
    bool, shape (n,); True where the layout has no check for that frame, False where a frame is too short to hold it
    """
    ok = np.ones(len(frames), np.bool_)
    if not layout.checks and not any(kind.checks for kind in layout.variants):
        return ok
    for n_bytes in np.unique(frames.lengths).tolist():
        which, matrix = frames.matrix(n_bytes)
        if not layout.variants:
            ok[which] = _all_hold(matrix, layout.checks)
            continue
        left = np.ones(len(which), np.bool_)
        for kind in layout.variants:
            fits = left & _fits(matrix, kind)
            ok[which[fits]] = _all_hold(matrix[fits], kind.checks)
            left &= ~fits
        ok[which[left]] = _all_hold(matrix[left], layout.checks)
    return ok


def _fits(matrix: NDArray[np.uint8], layout: FrameLayout) -> NDArray[np.bool_]:
    """Say which frames of one length are of a layout, by its length, start and end."""
    n = matrix.shape[1]
    if (layout.length == "fixed" and n != layout.n_bytes) or n < max(len(layout.start), len(layout.end)):
        return np.zeros(len(matrix), np.bool_)
    fits = (matrix[:, :len(layout.start)] == np.frombuffer(layout.start, np.uint8)).all(axis=1)
    if layout.end:
        fits &= (matrix[:, n - len(layout.end):] == np.frombuffer(layout.end, np.uint8)).all(axis=1)
    return np.asarray(fits, np.bool_)


def _all_hold(matrix: NDArray[np.uint8], checks: tuple[Check, ...]) -> NDArray[np.bool_]:
    ok = np.ones(len(matrix), np.bool_)
    for check in checks:
        ok &= holds(matrix, check)
    return ok


def holds(matrix: NDArray[np.uint8], check: Check) -> NDArray[np.bool_]:
    """Say for each frame of one length, uint8 of shape (n, n_bytes), whether one check holds, shape (n,)."""
    if places(check, matrix.shape[1]) is None:
        return np.zeros(len(matrix), np.bool_)
    off, digits = off_by(matrix, check)
    return np.asarray(digits & (off == 0), np.bool_)


def off_by(matrix: NDArray[np.uint8], check: Check) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return check sent (exclusive or) check expected of frames that hold it, and where it can be read, shape (n,)."""
    place = places(check, matrix.shape[1])
    assert place is not None
    first, last, at, size = place
    sent, digits = stored(matrix[:, at:at + size], check)
    expected: NDArray[np.int64] = registry.member(CHECKS, check.kind.replace(" ", "_")).values(
        matrix[:, first:last + 1], check)
    return sent ^ expected, digits


def stored(sent: NDArray[np.uint8], check: Check) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the check values that frames carry and where they can be read, both of shape (n,)."""
    good = np.ones(len(sent), np.bool_)
    if check.encoding == "hex":
        sent, good = spelled(sent)
    if check.order == "little":
        sent = sent[:, ::-1]
    value = np.zeros(len(sent), np.int64)
    for i in range(sent.shape[1]):
        value = value << 8 | sent[:, i]
    return value, good


class Splitter:
    """Frames out of bytes as they arrive: incremental, in step again after noise, its buffer bounded.

    Parameters
    ----------
    layout : how frames stand in the stream
    character_s : length of a character, to know how long a silence between two pieces was; 0 where not known
    """

    def __init__(self, layout: FrameLayout, character_s: float = 0.0) -> None:
        self.layout, self.character_s = layout, character_s
        self.scanner = Scanner(layout)
        self.buffer = b""
        self.pieces: list[tuple[int, float]] = []  # (place in the buffer, time) of each piece's first byte
        self.begun = 0  # place of the stretch's first byte in the buffer; negative once it has been given away
        self.synced = False
        self.end_s: float | None = None  # when the last byte was over

    def feed(self, data: bytes, t_s: float) -> list[tuple[float, bytes, bool]]:
        """Take bytes whose first began at `t_s`; return the frames now complete: (t_s, frame, broken)."""
        out: list[tuple[float, bytes, bool]] = []
        if not data:
            return out
        if self.layout.gap_s and self.end_s is not None and t_s - self.end_s > self.layout.gap_s:
            out += self.flush(t_s)
        self.end_s = t_s + len(data) * self.character_s
        for start in range(0, len(data), CHUNK):
            self.pieces.append((len(self.buffer), t_s + start * self.character_s))
            self.buffer += data[start:start + CHUNK]
            out += self._scan(final=False)
        return out

    def flush(self, t_s: float) -> list[tuple[float, bytes, bool]]:
        """Say that the line has been idle until `t_s`, or has ended: what stands in the buffer is closed."""
        out = self._scan(final=True)
        self.buffer, self.pieces, self.begun, self.synced = b"", [], 0, True
        self.end_s = max(t_s, self.end_s or t_s)
        return out

    def _scan(self, *, final: bool) -> list[tuple[float, bytes, bool]]:
        cuts: list[tuple[int, int, bool]] = []
        pos, self.synced, self.begun = self.scanner.scan(self.buffer, self.begun, max(self.begun, 0), len(self.buffer),
                                                         final, self.synced, cuts)
        out = [(self._time(start), self.buffer[start:end], broken) for start, end, broken in cuts]
        self.buffer = self.buffer[pos:]
        self.begun -= pos
        while len(self.pieces) > 1 and self.pieces[1][0] <= pos:
            self.pieces.pop(0)
        self.pieces = [(place - pos, at) for place, at in self.pieces]
        return out

    def _time(self, place: int) -> float:
        at, t_s = max((piece for piece in self.pieces if piece[0] <= place), key=lambda piece: piece[0])
        return t_s + (place - at) * self.character_s
