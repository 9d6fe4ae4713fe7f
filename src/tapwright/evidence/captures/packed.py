"""Packed samples (.bin): one byte a sample, or two (little-endian); bit i is channel i.

The file is read in pieces, never mapped whole (its pages would count as memory). What is kept grows with the number
of level changes, not with the number of samples.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.errors import CaptureError, UsageError
from tapwright.evidence.captures._source import ReadOptions, Source

SUFFIXES = (".bin",)
PIECE_BYTES = 1 << 18  # stays in the second-level cache; larger pieces were slower
# Busy: a change in fewer than a hundred samples. Then compiled code (0.4 s to load) wins from some 300 MB on.
BUSY_AFTER, BUSY_LEFT, BUSY_SHARE = 16 << 20, 300 << 20, 0.01


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
    found = _changes(source, options)
    at = np.concatenate(found.places) if found.places else np.empty(0, np.int64)
    flips = np.concatenate(found.flips) if found.flips else np.empty(0, found.dtype)
    found.places.clear()
    moving = int(np.bitwise_or.reduce(flips)) if len(flips) else 0
    channels = []
    for bit in range(options.width):
        mine = moving >> bit & 1
        edges = at[:0] if not mine else at if moving == 1 << bit else at[(flips >> bit) & 1 == 1]
        channels.append(Channel(name=str(bit), first_level=(found.first >> bit) & 1, edge_ticks=edges))
    return Capture(path=source.path, tick_s=1 / Fraction(options.rate_hz).limit_denominator(10**9), start_tick=0,
                   end_tick=found.done, sample_ticks=1, channels=tuple(channels))


@dataclass
class _Changes:
    """Where samples differ from the one before, and the bits that flip there, piece by piece."""

    dtype: np.dtype[np.unsignedinteger]
    places: list[NDArray[np.int64]] = field(default_factory=list)
    flips: list[NDArray[np.unsignedinteger]] = field(default_factory=list)
    first: int = 0
    last: int = -1
    done: int = 0
    n: int = 0

    def take(self, samples: NDArray[np.unsignedinteger]) -> None:
        """Add a piece."""
        if self.last < 0:
            self.first = self.last = int(samples[0])
        changed = np.flatnonzero(samples[1:] != samples[:-1])
        if samples[0] != self.last:
            self._add(np.array([self.done], np.int64), samples[:1] ^ self.dtype.type(self.last))
        if len(changed):
            self._add(changed + (self.done + 1), samples[changed + 1] ^ samples[changed])
        self._end(samples)

    def take_compiled(self, samples: NDArray[np.unsignedinteger]) -> None:
        """Add a piece of busy lines."""
        from tapwright.evidence.captures import _packed_kernels

        places, flips = np.empty(len(samples), np.int64), np.empty(len(samples), self.dtype)
        n = _packed_kernels.changes(samples, self.last, self.done, places, flips)
        if n:
            self._add(places[:n].copy(), flips[:n].copy())
        self._end(samples)

    def _add(self, places: NDArray[np.int64], flips: NDArray[np.unsignedinteger]) -> None:
        self.places.append(places)
        self.flips.append(flips)
        self.n += len(places)

    def _end(self, samples: NDArray[np.unsignedinteger]) -> None:
        self.last = int(samples[-1])
        self.done += len(samples)


def _changes(source: Source, options: ReadOptions) -> _Changes:
    found = _Changes(np.dtype("u1") if options.width == 8 else np.dtype("<u2"))
    size = found.dtype.itemsize
    still, compiled = b"", False
    for piece in source.pieces(PIECE_BYTES):
        if piece == still:  # nothing changes: compared at the speed of memory
            found.done += len(piece) // size
            continue
        if len(piece) % size:
            raise CaptureError("half a sample at the end", path=source.path, offset=found.done * size + len(piece),
                               expected="two bytes a sample with --width 16",
                               do="use --width 8 if a sample is one byte, or copy the file again")
        (found.take_compiled if compiled else found.take)(np.frombuffer(piece, found.dtype))
        still = piece[-size:] * (PIECE_BYTES // size)
        compiled = compiled or (BUSY_AFTER < found.done * size < source.size - BUSY_LEFT
                                and found.n > BUSY_SHARE * found.done)
        if options.progress and source.size:
            options.progress(min(found.done * size / source.size, 1))
    return found
