"""Candidate layouts of bytes back to back: repetition at a distance, length bytes, type bytes, closing bytes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import FrameLayout
from tapwright.frames.description import MOST_KINDS, USUAL_SHARE
from tapwright.frames.row_shapes import (
    CLOSERS,
    CONSTANT_SHARE,
    ENDS,
    LINE_ENDS,
    LONGEST,
    common_end,
    common_start,
    is_text,
    steady,
)

NOWHERE = np.zeros(0, np.int64)
MOST_PERIODS = 10
SHORT_PERIODS = 4
MOST_HEADS = 6
MOST_STARTS = 24  # single bytes tried; in text a start byte is rarer than any digit
ALIKE_SHARE = 0.5
OTHER_LENGTHS = 0.03  # of frames with a length byte; fewer may be damage
ALL_ALIKE = 0.95  # of rows that a byte closes: from here on the others are taken for damaged
LEAST_LONGER = 2  # lines longer than the usual, by which lengths vary
NEXT_STARTS = 4  # to which a length byte may lead
LEAST_ADD, MOST_ADD = -8, 64  # of what a length byte does not count
LED_SHARE = 0.3  # of starts from which the length leads to another
COVERED_SHARE = 0.8  # of a kind's frames, that stand within other frames
PARTED_SHARE = 0.3  # of frames, that follow a silence, before a kind that never does is doubted
PARTED_LEAST = 5.0  # times that it should have followed one
LEAST_STEP = 3  # bytes from start to start
MOST_STEPS = 1000  # frames of a kind looked at for its length
KINDS_SHARE = 0.7  # of starts with a usual type behind them; damage and bytes within frames make the others
LEAST_KIND = 4  # bytes of a kind of frame: a start, a type and something to say


def stream_layouts(data: NDArray[np.uint8]) -> Iterator[FrameLayout]:
    """Yield layouts that make sense of bytes without looking at their times."""
    if not is_text(data):
        # In lines of text a length would be digits; a character that equals one only goes with it.
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
    high = [k + 1 for k in np.argsort(-same)[:64].tolist() if same[k] > base + 4 * sigma]
    # The shortest of them too: a period's multiples repeat as well as it does, and there are many.
    order = list(dict.fromkeys([*sorted(high)[:SHORT_PERIODS], *high[:MOST_PERIODS]]))
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
    if len(run) > 1 and run[:1] in LINE_ENDS:
        return [1]
    return list(range(min(len(run), MOST_HEADS)))


def _cyclic_constants(data: NDArray[np.uint8], n_bytes: int) -> list[list[int]]:
    """Return, at most five ways, the constant bytes of a frame of `n_bytes` from some anchor on, -1 for others."""
    if len(data) < 3 * n_bytes:
        return []
    again = (data[:-2 * n_bytes] == data[n_bytes:-n_bytes]) & (data[:-2 * n_bytes] == data[2 * n_bytes:])
    values, counts = np.unique(data[:-2 * n_bytes][again], return_counts=True)
    ways: dict[tuple[int, ...], tuple[int, int]] = {}
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
        # The same frame from another byte on is no other way.
        turned = max(tuple(columns[i:] + columns[:i]) for i in range(n_bytes))
        ways.setdefault(turned, (n_constant, len(everywhere)))
    # A display that stands still, or one kind of frames, has many constant bytes; what all frames share has few.
    order = [*sorted(ways, key=lambda way: ways[way], reverse=True)[:3],
             *sorted(ways, key=lambda way: ways[way][::-1], reverse=True)[:2]]
    return [list(way) for way in dict.fromkeys(order)]


def _consensus(block: NDArray[np.uint8]) -> list[int]:
    """Return the value of each column that nearly all rows share, -1 where there is none."""
    columns = []
    for i in range(block.shape[1]):
        columns.append(steady(np.bincount(block[:, i], minlength=256)))
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
    # Where the next one does not begin right behind it, a byte was lost and the columns are out of step.
    next_ = np.minimum(at + n_bytes, len(data) - 1)
    intact = at[data[next_] == value]
    at = intact if len(intact) >= 3 else at
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
            if len(inside) < 4 or len(np.unique(lengths)) < 2:
                continue
            # The start's bytes may stand within frames too: a length leads to one of the next few.
            adds = np.concatenate([at[k:][:len(inside)] - inside[:len(at) - k] - lengths[:len(at) - k]
                                   for k in range(1, min(NEXT_STARTS, len(at) - 1) + 1)])
            adds = adds[(adds >= LEAST_ADD) & (adds <= MOST_ADD)]
            led = np.bincount(adds - LEAST_ADD, minlength=2)
            for place in np.argsort(-led, kind="stable")[:2].tolist():
                add, count = place + LEAST_ADD, int(led[place])
                if count >= LED_SHARE * len(inside):
                    rows = [raw[a:a + n + add] for a, n in zip(inside.tolist(), lengths.tolist(), strict=True)
                            if is_start[a + n + add] and n + add > field_at]
                    usual = Counter(len(row) for row in rows).most_common(1)
                    if len(rows) < 3 or len(rows) - usual[0][1] < max(2, OTHER_LENGTHS * len(rows)):
                        continue  # one length: a constant byte that happens to be it
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


def typed_layouts(data: NDArray[np.uint8], parted: NDArray[np.int64] = NOWHERE) -> Iterator[FrameLayout]:
    """Yield layouts of several kinds of frames, told apart by a byte behind the start, each of a length of its own.

    Parameters
    ----------
    parted : where bytes follow a silence
    """
    for start in _frequent(data):
        at = np.flatnonzero(_places(data, start))
        if len(at) < 8:
            continue
        before = _constant_before(data, at)
        for type_at in range(len(start), len(start) + 4):
            kinds = data[at[at + type_at < len(data)] + type_at]
            values, counts = np.unique(kinds, return_counts=True)
            usual = values[counts >= USUAL_SHARE * len(kinds)]
            if len(usual) < 2 or np.isin(kinds, usual).mean() < KINDS_SHARE:
                continue
            within = _within(at[:len(kinds)], kinds, usual, parted) if len(start) == 1 else usual[:0]
            covered = _covered(data, at, kinds, usual)
            for chosen in dict.fromkeys((usual.tobytes(), np.setdiff1d(usual, within).tobytes(),
                                         np.setdiff1d(usual, covered).tobytes())):
                layout = _typed(data, at, np.frombuffer(chosen, np.uint8), type_at, before)
                if layout is not None:
                    yield layout


def _within(at: NDArray[np.int64], kinds: NDArray[np.uint8], usual: NDArray[np.uint8],
            parted: NDArray[np.int64]) -> NDArray[np.uint8]:
    """Return kinds that never follow a silence as the others do: what looks like their start stands within a frame."""
    after = np.isin(at, parted)
    if not after[np.isin(kinds, usual)].any():
        return usual[:0]
    rates = np.array([after[kinds == value].mean() for value in usual], np.float64)
    never: NDArray[np.bool_] = rates <= 0.1 * rates.max()
    share = float(after[np.isin(kinds, usual[~never])].mean())
    if share < PARTED_SHARE or share * np.isin(kinds, usual[never]).sum() < PARTED_LEAST:
        return usual[:0]
    within: NDArray[np.uint8] = usual[never]
    return within


def _covered(data: NDArray[np.uint8], at: NDArray[np.int64], kinds: NDArray[np.uint8],
             usual: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return kinds that nearly always stand within frames of other kinds, each as long as its own usual step."""
    lengths = _lengths(data, at, kinds, usual)
    reach = np.array([lengths.get(value, 0) for value in range(256)], np.int64)[kinds]
    ends = at[:len(kinds)] + reach
    inside = np.zeros(len(kinds), np.bool_)
    # The frame that reaches furthest of all that begin before.
    furthest = np.maximum.accumulate(ends)
    inside[1:] = furthest[:-1] > at[1:len(kinds)]
    shares = np.array([inside[kinds == value].mean() for value in usual], np.float64)
    dropped: NDArray[np.uint8] = usual[shares >= COVERED_SHARE]
    return dropped


def _typed(data: NDArray[np.uint8], at: NDArray[np.int64], usual: NDArray[np.uint8], type_at: int,
           before: bytes) -> FrameLayout | None:
    """Return the layout of these kinds, None where they make none."""
    if not 2 <= len(usual) <= MOST_KINDS:
        return None
    raw = data.tobytes()
    kinds = data[at[at + type_at < len(data)] + type_at]
    lengths = _lengths(data, at, kinds, usual)
    some = np.array([value for value, n_bytes in lengths.items() if n_bytes >= LEAST_KIND], np.uint8)
    if 2 <= len(some) < len(usual) and np.isin(kinds, some).mean() >= KINDS_SHARE:
        lengths = _lengths(data, at, kinds, some)  # what is too short for a frame, or has no length, stood within one
    if 0 in lengths.values() or len(set(lengths.values())) < 2:
        return None
    layouts = [_of_kind(raw, at[:len(kinds)][kinds == value], n, type_at) for value, n in lengths.items()]
    if any(len(layout.start) <= type_at or layout.n_bytes < LEAST_KIND for layout in layouts):
        return None  # bytes before the type that are not the same in all kinds: this is no type byte
    if any(layout.start[:2] == b"\r\n" for layout in layouts):
        return None  # a line end, damaged at times
    heads = _heads(before + layouts[0].start[:type_at])
    if len(heads) == 1 and heads[0] != len(before):
        return None  # a line end or an ETX before it closes the frame before
    counts = [int((kinds == value).sum()) for value in lengths]
    main, *others = [layout for _, layout in sorted(zip(counts, layouts, strict=True), key=lambda entry: -entry[0])]
    return replace(main, variants=tuple(others))


def _lengths(data: NDArray[np.uint8], at: NDArray[np.int64], kinds: NDArray[np.uint8],
             usual: NDArray[np.uint8]) -> dict[int, int]:
    """Return the length of each kind of frames, 0 for one that has none."""
    # The start's bytes stand within frames too, but hardly before a usual type.
    is_start = np.zeros(len(data) + LONGEST + 1, np.bool_)
    is_start[at[:len(kinds)][np.isin(kinds, usual)]] = True
    is_start[at[len(kinds):]] = True  # cut by the recording's end
    return {value: _usual_step(at[:len(kinds)][kinds == value], is_start) for value in usual.tolist()}


def _usual_step(at: NDArray[np.int64], is_start: NDArray[np.bool_]) -> int:
    """Return the least distance at which another start stands behind nearly all of these, 0 where there is none."""
    shares = is_start[at[:MOST_STEPS, None] + np.arange(LEAST_STEP, LONGEST)].mean(axis=0)
    usual = np.flatnonzero(shares >= 0.8)
    return LEAST_STEP + int(usual[0]) if len(usual) else 0


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
        longer = sum(n_bytes < len(row) < 2 * n_bytes for row in rows)
        # In lines a number gets a digit more; damage makes them shorter, or joins two.
        if count < ALL_ALIKE * len(rows) or (plain and longer >= LEAST_LONGER):
            start = common_start(rows)
            if end != b"\r" or start[:1] != b"\n":
                yield FrameLayout(length="delimited", start=start, end=end)


def _closers(raw: bytes) -> tuple[bytes, ...]:
    """Return the line ends worth trying: where CR and LF go together, only both."""
    both = raw.count(b"\r\n")
    if both >= 3 and both >= 0.8 * max(raw.count(b"\n"), raw.count(b"\r")):
        return (b"\r\n",)
    return LINE_ENDS
