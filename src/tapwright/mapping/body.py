"""The body of a frame: what may carry the reading. Its check and the constant bytes behind it are left out.

Bodies of different lengths stand in one matrix from the front, zeros behind (a length may depend on the mode, and the
check then moves with the frame's end).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.reading_map import ReadingMap

_WIDTHS = {"sum16": 2, "crc16": 2, "crc32": 4, "fletcher16": 2}
MOST_BODY_BYTES = 1024


def check_bytes(check: Check) -> int:
    """Return the number of bytes that a check takes in the frame."""
    return _WIDTHS.get(check.kind, 1) * (2 if check.encoding == "hex" else 1)


def layout_for(layout: FrameLayout | None, n_bytes: int) -> FrameLayout | None:
    """Return the layout, or that variant of it, which holds for frames of a length."""
    if layout is None or (layout.length == "fixed" and layout.n_bytes == n_bytes):
        return layout
    return next((v for v in layout.variants if v.length == "fixed" and v.n_bytes == n_bytes), layout)


def tail_and_holes(layout: FrameLayout | None, n_bytes: int) -> tuple[int, list[int]]:
    """Return how many bytes at a frame's end, and which bytes before them, carry no reading."""
    layout = layout_for(layout, n_bytes)
    if layout is None:
        return 0, []
    taken = {n_bytes - 1 - i for i in range(len(layout.end))}
    for check in layout.checks:
        first = check.at if check.at >= 0 else n_bytes + check.at
        taken |= set(range(first, first + check_bytes(check)))
    taken = {at for at in taken if 0 <= at < n_bytes}
    tail = 0
    while n_bytes - 1 - tail in taken:
        tail += 1
    return tail, sorted(at for at in taken if at < n_bytes - tail)


def bodies(frames: Frames, layout: FrameLayout | None) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Return the bodies of frames.

    Returns
    -------
    matrix : uint8, shape (n, longest body), zeros behind shorter ones and where a check stands inside
    lengths : int64, shape (n,), bytes of each body
    """
    lengths = np.minimum(frames.lengths, MOST_BODY_BYTES)
    sizes = np.unique(lengths)
    parts = {int(size): tail_and_holes(layout, int(size)) for size in sizes}
    width = max((size - tail for size, (tail, _) in parts.items()), default=0)
    matrix = np.zeros((len(frames), width), np.uint8)
    body_lengths = np.zeros(len(frames), np.int64)
    for size, (tail, holes) in parts.items():
        which = np.flatnonzero(lengths == size)
        if len(sizes) == 1 and len(frames.data) == size * len(frames) and not holes:
            # All alike and end to end: the body is a view of the frames.
            return frames.data.reshape(len(frames), size)[:, :size - tail], np.full(len(frames), size - tail, np.int64)
        rows = frames.data[frames.offsets[which][:, None] + np.arange(size - tail)]
        if holes:
            rows[:, holes] = 0
        matrix[which, :size - tail] = rows
        body_lengths[which] = size - tail
    return matrix, body_lengths


def split_fields(matrix: NDArray[np.uint8], lengths: NDArray[np.int64], separator: int,
                 slots: tuple[int, ...]) -> NDArray[np.uint8]:
    """Return bodies whose fields, parted by a separator, stand each in a slot of its own.

    Parameters
    ----------
    matrix, lengths : as from `bodies`
    separator : the parting byte
    slots : bytes kept of each field; a longer field is cut, a shorter one padded with zeros

    Returns
    -------
    uint8, shape (n, sum of slots)
    """
    starts = np.concatenate([[0], np.cumsum(slots)]).astype(int)
    out = np.zeros((len(matrix), int(starts[-1])), np.uint8)
    for i, (row, length) in enumerate(zip(matrix, lengths, strict=True)):
        for k, part in enumerate(row[:length].tobytes().split(bytes([separator]))[:len(slots)]):
            part = part[:slots[k]]
            out[i, starts[k]:starts[k] + len(part)] = np.frombuffer(part, np.uint8)
    return out


def map_bodies(frames: Frames, layout: FrameLayout | None,
               reading_map: ReadingMap) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Return the bodies as a reading map counts their bytes, and their lengths before any splitting."""
    matrix, lengths = bodies(frames, layout)
    if reading_map.separator >= 0:
        matrix = split_fields(matrix, lengths, reading_map.separator, reading_map.slots)
    return matrix, lengths
