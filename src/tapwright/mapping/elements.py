"""The display's elements as the planner sees them: what each would be in a reading, and which no label tells apart.

Elements that went alike in every label stand in one class with the bits that went with them. A reading splits a class
into those that it lights and those that it does not. Bits that belong to no element (and might be taken for one) stand
in the class as one more member that keeps its level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.job import Demands
from tapwright.core.reading_map import GLYPH_VARIANTS, GLYPHS, SEGMENT_NAMES, Lamp, Segments, UnitSigns
from tapwright.mapping.fit import Learned

_VARYING = {"6": 0, "7": 5, "9": 3}
_TWIN_BITS = 2.0


@dataclass(frozen=True)
class Range:
    """A range that the instrument offers: unit, digits after the point, greatest count; whether labels have seen it."""

    unit: str
    decimals: int
    greatest: int
    seen: bool


@dataclass(frozen=True)
class Candidate:
    """A reading that could be shown.

    Parameters
    ----------
    digits : characters of the places from the left, leading noughts as noughts; empty for overload and blank
    state : number, overload or blank
    """

    range: Range
    digits: str
    negative: bool
    flags: frozenset[str]
    state: str = "number"


@dataclass(frozen=True)
class Element:
    """One element: its name for people, its kind (`place`, `point`, `minus`, `flag`, `unit`), where it is, its lamp."""

    name: str
    kind: str
    key: tuple[int, str]
    lamp: Lamp


class Elements:
    """All elements of a learned map, their classes, and the members that are no elements.

    Attributes
    ----------
    every : the elements
    group : int64, shape (n + n_phantoms,): class of each element and phantom; -1 where it is settled
    turned : int64 (0, 1), shape (n,): xored to an element's state it gives the level of its class's first bit
    still : int64 (0, 1), shape (n_phantoms,): levels that the other bits keep
    """

    def __init__(self, learned: Learned, demands: Demands) -> None:
        self.learned, self.demands = learned, demands
        self.shapes = _shapes(learned)
        self.suppressed = _suppressed(learned, demands)
        self.width = places_of(learned, demands)
        self.every = _every(learned, demands, self.width)
        self._classes()
        self._indexed()

    def _classes(self) -> None:
        n_bits = self.learned.sight.bits.shape[1]
        last = self.learned.sight.bits[-1] if len(self.learned.sight) else np.zeros(n_bits, np.uint8)
        names: dict[tuple[int, ...], int] = {(): 0}
        members: dict[int, int] = {0: 0}
        group, turned = [], []
        for element in self.every:
            bits = element.lamp.bits
            if len(bits) == 1:
                group.append(-1)
                turned.append(0)
                continue
            key = tuple(sorted(8 * bit.byte + bit.bit for bit in bits))
            number = names.setdefault(key, len(names))
            members[number] = members.get(number, 0) + 1
            group.append(number)
            first = min(bits, key=lambda bit: (bit.byte, bit.bit)) if bits else None
            turned.append(int(first.inverted) if first is not None else int(element.lamp.rest))
        still, phantoms = [], []
        sight = self.learned.sight
        # After so many labels that no bit goes along by chance, bits that still do are twins: no reading parts them.
        assert self.learned.reading_map is not None
        segments = isinstance(self.learned.reading_map.displays[0].digits, Segments)
        chance = np.log2(2 * max(int(sight.varied.sum()), 1))
        twins = not segments and len(np.unique(sight.rows, axis=0)) - 1 - chance > _TWIN_BITS
        for key, number in names.items():
            if number == 0 or (len(key) > members[number] and not twins):
                phantoms.append(number)
                still.append(int(last[key[0]]) if key else 0)
        if twins:
            # A class of one element and twins of its bit is settled.
            group = [-1 if number > 0 and members[number] == 1 else number for number in group]
        self.group = np.array(group + phantoms, np.int64)
        self.turned = np.array(turned, np.int64)
        self.still = np.array(still, np.int64)

    def levels(self, reading: Candidate) -> NDArray[np.int64]:
        """Return the level of every element's and phantom's bit in a reading; those not known count as 0."""
        key = (reading.range, reading.state)
        if key not in self._plain:
            bare = Candidate(reading.range, "0" * self.width, False, frozenset(), reading.state)
            self._plain[key] = np.array([max(self.state(element, bare), 0) for element in self.every], np.int64)
        states = self._plain[key].copy()
        if reading.state == "number":
            for at, character in enumerate(self.figures(reading)):
                where, shapes = self._places[at]
                states[where] = shapes[character]
            if self._minus >= 0:
                states[self._minus] = reading.negative
        for name in reading.flags:
            states[self._flags[name]] = 1
        return np.concatenate([states ^ self.turned, self.still])

    def _indexed(self) -> None:
        """Prepare what `levels` looks up."""
        self._plain: dict[tuple[Range, str], NDArray[np.int64]] = {}
        self._minus = next((i for i, element in enumerate(self.every) if element.kind == "minus"), -1)
        self._flags = {element.key[1]: i for i, element in enumerate(self.every) if element.kind == "flag"}
        self._places: list[tuple[NDArray[np.int64], dict[str, NDArray[np.int64]]]] = []
        for at in range(self.width):
            own = [i for i, element in enumerate(self.every) if element.kind == "place" and element.key[0] == at]
            names = [SEGMENT_NAMES.index(self.every[i].key[1]) for i in own]
            self._places.append((np.array(own, np.int64), {
                character: np.array([shape >> name & 1 for name in names], np.int64)
                for character, shape in self.shapes.items()}))

    def state(self, element: Element, reading: Candidate) -> int:
        """Return whether an element is lit in a reading (1, 0), -1 where that is not known."""
        at, what = element.key
        if element.kind == "flag":
            return int(what in reading.flags)
        if element.kind == "unit":
            return int(what in self._signs(reading.range.unit))
        if reading.state == "blank":
            return 0
        if reading.state == "overload":
            return -1 if element.kind == "place" else 0
        if element.kind == "minus":
            return int(reading.negative)
        if element.kind == "point":
            return int(reading.range.decimals == at)
        return self.shapes[self.figures(reading)[at]] >> SEGMENT_NAMES.index(what) & 1

    def figures(self, reading: Candidate) -> str:
        """Return what the places show: leading noughts left out where the display does so."""
        digits = reading.digits
        if not self.suppressed:
            return digits
        head = digits[:-(reading.range.decimals + 1)]
        left_out = len(head) - len(head.lstrip("0"))
        return " " * left_out + digits[left_out:]

    def _signs(self, unit: str) -> set[str]:
        from tapwright.core.units import parse

        parsed = parse(unit)
        names = {element.key[1] for element in self.every if element.kind == "unit"}
        if "base " + unit in names:
            return {"base " + unit}
        return {"prefix " + parsed.prefix, "base " + parsed.base}


def places_of(learned: Learned, demands: Demands) -> int:
    """Return the places of the whole display: those that labels showed, or more where the job's ranges have more."""
    assert learned.reading_map is not None
    return max(learned.reading_map.places, *(len(span.text.replace(".", "")) for span in demands.ranges), 1)


def _every(learned: Learned, demands: Demands, width: int) -> list[Element]:
    assert learned.reading_map is not None
    display = learned.reading_map.displays[0]
    out: list[Element] = []
    if isinstance(display.digits, Segments):
        dark = ((Lamp(),) * len(SEGMENT_NAMES),) * (width - len(display.digits.places))
        for at, place in enumerate((*dark, *display.digits.places)):
            out += [Element(f"digit {at + 1} segment {name}", "place", (at, name), lamp)
                    for name, lamp in zip(SEGMENT_NAMES, place, strict=True)]
        wanted = {span.decimals for span in demands.ranges}
        out += [Element(f"point with {decimals} behind it", "point", (decimals, ""), lamp)
                for decimals, lamp in display.point.lamps.items() if lamp.bits or lamp.rest or decimals in wanted]
    if display.minus is not None and (display.minus.bits or "negative" in demands.shows):
        out.append(Element("minus", "minus", (0, ""), display.minus))
    for name in dict.fromkeys([*learned.reading_map.flags, *demands.flags]):
        flag = learned.reading_map.flags.get(name, Lamp())
        if isinstance(flag, Lamp):
            out.append(Element(f"flag {name}", "flag", (0, name), flag))
    for unit in learned.reading_map.units[:1]:
        if isinstance(unit, UnitSigns):
            out += [Element(f"unit sign {name}", "unit", (0, f"{kind} {name}"), lamp)
                    for kind, lamps in (("prefix", unit.prefixes), ("base", unit.bases))
                    for name, lamp in lamps.items()]
    return out


def _shapes(learned: Learned) -> dict[str, int]:
    """Return the shape of each character; of 6, 7 and 9 the one that settled segments of labels show."""
    shapes = {character: GLYPHS[character] for character in "0123456789 "}
    assert learned.reading_map is not None
    digits = learned.reading_map.displays[0].digits
    if not isinstance(digits, Segments):
        return shapes
    for label, row in zip(learned.sight.labels, learned.sight.rows, strict=True):
        if not label.is_number:
            continue
        text = label.display.lstrip("-").replace(".", "").rjust(len(digits.places))
        for place, character in zip(digits.places, text, strict=True):
            if character in _VARYING:
                lit = place[_VARYING[character]].of(row.tobytes(), False)
                if lit is not None:
                    standard, odd = GLYPHS[character], GLYPH_VARIANTS[character][0]
                    shapes[character] = standard if bool(standard >> _VARYING[character] & 1) == lit else odd
    return shapes


def _suppressed(learned: Learned, demands: Demands) -> bool:
    """Say whether the display leaves leading noughts out: some label shows fewer digits than there are places."""
    assert learned.reading_map is not None
    width = places_of(learned, demands)
    lengths = [len(label.display.lstrip("-").replace(".", "")) for label in learned.sight.labels if label.is_number]
    return min(lengths, default=width) < width
