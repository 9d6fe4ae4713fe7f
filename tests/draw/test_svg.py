"""Pictures are well-formed whatever words they carry."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.draw import svg

words = st.text(max_size=20)
places = st.floats(-1e6, 1e6)
NAMESPACE = "{http://www.w3.org/2000/svg}"


@settings(max_examples=60)
@given(words, words, words, words)
def test_any_words_make_a_well_formed_picture(title: str, about: str, tip: str, said: str) -> None:
    """Markup, quotes, control characters and lone surrogates stay words, and come back as they were where XML can."""
    canvas = svg.Canvas(100, 50, title, about)
    canvas.rect(0, 0, 10, 10, tip=tip)
    canvas.circle(5, 5, 2, tip=tip)
    canvas.hatch(20, 0, 9, 9, tip=tip)
    canvas.polygon([(0, 0), (1, 1), (2, 0)], svg.INK, tip=tip)
    canvas.text(1, 1, said)
    root = ET.fromstring(canvas.svg().encode("utf-8"))
    assert root.tag == NAMESPACE + "svg"
    if all(ord(c) >= 32 and c not in "\ufffe\uffff" and not 0xD800 <= ord(c) < 0xE000 for c in said):
        (text,) = root.iter(NAMESPACE + "text")
        assert (text.text or "") == said


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_numbers_have_no_exponent_and_are_always_numbers(value: float) -> None:
    """SVG 2 takes exponents, old readers do not; what is not finite is drawn at 0."""
    text = svg.n(value)
    assert "e" not in text.lower()
    assert "n" not in text.lower()
    assert abs(float(text) - (value if math.isfinite(value) else 0)) <= 0.005 + abs(value if math.isfinite(value) else 0) * 1e-15


@given(places, places, st.integers(2, 12))
def test_ticks_are_round_and_inside(a: float, b: float, about: int) -> None:
    """1, 2 or 5 times a power of ten apart, inside the range, about as many as asked."""
    low, high = min(a, b), max(a, b)
    ticks = svg.round_steps(low, high, about)
    if high - low < 1e-6:
        return
    slack = 1e-6 * (high - low)
    assert all(low - slack <= tick <= high + slack for tick in ticks)
    assert len(ticks) <= about + 1
    if len(ticks) > 1:
        step = ticks[1] - ticks[0]
        lead = step / 10 ** math.floor(math.log10(step) + 1e-9)
        assert min(abs(lead - good) for good in (1, 2, 5, 10)) < 1e-3


@given(places, places, st.floats(0, 500), st.floats(0, 500))
def test_a_scale_maps_its_ends_to_its_ends(low: float, high: float, start: float, end: float) -> None:
    """Straight between; a range without width is drawn in the middle."""
    scale = svg.Scale(low, high, start, end)
    if low == high:
        assert scale(low) == pytest.approx((start + end) / 2)
    else:
        assert scale(low) == pytest.approx(start, abs=1e-6)
        assert scale(high) == pytest.approx(end, abs=1e-6)


def test_a_plot_draws_axes_and_limits() -> None:
    """Labels of both axes are there; a limit outside the range is left out."""
    plot = svg.Plot.make("Volts", "cells over hours", x_range=(0, 10), y_range=(2, 3), x_label="h", y_label="V")
    plot.curve([(0, 2.9), (10, 2.1)])
    plot.level(2.2, "lowest")
    plot.level(9.0, "far away")
    said = "".join(ET.fromstring(plot.canvas.svg()).itertext())
    assert "lowest" in said
    assert "far away" not in said
    assert "Volts" in said
    assert "h" in said


def test_minus_is_a_minus() -> None:
    """Axis labels carry U+2212."""
    assert svg.label(-2.5) == "−2.5"
    assert svg.label(1000000) == "1e+06"
