"""Masks: finding one against trying keys with the pairs known, and applying one against a bare table look-up."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from benchmarks.row import Row
from tapwright.core.frame import Frames
from tapwright.core.mask import Mask, Step
from tapwright.mask.apply import apply_mask, unmask
from tapwright.mask.find import find_mask

N_BYTES, N_FRAMES = 13, 300


def run() -> list[Row]:
    """Return the ratios."""
    rng = random.Random(1)
    key = tuple(rng.randrange(256) for _ in range(N_BYTES))
    mask = Mask(steps=(Step(kind="add", key=key), Step(kind="xor", key=key[::-1])))
    wire = Frames.of([_reading(rng) for _ in range(N_FRAMES)], [0.3 * i for i in range(N_FRAMES)])
    radio = apply_mask(wire, mask)
    find_s, report = _best(lambda: find_mask(wire, radio), 3)
    assert report.mask is not None  # a benchmark of a wrong answer would say nothing
    _, pairs = wire.matrix(N_BYTES)
    tried_s, _ = _best(lambda: [_try_keys(pairs[:, place], radio.matrix(N_BYTES)[1][:, place])
                                for place in range(N_BYTES)], 1)

    many = Frames.of([_reading(rng) for _ in range(80_000)], np.arange(80_000.0))
    apply_s, _ = _best(lambda: unmask(many, mask), 3)
    table = np.arange(256, dtype=np.uint8)[::-1].copy()
    look_s, _ = _best(lambda: table[many.data], 3)
    return [
        Row("two keys found, frames unpaired, over trying all 65536 key pairs a place with numpy, frames paired",
            find_s / tried_s, 6, at_least=False, detail=f"{find_s:.2f} s against {tried_s:.2f} s"),
        Row("mask taken off a million bytes, over one numpy table look-up a byte",
            apply_s / look_s, 20, at_least=False, detail=f"{apply_s * 1e3:.1f} ms against {look_s * 1e3:.1f} ms"),
    ]


def _reading(rng: random.Random) -> bytes:
    body = b"\x5a\xa5" + rng.randrange(10**8).to_bytes(4, "little") + bytes(N_BYTES - 7)
    return body + bytes([sum(body) & 255])


def _try_keys(wire: NDArray[np.uint8], radio: NDArray[np.uint8]) -> list[tuple[int, int]]:
    """Try every added key with every xored one on one place's bytes."""
    second = np.arange(256, dtype=np.uint8)[:, None]
    return [(first, int(k)) for first in range(256)
            for k in np.flatnonzero(((wire + np.uint8(first))[None, :] ^ second == radio[None, :]).all(axis=1))]


T = TypeVar("T")


def _best(call: Callable[[], T], times: int) -> tuple[float, T]:
    """Return the shortest processor time of a call in seconds, and what it returned."""
    best = float("inf")
    for _ in range(times):
        start = time.process_time()
        result = call()
        best = min(best, time.process_time() - start)
    return best, result
