"""Packed samples (.bin): one byte a sample, or two (little-endian); bit i is channel i.

The file is read in pieces, never mapped whole (its pages would count as memory). What is kept grows with the number
of level changes, not with the number of samples.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.errors import CaptureError, UsageError
from tapwright.evidence.captures._growing import Growing
from tapwright.evidence.captures._source import ReadOptions, Source

SUFFIXES = (".bin",)
PIECE_BYTES = 1 << 17  # larger pieces were slower: a first pass over twice that took three times as long
COMPILED_FROM = 16 << 20  # bytes; below, loading machine code (0.1 s) costs more than it saves


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
    tick_s = 1 / Fraction(options.rate_hz).limit_denominator(10**9)
    if source.size >= COMPILED_FROM:
        first, lines, done = _compiled(source, options)
    else:
        first, lines, done = _plain(source, options)
    channels = tuple(Channel(name=str(bit), first_level=first >> bit & 1, edge_ticks=edges)
                     for bit, edges in enumerate(lines))
    return Capture(path=source.path, tick_s=tick_s, start_tick=0, end_tick=done, sample_ticks=1, channels=channels)


_Lines = tuple[int, list[NDArray[np.int64]], int]


def _plain(source: Source, options: ReadOptions) -> _Lines:
    """Return the first sample, the edges of each line, and how many samples there are."""
    found = _Changes(np.dtype("u1") if options.width == 8 else np.dtype("<u2"))
    for samples in _pieces(source, options, found.dtype):
        if samples is None:
            found.done += PIECE_BYTES // found.dtype.itemsize
        else:
            found.take(samples)
    at = np.concatenate(found.places) if found.places else np.empty(0, np.int64)
    flips = np.concatenate(found.flips) if found.flips else np.empty(0, found.dtype)
    return found.first, [at[(flips >> bit) & 1 == 1] for bit in range(options.width)], found.done


def _compiled(source: Source, options: ReadOptions) -> _Lines:
    """The same as machine code: the edges go straight to their line's array."""
    from tapwright.evidence.captures import _packed_kernels

    changes = _packed_kernels.CHANGES_8 if options.width == 8 else _packed_kernels.CHANGES_16
    edges = Growing(options.width)
    size = options.width // 8
    # One buffer for all: a new one for each piece would cost as much in fresh pages as the reading itself.
    buffer = np.empty(PIECE_BYTES, np.uint8)
    samples = buffer.view("u1" if size == 1 else "<u2")
    at = buffer.ctypes.data, edges.addresses.ctypes.data, edges.counts.ctypes.data
    first = last = -1
    done = room = 0
    with source.opened() as file:
        while n_bytes := source.fill(file, buffer.data):
            if n_bytes % size:
                raise _half(source, done * size + n_bytes)
            n = n_bytes // size
            if first < 0:
                first = last = int(samples[0])
            if room < n:
                room = 8 * PIECE_BYTES
                edges.room_for(room)
            last = changes(at[0], n, at[0], last, done, options.width, at[1], at[2])
            done += n
            room -= n
            if options.progress:
                options.progress(min(done * size / source.size, 1))
    return first, [edges.taken(bit) for bit in range(options.width)], done


def _half(source: Source, offset: int) -> CaptureError:
    return CaptureError("half a sample at the end", path=source.path, offset=offset,
                        expected="two bytes a sample with --width 16",
                        do="use --width 8 if a sample is one byte, or copy the file again")


def _pieces(
    source: Source, options: ReadOptions, dtype: np.dtype[np.unsignedinteger],
) -> Iterator[NDArray[np.unsignedinteger] | None]:
    """Yield the samples piece by piece; None for a whole piece that repeats the sample before it."""
    still, done, size = b"", 0, dtype.itemsize
    for piece in source.pieces(PIECE_BYTES):
        done += len(piece)
        if options.progress:
            options.progress(min(done / source.size, 1))
        if piece == still:  # nothing changes: compared at the speed of memory
            yield None
            continue
        if len(piece) % size:
            raise _half(source, done)
        still = piece[-size:] * (PIECE_BYTES // size)
        yield np.frombuffer(piece, dtype)


@dataclass
class _Changes:
    """Where samples differ from the one before, and the bits that flip there, piece by piece."""

    dtype: np.dtype[np.unsignedinteger]
    places: list[NDArray[np.int64]] = field(default_factory=list)
    flips: list[NDArray[np.unsignedinteger]] = field(default_factory=list)
    first: int = 0
    last: int = -1
    done: int = 0

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

    def _add(self, places: NDArray[np.int64], flips: NDArray[np.unsignedinteger]) -> None:
        self.places.append(places)
        self.flips.append(flips)

    def _end(self, samples: NDArray[np.unsignedinteger]) -> None:
        self.last = int(samples[-1])
        self.done += len(samples)
