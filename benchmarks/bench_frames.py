"""Frames: an unknown CRC against exhaustive search with a general library; framing, reading and noise per megabyte."""

from __future__ import annotations

import random
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import anycrc
import numpy as np
import polars
from numpy.typing import NDArray

from benchmarks.row import Row
from tapwright.core.frame import Frames
from tapwright.core.line import LineBytes
from tapwright.evidence.frame_rows import read_frame_rows, write_frame_rows
from tapwright.frames import crcs
from tapwright.frames.find import find_frames
from tapwright.frames.material import Material

CHARACTER_S = 1e-3


def run() -> list[Row]:
    """Return the rows."""
    rows = [row for width in (8, 16, 32) for row in _crc(width)]
    rows += [_framed(0.3, "silences"), _framed(0.0, "no silences"), _noise(), _file()]
    return rows


def _least(work: Callable[[], object], times: int = 3, clock: Callable[[], float] = time.perf_counter) -> float:
    best = float("inf")
    for _ in range(times):
        start = clock()
        work()
        best = min(best, clock() - start)
    return best


def _crc(width: int) -> list[Row]:
    rng = random.Random(width)
    crc = anycrc.CRC(width, rng.getrandbits(width) | 1, rng.getrandbits(width), True, False, rng.getrandbits(width))
    frames = []
    for _ in range(200):
        body = b"\x5a\xa5" + rng.randbytes(11 - width // 8)
        frames.append(body + crc.calc(body).to_bytes(width // 8, "little"))
    source = Frames.of(frames, [0.3 * i for i in range(200)])
    # Processor time: one thread each, and fair on a busy machine.
    found_s = _least(lambda: find_frames(source), clock=time.process_time)
    assert find_frames(source).checks[0].check.kind == f"crc{width}"
    # Exhaustive: every polynomial and start value over every span that the search covers; two frames to reject one.
    spans = crcs.n_settings(Material.of(source), deep=False)
    settings = 2.0 ** width * 2.0 ** width * spans
    span = frames[0][:-width // 8]

    def try_some() -> None:
        for poly in range(2000):
            anycrc.CRC(width, poly & 0xFF | 1, 0, False, False, 0).calc(span)

    one_s = _least(try_some, clock=time.process_time) / 2000
    return [
        Row(f"unknown crc{width}, 200 frames of 13 bytes, s", found_s, 0.15, False),
        Row(f"exhaustive crc{width} search with anycrc over the search, times (extrapolated)",
            settings * one_s / found_s, 1000, True, f"{settings:.3g} settings of {1e6 * one_s:.2f} µs"),
    ]


def _line(data: NDArray[np.uint8], gap_s: float) -> LineBytes:
    t_s = np.arange(len(data)) * CHARACTER_S + np.arange(len(data)) // 13 * gap_s
    return LineBytes(channel="", t_s=t_s, values=data.astype(np.uint64), errors=np.zeros(len(data), np.uint8),
                     character_s=CHARACTER_S)


def _framed(gap_s: float, what: str) -> Row:
    matrix = np.random.default_rng(1).integers(0, 256, (77_000, 13), dtype=np.uint8)
    matrix[:, :2] = 0x5A, 0xA5
    matrix[:, 12] = matrix[:, :12].sum(axis=1) & 0xFF
    rows = _line(matrix.ravel(), gap_s)
    took_s = _least(lambda: find_frames(rows), 2)
    assert len(find_frames(rows).whole) == 77_000
    return Row(f"a million bytes framed, {what}, s", took_s, 2.0, False)


def _noise() -> Row:
    rows = _line(np.random.default_rng(2).integers(0, 256, 10_000_000, dtype=np.uint8), 0.0)
    return Row("10 million bytes of noise refused, s", _least(lambda: find_frames(rows), 1), 5.0, False)


def _file() -> Row:
    rng = np.random.default_rng(3)
    n = 1_000_000
    frames = Frames(np.arange(n) * 0.3, rng.integers(0, 256, 13 * n, dtype=np.uint8), np.arange(n + 1) * 13)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frames.csv"
        write_frame_rows(path, frames)
        ours_s = _least(lambda: read_frame_rows(path), 2)
        theirs_s = _least(lambda: polars.read_csv(path), 2)
    return Row("reading a frames file of a million rows over polars.read_csv alone, times", ours_s / theirs_s, 15,
               False, f"{ours_s:.2f} s against {theirs_s:.3f} s")
