"""What runs as machine code and as plain Python is the same receiver."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from tests.line.wire import Wire

from tapwright.core.line import Parity
from tapwright.line import glitches, receive
from tapwright.line.edges import Stretch
from tapwright.line.forms import Form


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


@pytest.mark.slow
@pytest.mark.parametrize("parity", ["none", "even"])
def test_disturbed_bursts_are_reread_alike(parity: Parity) -> None:
    """Pulses of up to a third of a bit at random times: machine code and plain Python settle on the same edges."""
    r = random.Random(8)
    wire = Wire(9600, 96_000)
    for _ in range(120):
        wire.send(r.randbytes(r.randrange(1, 9)), "8N1" if parity == "none" else "7E1")
        wire.idle(15 + 20 * r.random())
    capture = wire.capture()
    edges = capture.channels[0].edge_ticks
    at = np.sort(np.array(r.sample(range(0, capture.end_tick, 7), 100)))
    noise = np.stack([at, at + np.array([r.randrange(1, 4) for _ in at])], 1).reshape(-1)
    both, counts = np.unique(np.concatenate([edges, noise]), return_counts=True)
    raw = Stretch(start=0, end=capture.end_tick, first_level=capture.channels[0].first_level, edges=both[counts == 1])
    form = Form(8, "none", 1.0, False) if parity == "none" else Form(7, parity, 1.0, False)
    bridged, n = glitches.without_glitches(raw.edges, 10.0, 1.0)
    assert n > 50
    found = []
    for compiled_from in (0, 10**9):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(glitches, "COMPILED_FROM", compiled_from)
            found.append(glitches.reread_bursts(raw, replace(raw, edges=bridged), 10.0, 1.0, form).edges)
    assert np.array_equal(found[0], found[1])
    assert not np.array_equal(found[0], bridged)
