"""Stretches of a capture in which the frames do not change: where a person can say what the display showed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import FrameLayout, Frames
from tapwright.frames.place import n_check_bytes

# Frames that differ by a counter or a check alone show the same: a bit that flips more often than this share of frames
# is taken for one. A digit that flickers so often could not be read off the display either.
RESTLESS_SHARE = 0.45


@dataclass(frozen=True)
class Stretch:
    """Unchanged frames from `start_s` to `end_s` (the next frame's start), seconds of the capture's clock."""

    start_s: float
    end_s: float
    n_frames: int
    frame: bytes


def stretches(frames: Frames, layout: FrameLayout | None, *, least_s: float = 1.0) -> tuple[Stretch, ...]:
    """Return the stretches of at least `least_s`, in time order."""
    whole = np.flatnonzero(~frames.broken)
    if len(whole) < 2:
        return ()
    steady = _steady_bytes(frames.take(whole), layout)
    times = frames.t_s[whole]
    period = float(np.median(np.diff(times)))
    raw = list(frames.take(whole))
    found: list[Stretch] = []
    first = 0
    for i in range(1, len(whole) + 1):
        # A gap longer than three periods ends a stretch: nobody knows what was shown meanwhile.
        if i < len(whole) and steady[i] == steady[first] and times[i] - times[i - 1] <= 3 * period:
            continue
        followed = i < len(whole) and times[i] - times[i - 1] <= 3 * period
        end = float(times[i]) if followed else float(times[i - 1]) + period
        if end - times[first] >= least_s:
            found.append(Stretch(float(times[first]), end, i - first, raw[first]))
        first = i
    return tuple(found)


def _steady_bytes(frames: Frames, layout: FrameLayout | None) -> list[bytes]:
    """Return each frame without its check and without restless bits."""
    out: list[bytes] = [b""] * len(frames)
    for length in np.unique(frames.lengths).tolist():
        which, matrix = frames.matrix(length)
        keep = np.full(length, 0xFF, np.uint8)
        for at in _check_bytes(layout, length):
            keep[at] = 0
        if len(which) > 8:
            keep &= ~_restless(matrix)
        for i, row in zip(which.tolist(), matrix & keep, strict=True):
            out[i] = row.tobytes()
    return out


def _restless(matrix: NDArray[np.uint8]) -> NDArray[np.uint8]:
    bits = np.unpackbits(matrix, axis=1)
    flips = (bits[1:] != bits[:-1]).mean(axis=0) > RESTLESS_SHARE
    # A counter's high bits flip seldom; they belong to the byte whose low bit flips every time.
    by_byte = flips.reshape(-1, 8)
    counters = (bits[1:] != bits[:-1]).mean(axis=0).reshape(-1, 8)[:, 7] > 0.9
    by_byte[counters] = True
    return np.packbits(by_byte.reshape(-1))


def _check_bytes(layout: FrameLayout | None, length: int) -> list[int]:
    if layout is None:
        return []
    places = []
    for check in layout.checks:
        width = n_check_bytes(check.kind) * (2 if check.encoding == "hex" else 1)
        first = check.at if check.at >= 0 else length + check.at
        places += [at for at in range(first, first + width) if 0 <= at < length]
    return places
