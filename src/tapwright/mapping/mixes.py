"""Mixes of what labels showed apart: would they be read for certain?

A frame is put together from the labels' own bits: range and state from one, digits from another, sign and flags from
others. Where the map cannot read such a frame, that very mix is worth showing: it tells codes from bits that only
happened to go with them.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading import Status
from tapwright.core.reading_map import BitRef, Float, Integer, Lamp, Segments, UnitSigns
from tapwright.mapping.apply import digit_bits
from tapwright.mapping.fit import Learned
from tapwright.mapping.shown import read_row
from tapwright.mapping.sight import Sight

_TRIALS = 160


@dataclass(frozen=True)
class Mix:
    """Labels by index: where range, state, digits and sign come from; the flags; what stayed open in the reading."""

    range: int
    state: int
    digits: int
    sign: int
    flags: frozenset[str]
    open: tuple[str, ...]


def open_mixes(learned: Learned, most: int) -> Iterator[Mix]:
    """Return mixes that the map cannot read for certain, no two alike in range, sign and flags, `most` at most."""
    reading_map, sight = learned.reading_map, learned.sight
    assert reading_map is not None
    if all(isinstance(display.digits, Segments) and not display.point.tables for display in reading_map.displays) \
            and all(isinstance(unit, UnitSigns) for unit in reading_map.units):
        return  # every element has its own bit: the planner's classes know all of it
    columns = {"digits": _columns(bit for display in reading_map.displays for bit in digit_bits(display)),
               "sign": _columns(bit for display in reading_map.displays if display.minus for bit in display.minus.bits)}
    lamps = {name: flag.bits for name, flag in reading_map.flags.items() if isinstance(flag, Lamp) and flag.bits}
    rng = random.Random(len(sight))
    n = len(sight)
    numbers = [i for i, label in enumerate(sight.labels) if label.is_number]
    odd = {i: _state_columns(sight, label.display) for i, label in enumerate(sight.labels)
           if label.is_overload or label.is_blank}
    # A nought says little: its code may be that of an empty display.
    given: set[tuple[object, ...]] = {_key(sight, i, i, i, frozenset(sight.labels[i].flags)) for i in range(n)
                                      if not sight.labels[i].is_number or sight.labels[i].display.strip("-0.")}
    exact = any(isinstance(display.digits, Float) or (isinstance(display.digits, Integer)
                and display.digits.decimals is not None) for display in reading_map.displays)
    found = 0
    for _ in range(_TRIALS if numbers else 0):
        at, sign = rng.choice(numbers), rng.choice(numbers)
        flags = frozenset(sight.labels[rng.randrange(n)].flags)
        if lamps and rng.random() < 0.5:
            flags ^= {rng.choice(list(lamps))}
        state = rng.choice(list(odd)) if odd and rng.random() < 0.3 else at
        digits = state if state != at else _fitting(sight, at, numbers, rng, exact=exact)
        sign = state if state != at else sign
        key = _key(sight, at, state, sign, flags)
        if key in given or (sign != at and not sight.labels[digits].display.strip("-0.") and state == at):
            continue
        bits = sight.bits[at].copy()
        for part, other in (("digits", digits), ("sign", sign)):
            bits[columns[part]] = sight.bits[other][columns[part]]
        for name, lit_by in lamps.items():
            for bit in lit_by:
                bits[8 * bit.byte + bit.bit] = (name in flags) ^ bit.inverted
        if state != at:
            bits[odd[state]] = sight.bits[state][odd[state]]
        row = read_row(reading_map, np.packbits(bits, bitorder="little").tobytes(), int(sight.lengths[at]))
        if row.status is Status.UNPROVEN:
            given.add(key)
            parts = (("display", row.display), ("unit", row.unit), ("flags", row.flags))
            yield Mix(at, state, digits, sign, flags, tuple(name for name, text in parts if "?" in text))
            found += 1
            if found >= most:
                return


def _state_columns(sight: Sight, display: str) -> NDArray[np.int64]:
    """Return the bits that stood one way in all labels of a display that shows no number, and the other in numbers."""
    shown = np.array([label.display == display for label in sight.labels], np.bool_)
    number = np.array([label.is_number for label in sight.labels], np.bool_)
    level = sight.bits[shown][0]
    apart = (sight.bits[shown] == level).all(axis=0) & (sight.bits[number] != level).all(axis=0)
    return np.flatnonzero(apart & sight.usable)


def _fitting(sight: Sight, at: int, numbers: list[int], rng: random.Random, *, exact: bool) -> int:
    """Return a label whose digits the range of another can show: enough of them before and after the point."""
    labels = sight.labels
    decimals = len(labels[at].display.partition(".")[2])
    # A number rounded to the point may not be taken to a range that would round it otherwise.
    fits = [i for i in numbers if len(labels[i].display.lstrip("-").replace(".", "")) > decimals
            and (not exact or len(labels[i].display.partition(".")[2]) == decimals)
            and not (labels[i].display.lstrip("-").startswith("0")
                     and len(labels[i].display.partition(".")[2]) != decimals)]
    return rng.choice(fits) if fits else at


def _key(sight: Sight, at: int, state: int, sign: int, flags: frozenset[str]) -> tuple[object, ...]:
    labels = sight.labels
    shown = labels[state]
    kind = len(labels[at].display.partition(".")[2]) if shown.is_number else shown.display
    return labels[at].unit, kind, labels[sign].display.startswith("-"), flags


def _columns(bits: Iterator[BitRef]) -> NDArray[np.int64]:
    return np.array(sorted({8 * bit.byte + bit.bit for bit in bits}), np.int64)
