"""The compiled walk and the plain one are the same receiver."""

from __future__ import annotations

import random

import numpy as np
import pytest
from tests.line.wire import Wire

from tapwright.line import receive
from tapwright.line.edges import Stretch


@pytest.mark.slow
@pytest.mark.parametrize("inverted", [False, True])
def test_both_walks_agree(inverted: bool) -> None:
    """Every length, right and wrong, on characters with pauses, jitter and nonsense between them."""
    r = random.Random(7)
    wire = Wire(9600, 96_000, inverted=inverted)
    for _ in range(300):
        wire.send(r.randbytes(r.randrange(1, 9)), r.choice(("8N1", "7E1", "9N2")))
        wire.idle(20 * r.random() ** 3)
        if r.random() < 0.1:
            wire.put(0, r.random() * 40 * wire.bit_s)
    capture = wire.capture()
    edges = capture.channels[0].edge_ticks
    jitter = np.random.default_rng(3).integers(-1, 2, len(edges))
    edges = np.unique(np.maximum.accumulate(edges + jitter))
    stretch = Stretch(start=0, end=capture.end_tick, first_level=capture.channels[0].first_level, edges=edges)
    for before_stop in range(6, 12):
        plain = receive.receive(stretch, 10.0, before_stop, inverted=inverted)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(receive, "COMPILED_FROM", 1)
            compiled = receive.receive(stretch, 10.0, before_stop, inverted=inverted)
        for name in ("index", "levels", "half_bits", "whole", "unsure"):
            assert np.array_equal(getattr(plain, name), getattr(compiled, name)), (before_stop, name)
