"""Digits as display segments: every segment is a bit of its own, anywhere in the frame, perhaps inverted.

A segment's column over the labels must be some bit's column, and no two segments share a bit (but b and c of a leading
place that only ever shows a 1, which displays often tie together). Which shapes of 6, 7 and 9 the display draws is
tried in all combinations; those that leave a segment without a bit are out.
"""

from __future__ import annotations

import itertools
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import GLYPH_VARIANTS, GLYPHS, Lamp, Segments, glyph_of
from tapwright.mapping.hypothesis import BITS_A_DIGIT, Hypothesis, Numbers, numbers_of
from tapwright.mapping.lamps import DARK, LIT, OPEN, candidates, consistent_labels, lamp, one_each, two_sided
from tapwright.mapping.sight import Sight

UNKNOWN = "?"
_VARYING = {"6": 0, "7": 5, "9": 3}  # digit -> the segment in which its shapes differ
_MOST_PLACES = 16


def read_place(place: tuple[Lamp, ...], body: bytes, moved: bool) -> str:
    """Return one place's character, `?` where the segments left open allow more than one shape."""
    return _character(tuple(lamp.of(body, moved) for lamp in place))


@lru_cache(maxsize=65536)
def _character(lit: tuple[bool | None, ...]) -> str:
    known = sum(1 << i for i, state in enumerate(lit) if state)
    patterns = [known]
    for i, state in enumerate(lit):
        if state is None:
            patterns += [pattern | 1 << i for pattern in patterns]
    shapes = {glyph_of(pattern) for pattern in patterns}
    shape = shapes.pop() if len(shapes) == 1 else None
    return UNKNOWN if shape is None else shape


def find(sight: Sight, numbers: Numbers, most_wrong: int) -> list[Hypothesis]:
    """Return the ways in which segments explain the labels, one for each set of things never seen to change."""
    width = numbers.width
    if not 1 <= width <= _MOST_PLACES:
        return []
    usable = sight.varied
    best: list[Hypothesis] = []
    for minus_glyph in (False, True):
        known = _digit_states(sight, numbers, width, minus_glyph=minus_glyph)
        kept = consistent_labels(sight, known, usable, most_wrong)
        if kept is None:
            continue
        extra = _extra_states(sight, numbers, width, minus_glyph=minus_glyph)
        both = consistent_labels(sight, np.concatenate([known, extra], axis=1), usable, most_wrong)
        found = _of_kept(sight, extra if both is not None else None, both if both is not None else kept, width,
                         minus_glyph=minus_glyph)
        if both is None:
            found = _with_part_of_extras(sight, known, extra, kept, width, most_wrong, minus_glyph=minus_glyph) or found
        if found and (not best or found[0].support > best[0].support):
            best = found
        if best and not (minus_glyph or (best[0].minus is None and numbers.negative.any())):
            break
    return best


def _with_part_of_extras(sight: Sight, known: NDArray[np.int8], extra: NDArray[np.int8], kept: NDArray[np.bool_],
                         width: int, most_wrong: int, *, minus_glyph: bool) -> list[Hypothesis]:
    """Try points without minus, then minus without points: the other may not be a lamp."""
    for part in (slice(1, None), slice(0, 1)):
        some = np.full_like(extra, OPEN)
        some[:, part] = extra[:, part]
        both = consistent_labels(sight, np.concatenate([known, some], axis=1), sight.varied, most_wrong)
        if both is not None:
            found = _of_kept(sight, extra, both, width, minus_glyph=minus_glyph, part=part)
            if found:
                return found
    return _of_kept(sight, None, kept, width, minus_glyph=minus_glyph)


def _digit_states(sight: Sight, numbers: Numbers, width: int, *, minus_glyph: bool,
                  shapes: dict[str, int] | None = None) -> NDArray[np.int8]:
    """Return the states of all segments, shape (n_labels, 7 width), places from the left.

    Where the shapes of 6, 7 and 9 are not given, the segments in which they differ are open.
    """
    table = {character: [(GLYPHS[character] >> i) & 1 for i in range(7)] for character in "0123456789 -"}
    for digit, segment in _VARYING.items():
        if shapes is None:
            table[digit][segment] = OPEN
        else:
            table[digit] = [(shapes[digit] >> i) & 1 for i in range(7)]
    table["?"] = [OPEN] * 7
    states = np.full((len(sight), 7 * width), OPEN, np.int8)
    by_character = {character: np.array(row, np.int8) for character, row in table.items()}
    cache: dict[str, NDArray[np.int8]] = {}
    for i, (label, digits) in enumerate(zip(sight.labels, numbers.digits, strict=True)):
        if label.is_blank:
            text = " " * width
        elif not digits:
            text = label.display if set(label.display) == {"-"} and len(label.display) == width else "?" * width
        elif minus_glyph and numbers.negative[i]:
            # Beyond the display's places a minus of its own would be needed.
            text = ("-" + digits).rjust(width) if len(digits) < width else "?" * width
        else:
            text = digits.rjust(width)
        if text not in cache:
            cache[text] = np.concatenate([by_character[character] for character in text])
        states[i] = cache[text]
    return states


def _extra_states(sight: Sight, numbers: Numbers, width: int, *, minus_glyph: bool) -> NDArray[np.int8]:
    """Return the states of the minus and of the points after 1, 2 ... digits, shape (n_labels, 1 + width)."""
    states = np.full((len(sight), 1 + width), OPEN, np.int8)
    for i, label in enumerate(sight.labels):
        if numbers.is_number[i]:
            states[i] = DARK
            states[i, 0] = LIT if numbers.negative[i] else DARK
            if numbers.decimals[i] > 0:
                states[i, min(int(numbers.decimals[i]), width)] = LIT
        elif label.is_blank or "." not in label.display:
            states[i, 1:] = DARK
            states[i, 0] = DARK if label.is_blank or "-" not in label.display else OPEN
    if minus_glyph:
        states[:, 0] = OPEN
    return states


def _of_kept(sight: Sight, extra: NDArray[np.int8] | None, kept: NDArray[np.bool_], width: int, *, minus_glyph: bool,
             part: slice | None = None) -> list[Hypothesis]:
    """Return the hypotheses for a consistent set of labels, one for each set of things never seen to change."""
    seen = sight.take(kept)
    usable, n_bits = seen.varied, seen.bits.shape[1]
    shown = {character for label in seen.labels for character in label.display if label.is_number}
    extras = np.zeros((len(seen), 0), np.int8)
    if extra is not None:
        extras = extra[kept].copy()
        if part is not None:
            closed = np.ones(extras.shape[1], np.bool_)
            closed[part] = False
            extras[:, closed] = OPEN
    groups: dict[tuple[bool, ...], tuple[list[set[int]], NDArray[np.int8]]] = {}
    numbers = numbers_of(seen.labels)
    for shapes in _shape_sets(shown):
        states = np.concatenate(
            [_digit_states(seen, numbers, width, minus_glyph=minus_glyph, shapes=shapes), extras], axis=1)
        options = candidates(seen, states, usable)
        wanted = two_sided(states)
        if any(need and not option for need, option in zip(wanted.tolist(), options, strict=True)):
            continue
        pruned = _distinct(options, states, n_bits)
        if pruned is None:
            continue
        key = tuple(wanted.tolist())
        if key in groups:
            pruned = [a | b for a, b in zip(groups[key][0], pruned, strict=True)]
        groups[key] = (pruned, states)
    return [_hypothesis(seen, kept, options, states, width, has_extras=extra is not None, part=part)
            for options, states in groups.values()]


def _shape_sets(shown: set[str]) -> list[dict[str, int]]:
    """Return every combination of the shapes of those digits that labels show."""
    choices = [(GLYPHS[digit], *GLYPH_VARIANTS[digit]) if digit in shown else (GLYPHS[digit],) for digit in _VARYING]
    return [dict(zip(_VARYING, shapes, strict=True)) for shapes in itertools.product(*choices)]


def _distinct(options: list[set[int]], states: NDArray[np.int8], n_bits: int) -> list[set[int]] | None:
    """Give every thing bits of its own; b and c of a leading place that shows nothing but 1 may share one."""
    pruned = one_each(options, n_bits)
    if pruned is not None:
        return pruned
    b, c = states[:, 1], states[:, 2]
    tied = bool((b == c).all()) and not two_sided(states[:, [0, 3, 4, 5, 6]]).any()
    if not tied:
        return None
    rest = one_each([set() if i == 2 else option for i, option in enumerate(options)], n_bits)
    if rest is not None:
        rest[2] = set(rest[1])
    return rest


def _hypothesis(seen: Sight, kept: NDArray[np.bool_], options: list[set[int]], states: NDArray[np.int8], width: int, *,
                has_extras: bool, part: slice | None) -> Hypothesis:
    n_bits = seen.bits.shape[1]
    lamps = [lamp(option, states[:, i], n_bits) for i, option in enumerate(options)]
    places = tuple(tuple(lamps[7 * place:7 * place + 7]) for place in range(width))
    points: dict[int, Lamp] | None = None
    minus: Lamp | None = None
    if has_extras:
        taken = range(1 + width)[part] if part is not None else range(1 + width)
        if 0 in taken:
            minus = lamps[7 * width]
        if 1 in taken:
            points = {decimals: lamps[7 * width + decimals] for decimals in range(1, width + 1)
                      if decimals < width or lamps[7 * width + decimals].lit}
    distinct = len(np.unique(np.concatenate([seen.rows, states.view(np.uint8)], axis=1), axis=0))
    chance = np.log2(2 * max(int(seen.varied.sum()), 1)) - (distinct - 1)
    changing = len({states[:, i].tobytes() for i in np.flatnonzero(two_sided(states))})
    support = max(changing * max(0.0, -float(chance)), _tidy_support(seen, options, states, width))
    claimed = frozenset(next(iter(option)) % n_bits for option in options if len({c % n_bits for c in option}) == 1)
    return Hypothesis(kind="segments", digits=Segments(places), explained=kept, width=width, claimed=claimed,
                      support=support, points=points, minus=minus)


def _tidy_support(seen: Sight, options: list[set[int]], states: NDArray[np.int8], width: int) -> float:
    """Return the support of a tidy layout: a byte a place, the segments in one order in all of them; 0 for none.

    A table of arbitrary codes would have to fall into that order by chance, so this counts on top of what it explains.
    """
    n_bits = seen.bits.shape[1]
    n_bytes = n_bits // 8
    numbers = numbers_of(seen.labels)
    variety = [len({digits.rjust(width)[at] for digits in numbers.digits if digits}) for at in range(width)]
    changing = two_sided(states)
    best = 0.0
    for step in (1, -1):
        for first in range(n_bytes):
            at_byte = [first + step * at for at in range(width)]
            if not 0 <= at_byte[-1] < n_bytes:
                continue
            bits = 0.0
            for segment in range(7):
                places = [at for at in range(width) if changing[7 * at + segment]]
                offsets = set(range(8))
                for at in places:
                    offsets &= {c % n_bits % 8 for c in options[7 * at + segment] if c % n_bits // 8 == at_byte[at]}
                if not offsets:
                    bits = -1.0
                    break
                bits += max(0.0, sum(variety[at] - 2.0 for at in places) - 3.0)
            best = max(best, bits - float(np.log2(2 * n_bytes)))
    if best <= 0:
        return 0.0
    return best + max(0.0, BITS_A_DIGIT * (numbers.distinct * numbers.moving - sum(variety)))
