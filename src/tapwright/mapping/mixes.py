"""Mixes of what labels showed apart: would they be read for certain?

A frame is put together from the labels' own bits: range and state from one, digits from another, sign and flags from
others. Where the map cannot read such a frame, that very mix is worth showing: it tells codes from bits that only
happened to go with them. How much it tells is counted in codes: those that the tables left never saw.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading import Status
from tapwright.core.reading_map import BitRef, Float, Integer, Lamp, ReadingMap, Segments, Table, UnitSigns
from tapwright.mapping.apply import digit_bits
from tapwright.mapping.fit import Learned
from tapwright.mapping.shown import read_row
from tapwright.mapping.sight import Sight

_TRIALS = 240
#: A table and a code that it never saw.
Code = tuple[int, int]


@dataclass(frozen=True)
class Mix:
    """Labels by index: where range, state, digits and sign come from; the flags; what stayed open in the reading.

    `points`: the digits after the point of the range, where a display without number leaves open which range is meant.
    """

    range: int
    state: int
    digits: int
    sign: int
    flags: frozenset[str]
    open: tuple[str, ...]
    codes: frozenset[Code]
    points: int | None = None


class Mixer:
    """Puts frames together from the bits of labels, and knows which codes tables never saw."""

    def __init__(self, learned: Learned) -> None:
        assert learned.reading_map is not None
        self.map, self.sight = learned.reading_map, learned.sight
        sight, displays = self.sight, self.map.displays
        self.columns = {
            "digits": _columns(bit for display in displays for bit in digit_bits(display)),
            "sign": _columns(bit for display in displays if display.minus for bit in display.minus.bits)}
        self.lamps = {name: flag.bits for name, flag in self.map.flags.items() if isinstance(flag, Lamp) and flag.bits}
        self.numbers = [i for i, label in enumerate(sight.labels) if label.is_number]
        self.odd = {i: _state_columns(sight, label.display) for i, label in enumerate(sight.labels)
                    if label.is_overload or label.is_blank} if self.numbers else {}
        self.tables = _tables(self.map)
        self._kept: dict[tuple[object, ...], frozenset[Code]] = {}

    def bits(self, at: int, state: int, digits: int, sign: int, flags: frozenset[str]) -> NDArray[np.uint8]:
        """Return the bits of a frame, each part as the label with that index showed it."""
        bits: NDArray[np.uint8] = self.sight.bits[at].copy()
        for part, other in (("digits", digits), ("sign", sign)):
            bits[self.columns[part]] = self.sight.bits[other][self.columns[part]]
        for name, lit_by in self.lamps.items():
            for bit in lit_by:
                bits[8 * bit.byte + bit.bit] = (name in flags) ^ bit.inverted
        if state != at:
            bits[self.odd[state]] = self.sight.bits[state][self.odd[state]]
        return bits

    def unseen(self, bits: NDArray[np.uint8]) -> frozenset[Code]:
        """Return the codes in a frame that their tables never saw."""
        out = set[Code]()
        for i, (columns, weights, table) in enumerate(self.tables):
            code = int(bits[columns] @ weights)
            if code not in table.entries:
                out.add((i, code))
        return frozenset(out)


    def unseen_in(self, unit: str, decimals: int, state: str, negative: bool, flags: frozenset[str]) -> frozenset[Code]:
        """Return the codes of a reading that tables never saw, none where no label showed its range or its state."""
        key = (unit, decimals, state, negative, flags)
        if key not in self._kept:
            self._kept[key] = self._unseen_in(unit, decimals, state, negative, flags)
        return self._kept[key]

    def _unseen_in(self, unit: str, decimals: int, state: str, negative: bool,
                   flags: frozenset[str]) -> frozenset[Code]:
        labels = self.sight.labels
        at = next((i for i in self.numbers if labels[i].unit == unit
                   and len(labels[i].display.partition(".")[2]) == decimals), None)
        if at is None or not flags <= set(self.lamps):
            return frozenset()
        if state != "number":
            shown = next((i for i in self.odd if labels[i].is_blank == (state == "blank")), None)
            return frozenset() if shown is None else self.unseen(self.bits(at, shown, shown, shown, flags))
        sign = next((i for i in self.numbers if labels[i].display.startswith("-") == negative), None)
        return frozenset() if sign is None else self.unseen(self.bits(at, at, at, sign, flags))


def mixer_of(learned: Learned) -> Mixer | None:
    """Return what puts mixes together, None where every element has its own bit: classes of lamps know all then."""
    assert learned.reading_map is not None
    reading_map = learned.reading_map
    if all(isinstance(display.digits, Segments) and not display.point.tables for display in reading_map.displays) \
            and all(isinstance(unit, UnitSigns) for unit in reading_map.units):
        return None
    return Mixer(learned)


def _tables(reading_map: ReadingMap) -> list[tuple[NDArray[np.int64], NDArray[np.int64], Table]]:
    found = [table for display in reading_map.displays for table in (*display.point.tables, *display.states)]
    found += [unit for unit in reading_map.units if isinstance(unit, Table)]
    found += [flag for flag in reading_map.flags.values() if isinstance(flag, Table)]
    return [(np.array([8 * bit.byte + bit.bit for bit in table.bits], np.int64),
             1 << np.arange(len(table.bits), dtype=np.int64), table)
            for table in found if table.bits and table.otherwise is None]


def open_mixes(learned: Learned, most: int) -> Iterator[Mix]:
    """Return mixes that the map cannot read for certain, no two alike in range, sign and flags, `most` at most.

    The first is the one with most codes that tables never saw, the next the one with most besides, and so on.
    """
    mixer = mixer_of(learned)
    if mixer is None:
        return
    found = _drawn(mixer) or list(_of_hidden_ranges(mixer))
    known: set[Code] = set()
    for _ in range(most):
        if not found:
            return
        best = max(found, key=lambda mix: len(mix.codes - known))
        if known and not best.codes - known:
            return
        found.remove(best)
        known |= best.codes
        yield best


def _drawn(mixer: Mixer) -> list[Mix]:
    """Return mixes not shown yet that the map cannot read."""
    sight, reading_map, numbers = mixer.sight, mixer.map, mixer.numbers
    labels = sight.labels
    rng = random.Random(len(sight))
    # A nought says little: its code may be that of an empty display.
    given: set[tuple[object, ...]] = {_key(sight, i, i, i, frozenset(label.flags)) for i, label in enumerate(labels)
                                      if not label.is_number or label.display.strip("-0.")}
    exact = any(isinstance(display.digits, Float) or (isinstance(display.digits, Integer)
                and display.digits.decimals is not None) for display in reading_map.displays)
    scaled = any(isinstance(display.digits, Float) and display.digits.scales for display in reading_map.displays)
    room = max(display.width for display in reading_map.displays) if exact and not scaled else 0
    out: list[Mix] = []
    for _ in range(_TRIALS if numbers else 0):
        at, sign = rng.choice(numbers), rng.choice(numbers)
        flags = frozenset(labels[rng.randrange(len(labels))].flags)
        if mixer.lamps and rng.random() < 0.5:
            flags ^= {rng.choice(list(mixer.lamps))}
        state = rng.choice(list(mixer.odd)) if mixer.odd and rng.random() < 0.3 else at
        digits = state if state != at else _fitting(sight, at, numbers, rng, exact=exact, room=room)
        sign = state if state != at else sign
        key = _key(sight, at, state, sign, flags)
        if key in given or (sign != at and not labels[digits].display.strip("-0.") and state == at):
            continue
        mix = _open(mixer, at, state, digits, sign, flags)
        if mix is not None:
            given.add(key)
            out.append(mix)
    return out


def _open(mixer: Mixer, at: int, state: int, digits: int, sign: int, flags: frozenset[str],
          points: int | None = None) -> Mix | None:
    """Return a mix that the map cannot read for certain, None where it can."""
    bits = mixer.bits(at, state, digits, sign, flags)
    row = read_row(mixer.map, np.packbits(bits, bitorder="little").tobytes(), int(mixer.sight.lengths[at]))
    if row.status is not Status.UNPROVEN:
        return None
    parts = (("display", row.display), ("unit", row.unit), ("flags", row.flags))
    return Mix(at, state, digits, sign, flags, tuple(name for name, text in parts if "?" in text), mixer.unseen(bits),
               points)


def _of_hidden_ranges(mixer: Mixer) -> Iterator[Mix]:
    """Return open mixes of overload and blank with ranges that share their unit: a label tells the unit alone."""
    labels = mixer.sight.labels
    points: dict[str, dict[int, int]] = {}
    for i in mixer.numbers:
        points.setdefault(labels[i].unit, {}).setdefault(len(labels[i].display.partition(".")[2]), i)
    for state in mixer.odd:
        for unit, ranges in points.items():
            shown = sum(label.unit == unit and label.display == labels[state].display for label in labels)
            for decimals, at in ranges.items() if len(ranges) > 1 and shown < 3 * len(ranges) else ():
                mix = _open(mixer, at, state, state, state, frozenset(labels[at].flags), decimals)
                if mix is not None:
                    yield mix


def _state_columns(sight: Sight, display: str) -> NDArray[np.int64]:
    """Return the bits that stood one way in all labels of a display that shows no number, and the other in numbers."""
    shown = np.array([label.display == display for label in sight.labels], np.bool_)
    number = np.array([label.is_number for label in sight.labels], np.bool_)
    level = sight.bits[shown][0]
    apart = (sight.bits[shown] == level).all(axis=0) & (sight.bits[number] != level).all(axis=0)
    return np.flatnonzero(apart & sight.usable)


def _fitting(sight: Sight, at: int, numbers: list[int], rng: random.Random, *, exact: bool, room: int) -> int:
    """Return a label whose digits the range of another can show: enough of them before and after the point.

    `exact`: the number is rounded to the point, so it may not be taken to a range that would round it otherwise; to one
    with more digits behind the point it may, as long as all stay within `room` places.
    """
    decimals = len(sight.labels[at].display.partition(".")[2])

    def fits(i: int) -> bool:
        shown = sight.labels[i].display.lstrip("-")
        digits, behind = len(shown.replace(".", "")), len(shown.partition(".")[2])
        if behind == decimals:
            return digits > decimals
        if exact:
            return behind < decimals and digits + decimals - behind <= room
        return digits > decimals and not shown.startswith("0")

    found = [i for i in numbers if fits(i)]
    return rng.choice(found) if found else at


def _key(sight: Sight, at: int, state: int, sign: int, flags: frozenset[str]) -> tuple[object, ...]:
    labels = sight.labels
    shown = labels[state]
    kind = len(labels[at].display.partition(".")[2]) if shown.is_number else shown.display
    return labels[at].unit, kind, labels[sign].display.startswith("-"), flags


def _columns(bits: Iterator[BitRef]) -> NDArray[np.int64]:
    return np.array(sorted({8 * bit.byte + bit.bit for bit in bits}), np.int64)
