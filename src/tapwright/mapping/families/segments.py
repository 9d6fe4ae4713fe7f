"""Digits as display segments: every segment is a bit of its own, anywhere in the frame."""

from __future__ import annotations

from functools import lru_cache

from tapwright.core.reading_map import Segments, glyph_of

UNKNOWN = "?"


def read(digits: Segments, body: bytes, moved: bool) -> str:
    """Return the places' characters from the left, `?` where the segments left open allow more than one shape."""
    return "".join(_character(tuple(lamp.of(body, moved) for lamp in place)) for place in digits.places)


@lru_cache(maxsize=65536)
def _character(lit: tuple[bool | None, ...]) -> str:
    known = sum(1 << i for i, state in enumerate(lit) if state)
    open_bits = [1 << i for i, state in enumerate(lit) if state is None]
    patterns = [known]
    for bit in open_bits:
        patterns += [pattern | bit for pattern in patterns]
    shapes = {glyph_of(pattern) for pattern in patterns}
    shape = shapes.pop() if len(shapes) == 1 else None
    return UNKNOWN if shape is None else shape
