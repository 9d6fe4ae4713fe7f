"""Candidate layouts of a byte stream, weighed by description length.

A layout that fits lets the stream be written down shorter: constant bytes cost nothing from the second frame on, and
neither do the places where frames end. Candidates come from silences, from repetition at a fixed distance, from length
bytes and from closing bytes; the shortest description wins, not the first that fits.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.line import LineBytes
from tapwright.frames.apply import as_bytes, character_time, stretches
from tapwright.frames.description import KIND_BITS, description_bits
from tapwright.frames.row_shapes import (
    CLOSERS,
    CONSTANT_SHARE,
    LINE_ENDS,
    LONGEST,
    closes,
    common_end,
    common_start,
    is_text,
    length_field,
    short_by_damage,
    shortest_closing,
)
from tapwright.frames.stream_layouts import NOWHERE, stream_layouts, typed_layouts

SAMPLE_BYTES = 24_000
GAP_CHARACTERS = 0.9  # a shorter silence is no silence
FINER_SHARE = 0.1  # more frames than another layout makes of the same bytes
PART_BITS = 3.0  # a frame, by which parts of a long frame may be dearer than it
CLEAR_CHARACTERS = 3.5  # of silence: a frame does not reach over one (Modbus over Serial Line V1.02, 2.5.1.1)
SPANNING_SHARE = 0.05  # of frames; a damaged one may run on into the next
LEFT_SHARE = 0.35  # of stretches between silences that hold frames and something besides; damage makes few
EMPTY_SHARE = 0.15  # of them that hold no frame at all
PLAIN_SHARE = 0.93  # of the stretches between silences that agree, so that no other layout need be tried


@dataclass(frozen=True)
class Framing:
    """A candidate: `bits` is the sample's description length under it, `raw_bits` that of the bytes as they are."""

    layout: FrameLayout
    bits: float
    raw_bits: float
    n_frames: int
    cuts: int = 0  # a digest of where the frames stand
    at_once: bool = False  # the recording's first byte begins a frame
    begins: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64), compare=False)  # of whole frames

    @property
    def saved(self) -> float:
        """Bits that the layout saves."""
        return self.raw_bits - self.bits


def find_framings(rows: LineBytes) -> list[Framing]:
    """Return candidate framings of a stream, best first; empty where nothing is better than plain bytes."""
    t_s, data, errors = as_bytes(rows)
    character_s = character_time(rows)
    windows = [0] if len(data) <= SAMPLE_BYTES else [0, (len(data) - SAMPLE_BYTES) // 2, len(data) - SAMPLE_BYTES]
    for begin in windows:
        cut = slice(begin, begin + SAMPLE_BYTES)
        sample = LineBytes(channel=rows.channel, t_s=t_s[cut], values=data[cut].astype(np.uint64), errors=errors[cut],
                           character_s=character_s)
        found = _framings(sample, data[cut], character_s)
        if found:
            return found
    return []


def _framings(sample: LineBytes, data: NDArray[np.uint8], character_s: float) -> list[Framing]:
    thresholds = gap_thresholds(sample.t_s, character_s)
    for gap_s in sorted(thresholds, reverse=True):
        plain = _plainly_parted(data, stretches(sample.t_s, gap_s, character_s), gap_s)
        if plain is not None:
            bits, whole = description_bits(sample, plain, [])
            return [Framing(plain, bits, 9.0 * len(data) + 64.0, len(whole))]
    layouts: dict[FrameLayout, None] = {}
    parts = [stretches(sample.t_s, gap_s, character_s) for gap_s in thresholds]
    for gap_s, bounds in zip(thresholds, parts, strict=True):
        layouts.update(dict.fromkeys(_chunk_layouts(data, bounds, gap_s)))
    streams = list(stream_layouts(data))
    if layouts:
        # Silences close frames; a byte that closes them besides was looked for at their tails.
        streams = [layout for layout in streams if layout.length != "delimited" or layout.end in CLOSERS]
    if any(layout.start for layout in layouts):
        # Where frames parted by silence all begin alike, frames within a stretch would begin so too.
        streams = [layout for layout in streams if layout.start or layout.end in CLOSERS]
    if not is_text(data):
        streams += typed_layouts(data, parts[0][1:-1] if parts else NOWHERE)
    for gap_s in (*thresholds, 0.0):
        layouts.update(dict.fromkeys(replace(layout, gap_s=gap_s) for layout in streams))
    events = [np.flatnonzero(np.diff(sample.t_s) - character_s > gap_s) + 1 for gap_s in thresholds]
    raw = 8.0 * len(data) + sum(len(e) * np.log2(max(len(data), 2)) for e in events)
    scored = []
    for layout in layouts:
        bits, whole = description_bits(sample, layout, events)
        if len(whole) >= 2 and not _spans_silence(sample, whole, thresholds, character_s):
            begins = np.searchsorted(sample.t_s, whole.t_s)
            scored.append(Framing(layout, bits, raw, len(whole), hash((whole.t_s.tobytes(), whole.offsets.tobytes())),
                                  _begins_at_once(data, layout, int(begins[0])), begins))
    scored.sort(key=lambda framing: framing.bits)
    return _kinds_first([framing for framing in scored if framing.saved > 16])


def _begins_at_once(data: NDArray[np.uint8], layout: FrameLayout, first: int) -> bool:
    """Say whether the recording's first byte begins a frame, which may be damaged further on."""
    starts = {kind.start for kind in (layout, *layout.variants)}
    if b"" not in starts:
        return any(data[:len(start)].tobytes() == start for start in starts)
    # Up to a closing byte any beginning will do.
    return first == 0 and layout.length != "delimited"


def _kinds_first(found: list[Framing]) -> list[Framing]:
    """Put kinds of frames that follow each other in one order before the one long frame that they look like.

    Both say the same of the stream; a start that comes back within the long frame, each time with what behaves as a
    type byte, is what makes kinds of it.
    """
    best = found[0] if found else None
    long = 0 if best is None else _one_size(best)
    if best is None or not long:
        return found
    parts = []
    for framing in found:
        kinds = (framing.layout, *framing.layout.variants)
        # A start of two bytes hardly comes back by chance.
        slack = KIND_BITS * len(kinds) + (PART_BITS * framing.n_frames if _is_long_start(kinds) else 0.0)
        in_turn = (not best.layout.variants and len(kinds) > 1 and framing.bits - slack <= best.bits
                   and framing.n_frames >= 0.95 * len(kinds) * best.n_frames
                   and framing.layout.length == "fixed" and long % sum(kind.n_bytes for kind in kinds) == 0)
        if in_turn or _is_finer(framing, best):
            parts.append(framing)
    if not parts:
        return found
    # A kind that holds another one whole was not cut far enough.
    finest = max(parts, key=lambda framing: (framing.n_frames, -framing.bits))
    return [finest, *(other for other in found if other is not finest)]


def _one_size(framing: Framing) -> int:
    """Return the size of frames of one length, 0 where it varies; a byte that hardly moves may pass for a length."""
    if framing.layout.length != "field":
        return framing.layout.n_bytes if framing.layout.length == "fixed" else 0
    steps = np.bincount(np.diff(framing.begins))
    size = int(np.argmax(steps)) if len(steps) else 0
    return size if size and steps[size] >= CONSTANT_SHARE * steps.sum() else 0


def _is_finer(one: Framing, whole: Framing) -> bool:
    """Say whether frames are those of another layout cut further, at places that all begin alike: a bit that toggles
    from frame to frame makes two of them look like one, and so does a kind that always follows another."""
    a, b = one.layout, whole.layout
    return (a.length == "fixed" and a.gap_s == b.gap_s and _is_long_start((a, *a.variants, b, *b.variants))
            and one.n_frames > (1 + FINER_SHARE) * whole.n_frames
            and one.bits <= whole.bits + PART_BITS * one.n_frames
            and bool(np.isin(whole.begins, one.begins).mean() >= 0.95))


def _is_long_start(kinds: tuple[FrameLayout, ...]) -> bool:
    """Say whether kinds of frames all begin with the same two bytes."""
    starts = {kind.start[:2] for kind in kinds}
    return len(starts) == 1 and len(min(starts)) == 2


def _spans_silence(sample: LineBytes, whole: Frames, thresholds: tuple[float, ...], character_s: float) -> bool:
    """Say whether frames reach over idle times that no sender leaves within a frame, or leave what lies between."""
    clear = [gap_s for gap_s in thresholds if gap_s >= CLEAR_CHARACTERS * character_s]
    if not clear:
        return False
    begins = np.searchsorted(sample.t_s, whole.t_s)
    ends = np.minimum(begins + whole.lengths, len(sample)) - 1
    stretch = np.concatenate([np.zeros(1, np.int64), np.cumsum(np.diff(sample.t_s) - character_s > max(clear))])
    if (stretch[ends] > stretch[begins]).mean() > SPANNING_SHARE:
        return True
    sizes = np.bincount(stretch)
    inside = np.bincount(stretch[begins], weights=whole.lengths, minlength=len(sizes))
    held = inside > 0
    if (~held).mean() > EMPTY_SHARE:
        return True
    return bool((inside[held] < sizes[held]).mean() > LEFT_SHARE)


def gap_thresholds(t_s: NDArray[np.float64], character_s: float) -> tuple[float, ...]:
    """Return silences, in seconds, that part short from long ones clearly; the clearest first, at most five."""
    if len(t_s) < 4 or character_s <= 0:
        return ()
    idle = np.sort(np.maximum(np.diff(t_s) - character_s, 0.05 * character_s))
    low, high = idle[:-1], idle[1:]
    above = len(idle) - 1 - np.arange(len(low))
    clear = (high > 1.8 * low) & (high >= GAP_CHARACTERS * character_s) & (above >= 2) & (above <= 0.55 * len(idle))
    at = np.flatnonzero(clear)
    at = at[np.argsort(-(high[at] / low[at]), kind="stable")][:5]
    return tuple(float(max(np.sqrt(low[i] * high[i]), 0.5 * high[i])) for i in at)


def _plainly_parted(data: NDArray[np.uint8], bounds: NDArray[np.int64], gap_s: float) -> FrameLayout | None:
    """Return the layout where silences part frames and nothing else needs to be looked at."""
    inner = bounds[1:-1]
    if len(inner) < 9:
        return None
    lengths = np.diff(inner)
    if lengths.min() < 2 or lengths.max() > LONGEST:
        return None
    values, counts = np.unique(lengths, return_counts=True)
    rows = [data[a:b].tobytes() for a, b in zip(inner[:-1].tolist(), inner[1:].tolist(), strict=True)]
    n_bytes = int(values[np.argmax(counts)])
    steady = counts.max() >= PLAIN_SHARE * len(lengths) or short_by_damage(values, counts)
    # Lines of text get shorter with the number in them far more often than a byte is lost.
    if steady and (len(values) == 1 or not is_text(data)):
        same = [row for row in rows if len(row) == n_bytes]
        if _repeats_inside(same, n_bytes):
            return None
        return FrameLayout(length="fixed", n_bytes=n_bytes, start=common_start(same), gap_s=gap_s)
    field = length_field(rows, text=is_text(data))
    if field is not None and len(values) >= 4:
        held = sum(len(row) > field[0] and row[field[0]] + field[1] == len(row) for row in rows)
        if held >= PLAIN_SHARE * len(rows):
            start = common_start(rows)[:field[0]]
            return FrameLayout(length="field", field_at=field[0], field_add=field[1], start=start, gap_s=gap_s)
    tail = shortest_closing(rows, common_end(rows))
    if field is None and tail in LINE_ENDS and closes(rows, tail):
        return FrameLayout(length="delimited", start=common_start(rows), end=tail, gap_s=gap_s)
    return None


def _repeats_inside(rows: list[bytes], n_bytes: int) -> bool:
    """Say whether frames parted by silence look like several frames in a row: what begins them stands inside again."""
    start = common_start(rows)
    if not start or len(start) == n_bytes:
        return len(start) == n_bytes
    return any(n_bytes % k == 0 and sum(row.startswith(start[:n_bytes // k], n_bytes // k) for row in rows)
               >= CONSTANT_SHARE * len(rows) for k in range(2, 9) if n_bytes // k > 2)


def _chunk_layouts(data: NDArray[np.uint8], bounds: NDArray[np.int64], gap_s: float) -> Iterator[FrameLayout]:
    """Yield layouts in which every silence ends a frame and nothing else does."""
    # The first and the last stretch may be cut by the recording.
    inner = bounds[1:-1] if len(bounds) > 4 else bounds
    chunks = Frames(np.zeros(len(inner) - 1), data[inner[0]:inner[-1]], inner - inner[0])
    lengths = chunks.lengths
    if lengths.max() > 4096:
        return
    values, counts = np.unique(lengths, return_counts=True)
    for i in np.argsort(-counts)[:2]:
        if counts[i] >= 0.3 * len(lengths) or counts[i] >= 8:
            n_bytes = int(values[i])
            matrix = chunks.matrix(n_bytes)[1]
            yield FrameLayout(length="fixed", n_bytes=n_bytes, gap_s=gap_s, start=_head(matrix))
    if len(values) < 2:
        return
    rows = [row for row in chunks if row]
    start, end = common_start(rows), common_end(rows)
    field = length_field(rows, text=is_text(data))
    if field is not None:
        yield FrameLayout(length="field", field_at=field[0], field_add=field[1], start=start[:field[0]], gap_s=gap_s)
    if end:
        tail = shortest_closing(rows, end)
        if tail and closes(rows, tail):
            yield FrameLayout(length="delimited", start=start, end=tail, gap_s=gap_s)
    yield FrameLayout(length="gap", start=start, gap_s=gap_s)


def _head(matrix: NDArray[np.uint8]) -> bytes:
    return common_start([row.tobytes() for row in matrix])
