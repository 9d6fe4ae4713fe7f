"""Packed samples (.bin): one byte a sample, or two (little-endian); bit i is channel i.

The file is read in pieces, never mapped whole (its pages would count as memory). What is kept grows with the number
of level changes, not with the number of samples.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.errors import CaptureError, UsageError
from tapwright.evidence.captures._source import ReadOptions, Source

SUFFIXES = (".bin",)
PIECE_BYTES = 1 << 18  # stays in the second-level cache; larger pieces were slower


def matches(head: bytes) -> bool:
    """Return False: packed samples can hold any bytes, so only their name tells."""
    return False


def read(source: Source, options: ReadOptions) -> Capture:
    """Read packed samples.

    Raises
    ------
    UsageError : no sample rate given
    CaptureError : half a sample at the end
    """
    if options.rate_hz is None:
        raise UsageError("packed samples do not say how fast they were taken", path=source.path,
                         expected="--rate HZ", do="give the logic capture's sample rate")
    n_bytes = options.width // 8
    at, flips, first, n_samples = _changes(source, options, np.dtype("u1") if n_bytes == 1 else np.dtype("<u2"))
    channels = []
    for bit in range(options.width):
        edges = at[(flips >> bit) & 1 == 1]
        channels.append(Channel(name=str(bit), first_level=(first >> bit) & 1, edge_ticks=edges))
    return Capture(path=source.path, tick_s=1 / Fraction(options.rate_hz).limit_denominator(10**9), start_tick=0,
                   end_tick=n_samples, sample_ticks=1, channels=tuple(channels))


def _changes(
    source: Source, options: ReadOptions, dtype: np.dtype[np.unsignedinteger],
) -> tuple[NDArray[np.int64], NDArray[np.unsignedinteger], int, int]:
    """Return where samples differ from the one before, the bits that flip there, the first sample, and the count."""
    places, flips = [], []
    first, last, done = 0, None, 0
    still = b""
    for piece in source.pieces(PIECE_BYTES):
        if piece == still:  # nothing changes: compared at the speed of memory
            done += len(piece) // dtype.itemsize
            continue
        if len(piece) % dtype.itemsize:
            raise CaptureError("half a sample at the end", path=source.path, offset=done * dtype.itemsize + len(piece),
                               expected="two bytes a sample with --width 16",
                               do="use --width 8 if a sample is one byte, or copy the file again")
        samples = np.frombuffer(piece, dtype)
        if last is None:
            first = int(samples[0])
        elif samples[0] != last:
            places.append(np.array([done], np.int64))
            flips.append(np.array([samples[0] ^ last], dtype))
        changed = np.flatnonzero(samples[1:] != samples[:-1])
        if len(changed):
            flips.append(samples[changed + 1] ^ samples[changed])
            places.append(changed + (done + 1))
        last = samples[-1]
        still = piece[-dtype.itemsize:] * (PIECE_BYTES // dtype.itemsize)
        done += len(samples)
        if options.progress and source.size:
            options.progress(min(done * dtype.itemsize / source.size, 1))
    if not places:
        return np.empty(0, np.int64), np.empty(0, dtype), first, done
    return np.concatenate(places), np.concatenate(flips), first, done
