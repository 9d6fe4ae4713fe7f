"""Covers beside every smaller choice of the same readings."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tapwright.mapping.cover import fewest


@given(st.integers(0, 2**32 - 1), st.integers(1, 7), st.integers(1, 9))
def test_no_smaller_choice_does_as_much(seed: int, readings: int, facts: int) -> None:
    does = np.random.default_rng(seed).random((readings, facts)) < 0.4
    wanted = does.any(axis=0)
    sizes = [n for n in range(readings + 1) for some in itertools.combinations(range(readings), n)
             if (does[list(some)].any(axis=0) == wanted).all()]
    chosen = fewest(does, readings)
    if not wanted.any():
        assert chosen is None
        return
    assert chosen is not None
    assert (does[chosen].any(axis=0) == wanted).all()
    assert len(chosen) == min(sizes)
    assert fewest(does, min(sizes) - 1) is None
