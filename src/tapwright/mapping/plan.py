"""Which readings to show next: the fewest that settle what is open and that the instrument can show.

Greedy: each reading is the one that splits most (in bits) of what no label tells apart, what was never shown counting
besides; a whole reading is chosen at once, so one reading settles many things. The greedy cover of a splitting problem
needs at most about ln(pairs) + 1 times the fewest; an exact cover of many candidates then takes its place where
it is shorter.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tapwright.core.job import Demands
from tapwright.evidence.labels import Label
from tapwright.mapping.cover import fewest
from tapwright.mapping.elements import Candidate, Range
from tapwright.mapping.fit import Learned
from tapwright.mapping.mixes import Code, Mix, mixer_of, open_mixes
from tapwright.mapping.open_elements import OpenElements
from tapwright.mapping.report import Ask
from tapwright.mapping.wants import wanted
from tapwright.mapping.wording import words_of

_LEAST_GAIN = 0.9
_CHANCE_BITS = 6.0  # with so many labels beyond what chance explains, bits that always went together are twins
_MORE_TRIES, _MOST_TRIED = 6, 12
_NEAR = 0.3  # a choice that tells this share less is taken for as good in another try
_MOST_ASKS = 60
_MOST_DRAWN = 400
_MOST_MIXES = 3
_STARTS = 2
_MOST_TURNED_FLAGS = 4


def plan(learned: Learned, demands: Demands) -> tuple[Ask, ...]:
    """Return the readings to show, most telling first.

    Where the greedy choice comes near a tie another way may need fewer: some are tried. Then the readings looked at on
    the way, and some drawn, are covered exactly; the shortest plan is taken.
    """
    planner = _Planner(learned, demands)
    least = planner.least()
    best = tuple(planner.asks())
    if not max(2, least) < len(best) <= _MOST_TRIED:
        return best
    for _ in range(_MORE_TRIES):
        planner.begin_again()
        other = tuple(planner.asks())
        best = other if 0 < len(other) < len(best) else best
    chosen = planner.fewest(len(best) - 1)
    other = tuple(planner.asks_of(chosen)) if chosen else ()
    return other if 0 < len(other) < len(best) else best


@dataclass(frozen=True)
class _Scored:
    reading: Candidate
    gain: float


class _Planner:
    def __init__(self, learned: Learned, demands: Demands) -> None:
        self.learned = learned
        self.left = OpenElements(learned, demands)
        self.elements, self.unseen = self.left.elements, self.left.unseen
        self.width, self.flags = self.elements.width, self.left.flags
        self.near = 0.0
        self.looked_at: dict[Candidate, None] = {}
        self.rng = random.Random(len(learned.sight))
        self.mixer = mixer_of(learned)
        self._begin()
        rows = len(np.unique(learned.sight.rows, axis=0))
        self.chance_is_left = bool(rows - 1 - np.log2(2 * max(int(learned.sight.varied.sum()), 1)) <= _CHANCE_BITS)

    def _begin(self) -> None:
        self.left.begin()
        self.known_codes: set[Code] = set()
        self.known_pairs = self._shown_pairs()

    def begin_again(self) -> None:
        """Forget the plan made; the next one takes other ways where they tell nearly as much."""
        self._begin()
        self.near = _NEAR

    def least(self) -> int:
        """Return how many readings no plan can do without: one reading is in one range, overload or blank alone."""
        return sum(task[0] in ("range", "overload", "blank") for task in self.unseen.tasks)

    def fewest(self, most: int) -> list[Candidate] | None:
        """Return at most so many of the readings looked at, and of some drawn, that do all that any of them does.

        None if none; none for codes, where it matters in which range and with which flags a reading is shown.
        """
        if self.left.pairs is None:
            return None
        self._begin()
        readings = [*self.looked_at, *self._drawn(_MOST_DRAWN)]
        chosen = fewest(np.array([self.left.does(reading) for reading in readings]), most)
        return None if chosen is None else [readings[i] for i in chosen]

    def _drawn(self, n: int) -> Iterator[Candidate]:
        """Draw readings that the instrument can show."""
        for _ in range(n):
            span = self.rng.choice(self.unseen.ranges)
            digits = str(self.rng.randint(0, span.greatest)).rjust(self.width, "0")
            negative = self.unseen.may["negative"] and bool(int(digits)) and self.rng.random() < 0.5
            flags = frozenset(name for name in self.flags if self.rng.random() < 0.5)
            yield Candidate(span, digits, negative, flags)

    def asks_of(self, readings: list[Candidate]) -> Iterator[Ask]:
        """Return what asks for the readings, most telling first, and for what they leave open."""
        self._begin()
        self.near = 0.0
        left = list(readings)
        while left:
            best = max((_Scored(reading, self.left.gain(reading)) for reading in left), key=lambda scored: scored.gain)
            left.remove(best.reading)
            yield from self._asked(best, turned=False)
        yield from self._splitting()

    def asks(self) -> Iterator[Ask]:
        """Return the readings that split what is open; where there is none, mixes that are not read for certain."""
        given = 0
        for ask in self._splitting():
            given += 1
            yield ask
        if not given:
            # One more label may rule a rival family out, and its mixes with it.
            assert self.learned.reading_map is not None
            rivals = len({display.kind for display in self.learned.reading_map.displays}) > 1
            for mix in open_mixes(self.learned, 1 if rivals else _MOST_MIXES):
                yield self._mix_ask(mix)

    def _mix_ask(self, mix: Mix) -> Ask:
        labels = self.learned.sight.labels
        shown = labels[mix.state]
        want: dict[str, object] = {}
        if shown.is_overload:
            want["overload"] = True
        elif shown.is_blank:
            want["blank"] = True
        else:
            want["negative"] = labels[mix.sign].display.startswith("-")
            want["point"] = len(shown.display.partition(".")[2])
        if labels[mix.range].unit:
            want["unit"] = labels[mix.range].unit
        if mix.points is not None:
            want["point"] = mix.points
        if self.flags:
            want["flags"] = {name: name in mix.flags for name in self.flags}
        return Ask(show=words_of(want, self.width), want=want,
                   settles=tuple(f"{name} of such a mix" for name in mix.open))

    def _splitting(self) -> Iterator[Ask]:
        for _ in range(_MOST_ASKS):
            if not self.unseen.ranges or not (self.unseen.tasks or self.left.live.any()):
                return
            best = max((self._best_in(span, state) for span in self._telling_ranges() for state in self._states()),
                       key=lambda scored: scored.gain * (1 - self.near * self.rng.random()))
            if best.gain < _LEAST_GAIN and not (self.left.pairs is not None and self.left.pairs.gain(best.reading)):
                return
            yield from self._asked(best)

    def _asked(self, best: _Scored, *, turned: bool = True) -> Iterator[Ask]:
        """Return what asks for a reading (`turned`: or one as good), nothing where labels show it already."""
        reading, given = self._turned(best) if turned else best.reading, False
        if self._is_met(wanted(self.left, reading)):
            # Shown already, it settled nothing: a bit went along by chance, or is a twin. Elsewhere chance ends.
            elsewhere = self._elsewhere(_Scored(reading, best.gain)) if self.chance_is_left else None
            reading, given = elsewhere or reading, elsewhere is not None
        ask = self._ask(reading, in_full=given)
        if not self._is_met(ask.want):
            yield ask

    def _is_met(self, want: Mapping[str, Any]) -> bool:
        return any(_meets(label, want, self.width) for label in self.learned.sight.labels)

    def _elsewhere(self, scored: _Scored) -> Candidate | None:
        """Return the same reading in the range, with the sign and flags least like those of any label; None where all
        such were shown."""
        shown = [_context(label.unit, len(label.display.partition(".")[2]), label.display.startswith("-"),
                          frozenset(label.flags), self.flags) for label in self.learned.sight.labels]
        most, chosen = 0, None
        for other in self._alike(scored):
            own = _context(other.range.unit, other.range.decimals, other.negative, other.flags, self.flags)
            least = min(sum(a != b for a, b in zip(own, one, strict=True)) for one in shown)
            if least > most and not self._is_met(wanted(self.left, other, in_full=True)):
                most, chosen = least, other
        return chosen

    def _alike(self, scored: _Scored) -> Iterator[Candidate]:
        """Return the reading in every range, with every sign and flags, where it tells as much."""
        reading = scored.reading
        signs = (False, True) if self.unseen.may["negative"] and reading.state == "number" else (False,)
        for span in self.unseen.ranges:
            if span.greatest < int(reading.digits or "0"):
                continue
            for negative in signs:
                for flags in self._flag_sets():
                    other = replace(reading, range=span, negative=negative, flags=flags)
                    if self.left.gain(other) + 0.01 * len(flags) >= scored.gain - 1e-9 and (
                            not negative or int(other.digits)):
                        yield other

    def _turned(self, best: _Scored) -> Candidate:
        """Return the reading, or one as good in another range, with other flags or sign, that shows most that is new.

        New are codes that no table saw, then pairs (a range with a sign, a sign with a flag ...) never shown together:
        bits that always went together are told apart by such pairs alone.
        """
        if self.mixer is None:
            return best.reading
        most, chosen = self._news(best.reading), best.reading
        for other in self._alike(best):
            news = self._news(other)
            if news > most:
                most, chosen = news, other
        return chosen

    def _flag_sets(self) -> list[frozenset[str]]:
        names = self.flags[:_MOST_TURNED_FLAGS]
        return [frozenset(some) for n in range(len(names) + 1) for some in itertools.combinations(names, n)]

    def _news(self, reading: Candidate) -> tuple[int, int]:
        pairs = _pairs(reading.range.unit, reading.range.decimals, reading.state, reading.negative, reading.flags,
                       self.flags)
        return len(self._codes(reading)), len(pairs - self.known_pairs)

    def _shown_pairs(self) -> set[tuple[object, object]]:
        out = set[tuple[object, object]]()
        for label in self.learned.sight.labels:
            state = "overload" if label.is_overload else "blank" if label.is_blank else "number"
            out |= _pairs(label.unit, len(label.display.partition(".")[2]), state, label.display.startswith("-"),
                          frozenset(label.flags), self.flags)
        return out

    def _codes(self, reading: Candidate) -> frozenset[Code]:
        """Return the codes that a reading would show and that tables never saw, as far as labels tell its bits."""
        assert self.mixer is not None
        return self.mixer.unseen_in(reading.range.unit, reading.range.decimals, reading.state, reading.negative,
                                    reading.flags) - self.known_codes

    def _telling_ranges(self) -> list[Range]:
        """Return ranges that differ in something that is open, each sort once."""
        kinds: dict[tuple[object, ...], Range] = {}
        for span in self.unseen.ranges:
            probe = Candidate(span, "0" * self.width, False, frozenset())
            key = (self.unseen.range_tasks(span), span.greatest, span.decimals,
                   tuple(level for element, level, group in zip(self.elements.every, self.elements.levels(probe),
                                                                self.left.group, strict=False)
                         if element.kind in ("unit", "point") and group >= 0))
            kinds.setdefault(key, span)
        return list(kinds.values())[:10]

    def _states(self) -> list[str]:
        return ["number", *(state for state in ("overload", "blank") if self.unseen.may[state])]

    def _best_in(self, span: Range, state: str) -> _Scored:
        if state != "number":
            return self._climbed(Candidate(span, "", False, frozenset(), state))
        starts = [str(span.greatest).rjust(self.width, "0"), *(
            str(self.rng.randint(0, span.greatest)).rjust(self.width, "0") for _ in range(_STARTS - 1))]
        if any(task[0] in ("zero", "small") for task in self.unseen.tasks):
            starts += ["0" * self.width, "1".rjust(self.width, "0")]
        starts += self.unseen.number_starts(span) + self.unseen.dark_starts(span)
        if ("rounding",) in self.unseen.tasks:
            some = (str(span.greatest * k // 97).rjust(self.width, "0") for k in range(31, 97))
            starts += [digits for digits in some if self.unseen.falls_short(digits, span)][:2]
        return max((self._climbed(Candidate(span, digits, False, frozenset())) for digits in starts),
                   key=lambda scored: scored.gain)

    def _climbed(self, reading: Candidate) -> _Scored:
        """Change one part of a reading at a time while that tells more."""
        best = _Scored(reading, self.left.gain(reading))
        for _ in range(4):
            before = best.gain
            for other in self._neighbours(best):
                gain = self.left.gain(other)
                if gain > best.gain + 1e-9:
                    best = _Scored(other, gain)
            if best.gain <= before + 1e-9:
                break
        self.looked_at[best.reading] = None
        return best

    def _neighbours(self, scored: _Scored) -> Iterator[Candidate]:
        reading = scored.reading
        open_places = self.left.open_places() if reading.state == "number" else []
        for at in open_places:
            for digit in "8123456790":
                digits = reading.digits[:at] + digit + reading.digits[at + 1:]
                if digit != reading.digits[at] and int(digits) <= reading.range.greatest:
                    yield replace(reading, digits=digits)
        if reading.state == "number" and self.unseen.may["negative"] and int(reading.digits):
            yield replace(reading, negative=not reading.negative)
        for name in self.flags:
            yield replace(reading, flags=reading.flags ^ {name})

    def _ask(self, reading: Candidate, *, in_full: bool = False) -> Ask:
        want = wanted(self.left, reading, in_full=in_full)
        if self.mixer is not None:
            self._mix_wanted(reading, want)
        return Ask(show=words_of(want, self.width), want=want, settles=self.left.take(reading))

    def _mix_wanted(self, reading: Candidate, want: dict[str, object]) -> None:
        """Ask for sign and flags, too, where they show something new together."""
        assert self.mixer is not None
        codes, pairs = self._news(reading)
        self.known_codes |= self._codes(reading)
        self.known_pairs |= _pairs(reading.range.unit, reading.range.decimals, reading.state, reading.negative,
                                   reading.flags, self.flags)
        if not codes and not pairs:
            return
        if self.flags:
            want["flags"] = {name: name in reading.flags for name in self.flags}
        if reading.state == "number" and self.unseen.may["negative"] and int(reading.digits):
            want["negative"] = reading.negative


def _pairs(unit: str, decimals: int, state: str, negative: bool, on: frozenset[str],
           names: list[str]) -> set[tuple[object, object]]:
    """Return the pairs of what a reading shows together: range, state, sign, each flag on or off."""
    # Without a number a label tells the unit, not which of its ranges it is.
    range_ = (unit, decimals if state == "number" else -1)
    parts: list[object] = [range_, state, *((name, name in on) for name in names)]
    parts += [("negative", negative)] if state == "number" else []
    return set(itertools.combinations(parts, 2))


def _context(unit: str, decimals: int, negative: bool, on: frozenset[str], names: list[str]) -> tuple[object, ...]:
    """Return what a reading shows beside its digits, part by part."""
    return unit, decimals, negative, *(name in on for name in names)


def _meets(label: Label, want: Mapping[str, Any], width: int) -> bool:
    """Say whether a label shows what is wanted."""
    if label.is_overload != bool(want.get("overload")) or label.is_blank != bool(want.get("blank")):
        return False
    if want.get("unit", label.unit) != label.unit:
        return False
    if any((name in label.flags) != on for name, on in want.get("flags", {}).items()):
        return False
    if not label.is_number:
        return label.is_overload or label.is_blank
    bare = label.display.lstrip("-")
    figures, decimals = bare.replace(".", "").rjust(width, "0"), len(bare.partition(".")[2])
    negative = bare != label.display
    if want.get("point", decimals) != decimals or want.get("negative", negative) != negative:
        return False
    if any(figures[int(place) - 1] not in some for place, some in want.get("digits", {}).items()):
        return False
    value = float(label.display)
    return bool(want.get("at_least", value) <= value <= want.get("at_most", value))
