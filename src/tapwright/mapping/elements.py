"""The display's elements as the planner sees them: what each would be in a reading, and which no label tells apart.

Elements that went alike in every label stand in one class with the bits that went with them. A reading splits a class
into those that it lights and those that it does not. Bits that belong to no element (and might be taken for one) stand
in the class as one more member: where it kept to one level in each unit it may be a sign of the unit and goes on so,
else it keeps its last level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.job import Demands
from tapwright.core.reading_map import GLYPH_VARIANTS, GLYPHS, SEGMENT_NAMES, Lamp, Segments, UnitSigns
from tapwright.mapping.fit import Learned

_VARYING = {"6": 0, "7": 5, "9": 3}
TWIN_BITS = 2.0  # after so many labels beyond chance, bits that always went together are twins


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
    turned : int64 (0, 1), shape (n,): xored to an element's state it gives what all of its class had in common
    still : int64 (0, 1), shape (n_phantoms,): levels that the other bits keep; `still_in`: by unit, where it differs
    """

    def __init__(self, learned: Learned, demands: Demands) -> None:
        self.learned, self.demands = learned, demands
        self.shapes, self.unsure = _shapes(learned)
        self.suppressed = _suppressed(learned, demands)
        self.width = places_of(learned, demands)
        self.every = _every(learned, demands, self.width)
        self._classes()
        self._indexed()

    def _classes(self) -> None:
        sight = self.learned.sight
        n_bits = sight.bits.shape[1]
        last = sight.bits[-1] if len(sight) else np.zeros(n_bits, np.uint8)
        classes = _joined([element.lamp for element in self.every])
        group = np.full(len(self.every), -1, np.int64)
        self.turned = np.zeros(len(self.every), np.int64)
        still, phantoms, columns = [], [], []
        # After so many labels that no bit goes along by chance, bits that still do are twins: no reading parts them.
        assert self.learned.reading_map is not None
        segments = isinstance(self.learned.reading_map.displays[0].digits, Segments)
        chance = np.log2(2 * max(int(sight.varied.sum()), 1))
        twins = not segments and len(np.unique(sight.rows, axis=0)) - 1 - chance > TWIN_BITS
        for number, joined in enumerate(classes):
            self.turned[joined.members] = joined.turned
            # A class of one element and twins of its bit is settled.
            if not (twins and joined.bits and len(joined.members) == 1):
                group[joined.members] = number
            if not joined.bits or (len(joined.bits) > len(joined.members) and not twins):
                phantoms.append(number)
                columns.append(joined.bits)
                still.append(int(last[min(joined.bits)] ^ joined.bits[min(joined.bits)]) if joined.bits else 0)
        self.group = np.append(group, np.array(phantoms, np.int64))
        self.still = np.array(still, np.int64)
        self.still_in = self._by_unit(columns)

    def _by_unit(self, columns: list[dict[int, int]]) -> dict[str, NDArray[np.int64]]:
        sight = self.learned.sight
        units = np.array([label.unit for label in sight.labels])
        out = {unit: self.still.copy() for unit in set(units.tolist())}
        for i, bits in enumerate(columns):
            for column, turned in bits.items():
                seen = {unit: set(sight.bits[units == unit, column].tolist()) for unit in out}
                if all(len(levels) == 1 for levels in seen.values()):
                    for unit, levels in seen.items():
                        out[unit][i] = levels.pop() ^ turned
                    break
        return out

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
        # A flag that no one bit shows has a code, and is no element.
        states[[self._flags[name] for name in reading.flags if name in self._flags]] = 1
        return np.concatenate([states ^ self.turned, self.still_in.get(reading.range.unit, self.still)])

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

    def known(self, reading: Candidate) -> NDArray[np.int64]:
        """Return each element's state in a reading (1, 0), -1 where an overload or an odd shape leaves it open."""
        levels = self.levels(reading)[:len(self.every)] ^ self.turned
        for at, (where, _) in enumerate(self._places):
            if reading.state == "overload":
                levels[where] = -1
            elif reading.state == "number" and (character := self.figures(reading)[at]) in self.unsure:
                name = SEGMENT_NAMES[_VARYING[character]]
                levels[[i for i in where.tolist() if self.every[i].key[1] == name]] = -1
        return levels

    def is_unsure(self, character: str, segments: list[Element]) -> bool:
        """Say whether a character may be drawn with or without one of the segments."""
        return character in self.unsure and SEGMENT_NAMES[_VARYING[character]] in {one.key[1] for one in segments}

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


@dataclass(frozen=True)
class _Class:
    """Elements that may share a bit, each with whether it stands the other way round; their bits likewise."""

    members: list[int]
    turned: list[int]
    bits: dict[int, int]


def _joined(lamps: list[Lamp]) -> list[_Class]:
    """Return the classes of lamps that are not settled: those without any bit in one, those with a bit in common."""
    none = [i for i, lamp in enumerate(lamps) if not lamp.bits]
    out = [_Class(none, [int(lamps[i].rest) for i in none], {})]
    left = [i for i, lamp in enumerate(lamps) if len(lamp.bits) > 1]
    while left:
        members, turned, bits = [left.pop(0)], [0], dict[int, int]()
        for at, turn in ((member, turned[k]) for k, member in enumerate(members)):
            new = {8 * bit.byte + bit.bit: int(bit.inverted) ^ turn for bit in lamps[at].bits}
            bits = {**new, **bits}
            for other in list(left):
                shared = next((bit for bit in lamps[other].bits if 8 * bit.byte + bit.bit in new), None)
                if shared is not None:
                    left.remove(other)
                    members.append(other)
                    turned.append(int(shared.inverted) ^ new[8 * shared.byte + shared.bit])
        out.append(_Class(members, turned, bits))
    return out


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


def _shapes(learned: Learned) -> tuple[dict[str, int], set[str]]:
    """Return the shape of each character, of 6, 7 and 9 the one that settled segments of labels show; and those of
    them that no label settles."""
    shapes = {character: GLYPHS[character] for character in "0123456789 "}
    unsure = set(_VARYING)
    assert learned.reading_map is not None
    digits = learned.reading_map.displays[0].digits
    if not isinstance(digits, Segments):
        return shapes, unsure
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
                    unsure.discard(character)
    return shapes, unsure


def _suppressed(learned: Learned, demands: Demands) -> bool:
    """Say whether the display leaves leading noughts out: some label shows fewer digits than there are places."""
    assert learned.reading_map is not None
    width = places_of(learned, demands)
    lengths = [len(label.display.lstrip("-").replace(".", "")) for label in learned.sight.labels if label.is_number]
    return min(lengths, default=width) < width
