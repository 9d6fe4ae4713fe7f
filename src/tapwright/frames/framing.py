"""Candidate layouts of a byte stream, weighed by description length.

A layout that fits lets the stream be written down shorter: constant bytes cost nothing from the second frame on, and
neither do the places where frames end. Candidates come from silences, from repetition at a fixed distance, from length
bytes and from closing bytes; the shortest description wins, not the first that fits.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.line import LineBytes
from tapwright.frames.apply import as_bytes, character_time, split, stretches

SAMPLE_BYTES = 24_000
LONGEST = 300  # bytes a frame
MOST_PERIODS = 10
MOST_HEADS = 6
MOST_STARTS = 24  # single bytes tried; in text a start byte is rarer than any digit
MOST_KINDS = 6
ALIKE_SHARE = 0.5
KIND_BITS = 40.0  # a layout for each kind must win by more than this
ODD_CLOSER_BITS = 60.0  # a closing byte that is no line end must win by more than this
GAP_CHARACTERS = 0.9  # a shorter silence is no silence
PLAIN_SHARE = 0.93  # of the stretches between silences that agree, so that no other layout need be tried
DAMAGED_SHARE = 0.8  # the same, where the others look like frames that lost bytes
CONSTANT_SHARE = 0.9  # of frames, so that damaged ones do not hide a constant byte
LINE_ENDS = (b"\r\n", b"\n", b"\r")
CLOSERS = (*LINE_ENDS, b"\x03")
PRINTABLE = np.array([2, 3, 9, 10, 13, *range(32, 127)], np.uint8)
TAIL = 4  # bytes counted from the end where lengths vary
ENDS = (b"\x03", b"\x00", b"\xc0", b"\x7e", b"\xff")


@dataclass(frozen=True)
class Framing:
    """A candidate: `bits` is the sample's description length under it, `raw_bits` that of the bytes as they are."""

    layout: FrameLayout
    bits: float
    raw_bits: float
    n_frames: int
    cuts: int = 0  # a digest of where the frames stand
    at_once: bool = False  # the recording's first byte begins a whole frame

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
            bits, whole = _description_bits(sample, plain, [])
            return [Framing(plain, bits, 9.0 * len(data) + 64.0, len(whole))]
    layouts: dict[FrameLayout, None] = {}
    for gap_s in (*thresholds, 0.0):
        if gap_s:
            bounds = stretches(sample.t_s, gap_s, character_s)
            layouts.update(dict.fromkeys(_chunk_layouts(data, bounds, gap_s)))
    streams = list(_stream_layouts(data))
    if any(layout.start for layout in layouts):
        # Where frames parted by silence all begin alike, frames within a stretch would begin so too.
        streams = [layout for layout in streams if layout.start]
    for gap_s in (*thresholds, 0.0):
        layouts.update(dict.fromkeys(replace(layout, gap_s=gap_s) for layout in streams))
    if not thresholds and not is_text(data):
        layouts.update(dict.fromkeys(_typed(data)))
    events = [np.flatnonzero(np.diff(sample.t_s) - character_s > gap_s) + 1 for gap_s in thresholds]
    raw = 8.0 * len(data) + sum(len(e) * np.log2(max(len(data), 2)) for e in events)
    scored = []
    for layout in layouts:
        bits, whole = _description_bits(sample, layout, events)
        if len(whole) >= 2:
            scored.append(Framing(layout, bits, raw, len(whole), hash((whole.t_s.tobytes(), whole.offsets.tobytes())),
                                  bool(whole.t_s[0] == sample.t_s[0])))
    scored.sort(key=lambda framing: framing.bits)
    return [framing for framing in scored if framing.saved > 16]


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
    if counts.max() >= PLAIN_SHARE * len(lengths) or _short_by_damage(values, counts):
        same = [row for row in rows if len(row) == n_bytes]
        if _repeats_inside(same, n_bytes):
            return None
        return FrameLayout(length="fixed", n_bytes=n_bytes, start=common_start(same), gap_s=gap_s)
    field = length_field(rows)
    if field is not None and len(values) >= 4:
        held = sum(len(row) > field[0] and row[field[0]] + field[1] == len(row) for row in rows)
        if held >= PLAIN_SHARE * len(rows):
            start = common_start(rows)[:field[0]]
            return FrameLayout(length="field", field_at=field[0], field_add=field[1], start=start, gap_s=gap_s)
    tail = shortest_closing(rows, common_end(rows))
    if field is None and tail in LINE_ENDS and _closes(rows, tail):
        return FrameLayout(length="delimited", start=common_start(rows), end=tail, gap_s=gap_s)
    return None


def _short_by_damage(values: NDArray[np.int64], counts: NDArray[np.int64]) -> bool:
    """Say whether all lengths but the usual one are frames that lost bytes: shorter, and by one or seldom."""
    usual, n = values[np.argmax(counts)], counts.sum()
    other = values != usual
    return bool(counts.max() >= DAMAGED_SHARE * n and (values[other] < usual).all() and
                ((values[other] == usual - 1) | (counts[other] <= 0.03 * n)).all())


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
    field = length_field(rows)
    if field is not None:
        yield FrameLayout(length="field", field_at=field[0], field_add=field[1], start=start[:field[0]], gap_s=gap_s)
    if end:
        tail = shortest_closing(rows, end)
        if tail and _closes(rows, tail):
            yield FrameLayout(length="delimited", start=start, end=tail, gap_s=gap_s)
    yield FrameLayout(length="gap", start=start, gap_s=gap_s)


def _closes(rows: list[bytes], tail: bytes) -> bool:
    """Say whether bytes at the tail of frames that silence parts are there to close them, and not by chance alone."""
    inside = sum(0 <= row.find(tail) < len(row) - len(tail) for row in rows)
    expected = sum(len(row) for row in rows) / 256.0 ** len(tail)
    return inside <= 0.03 * len(rows) and (tail in LINE_ENDS or tail in ENDS or expected >= 8)


def shortest_closing(rows: list[bytes], end: bytes) -> bytes:
    """Return the constant tail where it stands nowhere else in a frame, or empty bytes."""
    for size in range(1, len(end) + 1):
        tail = end[-size:]
        if sum(row.find(tail) == len(row) - size for row in rows) >= CONSTANT_SHARE * len(rows):
            return b"\r\n" if end.endswith(b"\r\n") else tail
    return b""


def length_field(rows: list[bytes]) -> tuple[int, int] | None:
    """Return where a byte stands that is the frame's length less a constant, and that constant; None if nowhere."""
    shortest = min(len(row) for row in rows)
    usual = sorted(len(row) for row in rows)[len(rows) // 20]
    best: tuple[int, int, int] | None = None
    for at in range(min(max(shortest, usual), 24)):
        adds = Counter(len(row) - row[at] for row in rows if len(row) > at)
        add, count = adds.most_common(1)[0]
        distinct = len({len(row) for row in rows if len(row) > at and len(row) - row[at] == add})
        if distinct >= 2 and count >= 0.85 * len(rows) and (best is None or count > best[0]):
            best = count, at, add
    return None if best is None else best[1:]


def common_start(rows: list[bytes]) -> bytes:
    """Return the bytes at the head that nearly all rows share."""
    out = bytearray()
    for i in range(min(len(row) for row in rows) if rows else 0):
        value, count = Counter(row[i] for row in rows).most_common(1)[0]
        if count < CONSTANT_SHARE * len(rows):
            break
        out.append(value)
    return bytes(out)


def common_end(rows: list[bytes]) -> bytes:
    """Return the bytes at the tail that nearly all rows share."""
    return common_start([row[::-1] for row in rows])[::-1]


def _head(matrix: NDArray[np.uint8]) -> bytes:
    return common_start([row.tobytes() for row in matrix])


def _stream_layouts(data: NDArray[np.uint8]) -> Iterator[FrameLayout]:
    if not is_text(data):
        yield from _periodic(data)
        yield from _with_field(data)
    yield from _closed(data)


def _periodic(data: NDArray[np.uint8]) -> Iterator[FrameLayout]:
    """Yield fixed layouts from repetition at a distance; one for each place where the frame may begin."""
    most = min(LONGEST, len(data) // 3)
    if most < 3:
        return
    same = np.array([np.mean(data[:-k] == data[k:]) for k in range(1, most + 1)])
    base = float(np.median(same))
    sigma = np.sqrt(max(base * (1 - base), 1e-4) / len(data))
    order: list[int] = []
    for k in np.argsort(-same)[:24].tolist():
        if same[k] > base + 4 * sigma and len(order) < MOST_PERIODS:
            order.append(k + 1)
    # A multiple of a period repeats as well as the period itself, and says nothing more.
    order = [n for n in order if not any(n % m == 0 and n > m and same[n - 1] < same[m - 1] + 4 * sigma for m in order)]
    tried: set[int] = set()
    for n_bytes in order:
        for size in (n_bytes, *(n_bytes // k for k in (2, 3, 4, 5) if n_bytes % k == 0 and n_bytes // k > 2)):
            if size not in tried and size > 2 and (size == n_bytes or same[size - 1] > base + 3 * sigma):
                tried.add(size)
                yield from _rotations(data, size)


def _rotations(data: NDArray[np.uint8], n_bytes: int) -> Iterator[FrameLayout]:
    for columns in _cyclic_constants(data, n_bytes):
        if min(columns) >= 0:
            # One frame over and over: it is taken to begin where the recording does.
            yield FrameLayout(length="fixed", n_bytes=n_bytes, start=data[:n_bytes].tobytes())
        else:
            yield from _begun(columns)


def _begun(columns: list[int]) -> Iterator[FrameLayout]:
    """Yield layouts for each place where a frame with these constant bytes may begin."""
    n_bytes = len(columns)
    known = [value >= 0 for value in columns]
    runs = []
    for begin in range(n_bytes):
        if known[begin] and not known[begin - 1]:
            size = 1
            while known[(begin + size) % n_bytes]:
                size += 1
            runs.append((size, begin))
    for size, begin in sorted(runs, reverse=True)[:4]:
        run = bytes(columns[(begin + i) % n_bytes] for i in range(size))
        # The frame begins at one byte of the run; the bytes before it close the frame before.
        for head in _heads(run):
            yield FrameLayout(length="fixed", n_bytes=n_bytes, start=run[head:], end=run[:head])


def _heads(run: bytes) -> list[int]:
    """Return where in a run of constant bytes a frame may begin; behind a line end or an ETX where there is one."""
    for closer in (b"\r\n", b"\x03"):
        at = run.find(closer)
        if 0 <= at < len(run) - len(closer):
            return [at + len(closer)]
    return list(range(min(len(run), MOST_HEADS)))


def _cyclic_constants(data: NDArray[np.uint8], n_bytes: int) -> list[list[int]]:
    """Return, at most three ways, the constant bytes of a frame of `n_bytes` from some anchor on, -1 for others."""
    if len(data) < 3 * n_bytes:
        return []
    again = (data[:-2 * n_bytes] == data[n_bytes:-n_bytes]) & (data[:-2 * n_bytes] == data[2 * n_bytes:])
    values, counts = np.unique(data[:-2 * n_bytes][again], return_counts=True)
    ways: list[tuple[int, list[int]]] = []
    for value in values[np.argsort(-counts)[:6]]:
        anchors = np.flatnonzero(again & (data[:len(again)] == value))
        if len(anchors) < 2:
            continue
        # One phase only: the value may be constant in two places of the frame.
        chain = [int(anchors[0])]
        seen = set(anchors.tolist())
        runs: list[list[int]] = []
        used: set[int] = set()
        for anchor in anchors.tolist():
            if anchor in used:
                continue
            chain = [anchor]
            while chain[-1] + n_bytes in seen:
                chain.append(chain[-1] + n_bytes)
            used.update(chain)
            runs.append(chain)
        longest = max(runs, key=len)
        picks = np.array(longest, np.int64)
        picks = picks[picks + n_bytes <= len(data)]
        if len(picks) < 3:
            continue
        block = data[picks[:, None] + np.arange(n_bytes)]
        columns = _consensus(block)
        everywhere = _alike(data, columns, int(value))
        if len(everywhere) < 3:
            continue
        columns = _consensus(everywhere)
        n_constant = sum(column >= 0 for column in columns) * len(everywhere)
        ways.append((n_constant, columns))
    return [columns for _, columns in sorted(ways, reverse=True)[:3]]


def _consensus(block: NDArray[np.uint8]) -> list[int]:
    """Return the value of each column that nearly all rows share, -1 where there is none."""
    columns = []
    for i in range(block.shape[1]):
        counts = np.bincount(block[:, i], minlength=256)
        columns.append(int(np.argmax(counts)) if counts.max() >= CONSTANT_SHARE * len(block) else -1)
    return columns


def _alike(data: NDArray[np.uint8], columns: list[int], value: int) -> NDArray[np.uint8]:
    """Return all frames of the stream that begin with `value` and agree with most of the constant columns."""
    n_bytes = len(columns)
    at = np.flatnonzero(data[:len(data) - n_bytes + 1] == value)
    known = np.array([i for i, column in enumerate(columns) if column >= 0], np.int64)
    if not len(at) or not len(known):
        return np.zeros((0, n_bytes), np.uint8)
    agree = (data[at[:, None] + known] == np.array([columns[i] for i in known.tolist()], np.uint8)).mean(axis=1)
    at = at[agree >= ALIKE_SHARE]
    # Frames do not overlap.
    kept, free = [], 0
    for place in at.tolist():
        if place >= free:
            kept.append(place)
            free = place + n_bytes
    return data[np.array(kept, np.int64)[:, None] + np.arange(n_bytes)] if kept else np.zeros((0, n_bytes), np.uint8)


def _with_field(data: NDArray[np.uint8]) -> Iterator[FrameLayout]:
    """Yield layouts with a start and a length byte: from each start the length leads to the next."""
    raw = data.tobytes()
    for start in _frequent(data):
        at = np.flatnonzero(_places(data, start))
        if len(at) < 4:
            continue
        is_start = np.zeros(len(data) + 600, np.bool_)
        is_start[at] = True
        for field_at in range(len(start), len(start) + 8):
            inside = at[at + field_at < len(data)]
            lengths = data[inside + field_at].astype(np.int64)
            steps = np.diff(at)[:len(inside)]
            if len(steps) < 3 or len(np.unique(lengths)) < 2:
                continue
            adds = Counter((steps - lengths[:len(steps)]).tolist())
            for add, count in adds.most_common(2):
                if count >= 0.4 * len(steps) and -8 <= add <= 64:
                    rows = [raw[a:a + n + add] for a, n in zip(inside.tolist(), lengths.tolist(), strict=True)
                            if is_start[a + n + add] and n + add > field_at]
                    if len(rows) < 3 or len({len(row) for row in rows}) < 2:
                        continue
                    head = common_start(rows)[:field_at]
                    if not head.startswith(start):
                        continue
                    before = _constant_before(data, at)
                    run = before + head
                    for cut in _heads(run):
                        # Bytes before the cut close the frame before: the length stays, the places move.
                        yield FrameLayout(length="field", field_at=field_at + len(before) - cut, field_add=add,
                                          start=run[cut:], end=run[:cut])


def _constant_before(data: NDArray[np.uint8], at: NDArray[np.int64]) -> bytes:
    """Return the bytes that stand before nearly all of these places."""
    out: list[int] = []
    for back in range(1, 9):
        inside = at[at >= back]
        counts = np.bincount(data[inside - back], minlength=256) if len(inside) else np.zeros(256, np.int64)
        if counts.max() < CONSTANT_SHARE * max(len(inside), 1):
            break
        out.append(int(np.argmax(counts)))
    return bytes(out[::-1])


def _typed(data: NDArray[np.uint8]) -> Iterator[FrameLayout]:
    """Yield layouts of several kinds of frames, told apart by a byte behind the start, each of a length of its own."""
    raw = data.tobytes()
    for start in _frequent(data):
        at = np.flatnonzero(_places(data, start))
        if len(at) < 8:
            continue
        is_start = np.zeros(len(data) + LONGEST + 1, np.bool_)
        is_start[at] = True
        for type_at in range(len(start), len(start) + 4):
            kinds = data[at[at + type_at < len(data)] + type_at]
            values, counts = np.unique(kinds, return_counts=True)
            usual = values[counts >= 0.03 * len(kinds)]
            if not 2 <= len(usual) <= MOST_KINDS or counts[counts >= 0.03 * len(kinds)].sum() < 0.7 * len(kinds):
                continue
            lengths = {int(value): _usual_step(at[:len(kinds)][kinds == value], is_start) for value in usual}
            if 0 in lengths.values() or len(set(lengths.values())) < 2:
                continue
            layouts = [_of_kind(raw, at[:len(kinds)][kinds == value], n, type_at) for value, n in lengths.items()]
            order = sorted(zip(counts[np.isin(values, usual)].tolist(), layouts, strict=True),
                           key=lambda entry: -entry[0])
            main, *others = [layout for _, layout in order]
            yield replace(main, variants=tuple(others))


def _usual_step(at: NDArray[np.int64], is_start: NDArray[np.bool_]) -> int:
    """Return the least distance at which another start stands behind nearly all of these, 0 where there is none."""
    for step in range(3, LONGEST):
        if is_start[at + step].mean() >= 0.8:
            return step
    return 0


def _of_kind(raw: bytes, at: NDArray[np.int64], n_bytes: int, type_at: int) -> FrameLayout:
    rows = [raw[a:a + n_bytes] for a in at.tolist() if a + n_bytes <= len(raw)]
    return FrameLayout(length="fixed", n_bytes=n_bytes, start=common_start(rows)[:type_at + 1])


def _frequent(data: NDArray[np.uint8]) -> list[bytes]:
    """Return pairs and single bytes that stand in the stream far more often than chance."""
    pairs = data[:-1].astype(np.int64) << 8 | data[1:]
    counts = np.bincount(pairs, minlength=65536)
    top = [int(pair) for pair in np.argsort(-counts)[:8] if counts[pair] >= 4]
    singles = np.bincount(data, minlength=256)
    ones = [int(value) for value in np.argsort(-singles)[:MOST_STARTS] if singles[value] >= 4]
    return [bytes([pair >> 8, pair & 255]) for pair in top] + [bytes([value]) for value in ones]


def _places(data: NDArray[np.uint8], word: bytes) -> NDArray[np.bool_]:
    here = np.ones(len(data) - len(word) + 1, np.bool_)
    for i, value in enumerate(word):
        here &= data[i:len(data) - len(word) + 1 + i] == value
    return here


def _closed(data: NDArray[np.uint8]) -> Iterator[FrameLayout]:
    """Yield layouts in which constant bytes close a frame."""
    raw = data.tobytes()
    singles = np.bincount(data, minlength=256)
    often = [bytes([value]) for value in np.argsort(-singles)[:4].tolist() if value not in b"\r\n"]
    lines = _closers(raw)
    plain = is_text(data) or (len(lines) == 1 and raw.count(lines[0]) >= max(3, len(data) / LONGEST))
    for end in lines if plain else dict.fromkeys((*lines, *ENDS, *often)):
        pieces = raw.split(end)
        rows = [piece + end for piece in pieces[1:-1]]
        if len(rows) < 3 or max(len(row) for row in rows) > LONGEST:
            continue
        (n_bytes, count), = Counter(len(row) for row in rows).most_common(1)
        if n_bytes < len(end) + 2:
            continue
        if count >= 0.8 * len(rows):
            if end not in CLOSERS:
                continue  # as good a start as an end: see the periodic layouts
            same = [row for row in rows if len(row) == n_bytes]
            tail = common_end(same)
            yield FrameLayout(length="fixed", n_bytes=n_bytes, start=common_start(same),
                              end=tail if len(tail) < n_bytes else b"")
        else:
            yield FrameLayout(length="delimited", start=common_start(rows), end=end)


def is_text(data: NDArray[np.uint8]) -> bool:
    """Say whether bytes are lines of text: line ends close them, whatever else repeats in them."""
    ends = np.isin(data, np.frombuffer(b"\r\n", np.uint8)).sum()
    return bool(ends >= max(3, len(data) / LONGEST) and np.isin(data, PRINTABLE).mean() > 0.97)


def _closers(raw: bytes) -> tuple[bytes, ...]:
    """Return the line ends worth trying: where CR and LF go together, only both."""
    both = raw.count(b"\r\n")
    if both >= 3 and both >= 0.8 * max(raw.count(b"\n"), raw.count(b"\r")):
        return (b"\r\n",)
    return LINE_ENDS


def _description_bits(sample: LineBytes, layout: FrameLayout, events: list[NDArray[np.int64]]) -> tuple[float, Frames]:
    """Return the sample's description length in bits under a layout, and the whole frames."""
    frames = split(sample, layout)
    whole = frames.take(np.flatnonzero(~frames.broken))
    if len(whole) < 2:
        return np.inf, whole
    outside = len(sample) - len(whole.data)
    # Bytes in no frame are written by the code of all bytes, and each costs more for being out of place.
    strewn = (_entropy(np.asarray(sample.values, np.int64)) + 1.0) * outside + 64.0
    begins = np.searchsorted(sample.t_s, whole.t_s)
    runs = int((begins[1:] != begins[:-1] + whole.lengths[:-1]).sum())
    strewn += runs * (np.log2(len(sample)) + 4.0)
    bits = strewn
    places = _places_in_frames(whole)
    bits += _coded_bits(places, whole.data)
    lengths = np.unique(whole.lengths)
    if 1 < len(lengths) <= MOST_KINDS:
        # Few lengths may be kinds of frames, each with columns of its own.
        kinds = np.searchsorted(lengths, np.repeat(whole.lengths, whole.lengths))
        bits = min(bits, strewn + _coded_bits(places + kinds * (places.max() + 1), whole.data))
    if layout.length in ("gap", "delimited"):
        bits += len(whole) * _entropy(whole.lengths) + 8.0 * len(np.unique(whole.lengths))
    if layout.length == "delimited" and layout.end not in LINE_ENDS:
        bits += ODD_CLOSER_BITS
    bits += KIND_BITS * len(layout.variants)
    for event in events:
        at_frame = np.isin(sample.t_s[event], whole.t_s) if len(event) else np.zeros(0, np.bool_)
        n_in = int(at_frame.sum())
        share = n_in / len(whole)
        bits += (len(event) - n_in) * np.log2(len(sample)) + len(whole) * _binary_entropy(share)
    return float(bits), whole


def _binary_entropy(p: float) -> float:
    return 0.0 if p <= 0 or p >= 1 else float(-p * np.log2(p) - (1 - p) * np.log2(1 - p))


def _entropy(values: NDArray[np.int64]) -> float:
    counts = np.unique(values, return_counts=True)[1]
    p = counts / counts.sum()
    return float(-(p * np.log2(p)).sum())


def _places_in_frames(frames: Frames) -> NDArray[np.int64]:
    """Return each byte's column: its place from the start, but the last four bytes counted from the end."""
    lengths = frames.lengths
    from_start = np.arange(len(frames.data)) - np.repeat(frames.offsets[:-1], lengths)
    to_end = np.repeat(frames.offsets[1:], lengths) - np.arange(len(frames.data))
    tail = min(TAIL, int(lengths.min()))
    if int(lengths.min()) == int(lengths.max()):
        return from_start
    return np.where(to_end <= tail, to_end - 1, from_start + TAIL)


def _coded_bits(columns: NDArray[np.int64], data: NDArray[np.uint8]) -> float:
    """Return the bits of bytes written column by column, each by its own code or plain, whichever is shorter."""
    width = int(columns.max()) + 1
    counts = np.bincount(columns * 256 + data, minlength=256 * width).reshape(width, 256).astype(np.float64)
    n = counts.sum(axis=1)
    some = np.maximum(n, 1)
    own = n * np.log2(some) - (counts * np.log2(np.maximum(counts, 1))).sum(axis=1)
    distinct = (counts > 0).sum(axis=1)
    own += distinct * 8 + np.maximum(distinct - 1, 0) * 0.5 * np.log2(some)
    # One code for all columns is paid for once, and suits columns that are alike (text).
    of_all = counts.sum(axis=0)
    shared = counts @ (np.log2(max(len(data), 1)) - np.log2(np.maximum(of_all, 1)))
    return float(np.minimum(np.minimum(own, shared + 1.0), 8.0 * n).sum())
