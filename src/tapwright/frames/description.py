"""How many bits a sample of a stream takes to write down under a layout."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.line import LineBytes
from tapwright.frames.apply import split
from tapwright.frames.row_shapes import CLOSERS

KIND_BITS = 40.0  # a layout for each kind must win by more than this
MOST_KINDS = 6
ODD_CLOSER_BITS = 60.0  # a closing byte that is no line end or ETX must win by more than this
USUAL_SHARE = 0.03  # of frames: a length that is seen less often may be damage
TYPE_PLACES = 6  # in which a type byte is looked for
TAILS = (1, 2, 4)  # bytes counted from the end where lengths vary


def description_bits(sample: LineBytes, layout: FrameLayout, events: list[NDArray[np.int64]]) -> tuple[float, Frames]:
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
    own = [_coded_bits(places, whole.data) for places in _places_in_frames(whole)]
    if len(_usual_lengths(whole)) <= MOST_KINDS:
        from_start = np.arange(len(whole.data)) - np.repeat(whole.offsets[:-1], whole.lengths)
        width = int(from_start.max()) + 1
        own += [_coded_bits(from_start + np.repeat(kinds, whole.lengths) * width, whole.data)
                for kinds in _kinds(whole)]
    bits += min(own)
    if layout.length in ("gap", "delimited"):
        bits += len(whole) * _entropy(whole.lengths) + 8.0 * len(np.unique(whole.lengths))
    if layout.length == "delimited" and layout.end not in CLOSERS:
        bits += ODD_CLOSER_BITS
    bits += KIND_BITS * len(layout.variants)
    for event in events:
        at_frame = np.isin(sample.t_s[event], whole.t_s) if len(event) else np.zeros(0, np.bool_)
        n_in = int(at_frame.sum())
        share = n_in / len(whole)
        bits += (len(event) - n_in) * np.log2(len(sample)) + len(whole) * _binary_entropy(share)
    return float(bits), whole


def _usual_lengths(frames: Frames) -> NDArray[np.int64]:
    """Return the lengths that are no damage, rising; all where none is usual."""
    lengths, counts = np.unique(frames.lengths, return_counts=True)
    usual = lengths[counts >= USUAL_SHARE * len(frames)]
    return usual if len(usual) else lengths


def _kinds(frames: Frames) -> Iterator[NDArray[np.int64]]:
    """Yield ways to see kinds of frames, each with columns of its own: by length, and by a type byte besides."""
    lengths = _usual_lengths(frames)
    kind = np.minimum(np.searchsorted(lengths, frames.lengths), len(lengths) - 1)
    kind = np.where(lengths[kind] == frames.lengths, kind, len(lengths))  # damaged ones together
    if len(lengths) > 1:
        yield kind
    for place in range(min(TYPE_PLACES, int(frames.lengths.min()))):
        _, which, counts = np.unique(kind * 256 + frames.data[frames.offsets[:-1] + place], return_inverse=True,
                                     return_counts=True)
        seldom = counts < USUAL_SHARE * len(frames)
        n_kinds = int((~seldom).sum() + seldom.any())
        if len(lengths) < n_kinds <= MOST_KINDS:
            yield np.where(seldom, len(counts), np.cumsum(~seldom) - 1)[which]


def _binary_entropy(p: float) -> float:
    return 0.0 if p <= 0 or p >= 1 else float(-p * np.log2(p) - (1 - p) * np.log2(1 - p))


def _entropy(values: NDArray[np.int64]) -> float:
    counts = np.unique(values, return_counts=True)[1]
    p = counts / counts.sum()
    return float(-(p * np.log2(p)).sum())


def _places_in_frames(frames: Frames) -> Iterator[NDArray[np.int64]]:
    """Yield each byte's column: its place from the start, but where lengths vary the last few counted from the end."""
    lengths = frames.lengths
    from_start = np.arange(len(frames.data)) - np.repeat(frames.offsets[:-1], lengths)
    if int(lengths.min()) == int(lengths.max()):
        yield from_start
        return
    to_end = np.repeat(frames.offsets[1:], lengths) - np.arange(len(frames.data))
    # In short frames a tail taken too long would mix with what is counted from the start.
    for tail in sorted({min(tail, int(lengths.min())) for tail in TAILS}):
        yield np.where(to_end <= tail, to_end - 1, from_start + tail)


def _coded_bits(columns: NDArray[np.int64], data: NDArray[np.uint8]) -> float:
    """Return the bits of bytes written column by column, each by its own code or plain, whichever is shorter."""
    width = int(columns.max()) + 1
    # Most columns show few of 256 values: only what was seen is reckoned with.
    cells = np.sort(columns.astype(np.int32) << 8 | data)
    ends = np.append(np.flatnonzero(cells[1:] != cells[:-1]) + 1, len(cells))
    seen = np.diff(ends, prepend=0).astype(np.float64)
    column, value = cells[ends - 1] >> 8, cells[ends - 1] & 255
    n: NDArray[np.float64] = np.bincount(column, weights=seen, minlength=width).astype(np.float64)
    some = np.maximum(n, 1)
    own: NDArray[np.float64] = n * np.log2(some) - np.bincount(column, weights=seen * np.log2(seen), minlength=width)
    distinct = np.bincount(column, minlength=width)
    own += distinct * 8 + np.maximum(distinct - 1, 0) * 0.5 * np.log2(some)
    # One code for all columns is paid for once, and suits columns that are alike (text).
    of_all = np.bincount(data, minlength=256)
    code = np.log2(len(data)) - np.log2(np.maximum(of_all, 1))
    shared = np.bincount(column, weights=seen * code[value], minlength=width)
    plain = np.minimum(np.minimum(own, shared + 1.0), 8.0 * n)
    return float(np.minimum(plain, _repeating_bits(columns, data, n)).sum())


def _repeating_bits(columns: NDArray[np.int64], data: NDArray[np.uint8], n: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the bits of each column where only changes from frame to frame are written: readings move slowly."""
    order = np.argsort(columns, kind="stable")
    column, value = columns[order], data[order]
    moved = (value[1:] != value[:-1]) & (column[1:] == column[:-1])
    changes = np.bincount(column[1:][moved], minlength=len(n)).astype(np.float64)
    some = np.maximum(n, 1)
    share = np.clip(changes / some, 1e-9, 1 - 1e-9)
    mixed = -(share * np.log2(share) + (1 - share) * np.log2(1 - share))
    return np.asarray(n * mixed + 8.0 * (changes + 1) + np.log2(some))
