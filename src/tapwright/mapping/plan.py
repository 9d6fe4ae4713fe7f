"""Which readings to show next: the fewest that settle what is open and that the instrument can show.

Greedy: each reading is the one that splits most (in bits) of what no label tells apart, what was never shown counting
besides; a whole reading is chosen at once, so one reading settles many things. The greedy cover of a splitting problem
needs at most about ln(pairs) + 1 times the fewest readings; on displays it stays within a quarter of the exact cover.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapwright.core.job import Demands
from tapwright.core.reading_map import Segments
from tapwright.evidence.labels import Label
from tapwright.mapping.elements import Candidate, Element, Elements, Range
from tapwright.mapping.fit import Learned
from tapwright.mapping.mixes import Code, Mix, mixer_of, open_mixes
from tapwright.mapping.pairs import Pairs
from tapwright.mapping.report import Ask
from tapwright.mapping.unseen import Task, Unseen, task_name
from tapwright.mapping.wording import words_of

_TASK_BITS = 4.0
_LEAST_GAIN = 0.9
_PAIR_BITS = 0.25
_CHANCE_BITS = 6.0  # with so many labels beyond what chance explains, bits that always went together are twins
_MORE_TRIES, _MOST_TRIED = 6, 12
_NEAR = 0.3  # a choice that tells this share less is taken for as good in another try
_MOST_ASKS = 60
_MOST_MIXES = 3
_STARTS = 2
_MOST_TURNED_FLAGS = 4


def plan(learned: Learned, demands: Demands) -> tuple[Ask, ...]:
    """Return the readings to show, most telling first.

    Where the greedy choice comes near a tie another way may need fewer: some are tried, the shortest is taken.
    """
    planner = _Planner(learned, demands)
    best = tuple(planner.asks())
    for _ in range(_MORE_TRIES if 2 < len(best) <= _MOST_TRIED else 0):
        planner.begin_again()
        other = tuple(planner.asks())
        best = other if 0 < len(other) < len(best) else best
    return best


@dataclass(frozen=True)
class _Scored:
    reading: Candidate
    gain: float


class _Planner:
    def __init__(self, learned: Learned, demands: Demands) -> None:
        self.learned = learned
        self.elements = Elements(learned, demands)
        self.unseen = Unseen(learned, demands, self.elements)
        self.width = self.elements.width
        assert learned.reading_map is not None
        segments = isinstance(learned.reading_map.displays[0].digits, Segments)
        self.pairs = Pairs(self.elements) if segments else None
        self.all_tasks, self.near = list(self.unseen.tasks), 0.0
        self.rng = random.Random(len(learned.sight))
        self.mixer = mixer_of(learned)
        self.flags = [element.key[1] for element in self.elements.every if element.kind == "flag"]
        self._begin()
        rows = len(np.unique(learned.sight.rows, axis=0))
        self.chance_is_left = bool(rows - 1 - np.log2(2 * max(int(learned.sight.varied.sum()), 1)) <= _CHANCE_BITS)

    def _begin(self) -> None:
        if self.pairs is not None:
            self.pairs.begin()
        self._regrouped(self.elements.group)
        self.unseen.tasks = list(self.all_tasks)
        self.known_codes: set[Code] = set()
        self.known_pairs = self._shown_pairs()

    def begin_again(self) -> None:
        """Forget the plan made; the next one takes other ways where they tell nearly as much."""
        self._begin()
        self.near = _NEAR

    def asks(self) -> Iterator[Ask]:
        """Return the readings that split what is open; where there is none, mixes that are not read for certain."""
        given = 0
        for ask in self._splitting():
            given += 1
            yield ask
        if not given:
            for mix in open_mixes(self.learned, _MOST_MIXES):
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
        names = [element.key[1] for element in self.elements.every if element.kind == "flag"]
        if names:
            want["flags"] = {name: name in mix.flags for name in names}
        return Ask(show=words_of(want, self.width), want=want,
                   settles=tuple(f"{name} of such a mix" for name in mix.open))

    def _splitting(self) -> Iterator[Ask]:
        for _ in range(_MOST_ASKS):
            if not self.unseen.ranges or not (self.unseen.tasks or self.live.any()):
                return
            best = max((self._best_in(span, state) for span in self._telling_ranges() for state in self._states()),
                       key=lambda scored: scored.gain * (1 - self.near * self.rng.random()))
            if best.gain < _LEAST_GAIN and not (self.pairs is not None and self.pairs.gain(best.reading)):
                return
            reading, given = self._turned(best), False
            if self._is_met(self._wanted(reading)):
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
            if least > most and not self._is_met(self._wanted(other, in_full=True)):
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
                    if self._gain(other) + 0.01 * len(flags) >= scored.gain - 1e-9 and (
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
                                                                self.group, strict=False)
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
        best = _Scored(reading, self._gain(reading))
        for _ in range(4):
            before = best.gain
            for other in self._neighbours(best):
                gain = self._gain(other)
                if gain > best.gain + 1e-9:
                    best = _Scored(other, gain)
            if best.gain <= before + 1e-9:
                break
        return best

    def _neighbours(self, scored: _Scored) -> Iterator[Candidate]:
        reading = scored.reading
        open_places = self._open_places() if reading.state == "number" else []
        for at in open_places:
            for digit in "8123456790":
                digits = reading.digits[:at] + digit + reading.digits[at + 1:]
                if digit != reading.digits[at] and int(digits) <= reading.range.greatest:
                    yield replace(reading, digits=digits)
        if reading.state == "number" and self.unseen.may["negative"] and int(reading.digits):
            yield replace(reading, negative=not reading.negative)
        for name in self.flags:
            yield replace(reading, flags=reading.flags ^ {name})

    def _live(self) -> list[Element]:
        """Return the elements about which something is open."""
        return [element for element, live in zip(self.elements.every, self.live.tolist(), strict=True) if live]

    def _open_places(self) -> list[int]:
        open_ = {element.key[0] for element in self._live() if element.kind == "place"}
        open_ |= {int(task[1]) for task in self.unseen.tasks if task[0] == "digit"}
        return sorted(open_)

    def _gain(self, reading: Candidate) -> float:
        done = sum(_TASK_BITS for task in self.unseen.tasks if self.unseen.does(task, reading))
        if self.pairs is not None:
            done += _PAIR_BITS * self.pairs.gain(reading)
        # A flag more is a key more to press.
        if not len(self.open):
            return done - 0.01 * len(reading.flags)
        split = 2 * self.group[self.open] + self._levels(reading)[self.open]
        return self.entropy - float(self.weight[np.bincount(split)].sum()) + done - 0.01 * len(reading.flags)

    def _split(self, reading: Candidate) -> NDArray[np.int64]:
        return np.where(self.group < 0, -1, 2 * self.group + self._levels(reading))

    def _levels(self, reading: Candidate) -> NDArray[np.int64]:
        """Return the levels of all members; how an overload lights the places is not known and splits nothing."""
        levels = self.elements.levels(reading)
        if reading.state == "overload":
            levels[self.with_place] = 0
        return levels

    def _regrouped(self, group: NDArray[np.int64]) -> None:
        """Take over which elements are still alike."""
        self.group = group
        self.open = np.flatnonzero(group >= 0)
        placed = {int(at) for element, at in zip(self.elements.every, group, strict=False) if element.kind == "place"}
        self.with_place = np.isin(group, list(placed))
        self.live = group[:len(self.elements.every)] >= 0
        if self.pairs is not None:
            self.pairs.regrouped(group[:len(self.elements.every)])
            self.live = self.live | self.pairs.open.any(0) | self.pairs.open.any(1)
        counts = np.arange(len(group) + 1, dtype=np.float64)
        self.weight = counts * np.log2(np.maximum(counts, 1))
        self.entropy = float(self.weight[np.bincount(group[self.open])].sum()) if len(self.open) else 0.0

    def _wanted(self, reading: Candidate, *, in_full: bool = False) -> dict[str, object]:
        """Return what to ask for; `in_full`: with sign and flags even where they settle nothing by themselves."""
        want = self._want(reading, [task for task in self.unseen.tasks if self.unseen.does(task, reading)])
        if in_full and self.flags:
            want["flags"] = {name: name in reading.flags for name in self.flags}
        if in_full and reading.state == "number" and self.unseen.may["negative"] and int(reading.digits):
            want["negative"] = reading.negative
        return want

    def _ask(self, reading: Candidate, *, in_full: bool = False) -> Ask:
        before = self.group
        split = self._split(reading)
        alone = {int(value) for value, count in zip(*np.unique(split, return_counts=True), strict=True) if count == 1}
        names = [element.name for element, value in zip(self.elements.every, split.tolist(), strict=False)
                 if value >= 0 and value in alone]
        done = [task for task in self.unseen.tasks if self.unseen.does(task, reading)]
        want = self._wanted(reading, in_full=in_full)
        if self.mixer is not None:
            self._mix_wanted(reading, want)
        after = np.where(np.isin(split, list(alone)), -1, split)
        kept = {value: i for i, value in enumerate(sorted(set(after[after >= 0].tolist())))}
        if self.pairs is not None:
            self.pairs.take(reading)
        self._regrouped(np.array([kept.get(int(value), -1) for value in after], np.int64))
        self.unseen.tasks = [task for task in self.unseen.tasks if task not in done]
        settles = (*(task_name(task) for task in done), *names) or self._narrowed(before)
        return Ask(show=words_of(want, self.width), want=want, settles=settles)

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

    def _narrowed(self, before: NDArray[np.int64]) -> tuple[str, ...]:
        """Return the elements told apart further, where none comes to stand alone yet."""
        moved = [element.name for element, a in zip(self.elements.every, before.tolist(), strict=False) if a >= 0]
        return tuple(moved[:6])

    def _want(self, reading: Candidate, done: list[Task]) -> dict[str, object]:
        want: dict[str, object] = {}
        if reading.state != "number":
            want[reading.state] = True
        else:
            want |= self._digits_wanted(reading, done)
            minus_open = any(element.kind == "minus" for element in self._live())
            if reading.negative or minus_open:
                want["negative"] = reading.negative
        if reading.range.unit and len({span.unit for span in self.unseen.ranges}) > 1:
            want["unit"] = reading.range.unit
        alike = [span for span in self.unseen.ranges if span.unit == reading.range.unit]
        if reading.state == "number" and len({span.decimals for span in alike}) > 1:
            want["point"] = reading.range.decimals
        flags = {element.key[1]: element.key[1] in reading.flags for element in self._live() if element.kind == "flag"}
        if flags:
            want["flags"] = flags
        return want

    def _digits_wanted(self, reading: Candidate, done: list[Task]) -> dict[str, object]:
        """Return the digits that matter, each place with all that tell the same; or limits, for a binary number."""
        if any(task[0] == "zero" for task in done):
            return {"at_least": 0, "at_most": 0}
        if any(task[0] == "number" for task in done):
            return self.unseen.limits(reading)
        digits: dict[str, str] = {}
        fixed = {int(task[1]) for task in done if task[0] == "digit"}
        # A place is left out only with all that stand before it.
        fixed |= {before for task in done if task[0] == "digit" and task[2] == " " for before in range(int(task[1]))}
        fixed |= {0} if ("widest",) in done else set()
        fixed |= set(range(self.width)) if ("rounding",) in done else set()
        fixed |= set(range(self.unseen.zeros_needed(reading.range))) if ("small",) in done else set()
        for at in sorted({*self._open_places(), *fixed}):
            segments = [element for element in self._live() if element.kind == "place" and element.key[0] == at]
            same = reading.digits[at]
            if at not in fixed:
                wanted = [self.elements.state(element, reading) for element in segments]
                for digit in "0123456789":
                    other = replace(reading, digits=reading.digits[:at] + digit + reading.digits[at + 1:])
                    if digit in same or int(other.digits) > reading.range.greatest or \
                            self.elements.is_unsure(digit, segments):
                        continue
                    if [self.elements.state(element, other) for element in segments] == wanted:
                        same += digit
            if len(same) < 10:
                digits[str(at + 1)] = "".join(sorted(same))
        for at in [int(task[1]) for task in done if task[0] == "digit" and task[2] == "0"]:
            # A nought that would be left out is shown behind another digit.
            before = len(reading.digits) - len(reading.digits.lstrip("0"))
            if before < at < self.width - 1 - reading.range.decimals:
                digits.setdefault(str(before + 1), "123456789")
        if digits and not self._fits_any(digits, reading.range):
            digits = {str(at): reading.digits[int(at) - 1] for at in digits}
        return {"digits": dict(sorted(digits.items(), key=lambda item: int(item[0])))} if digits else {}

    def _fits_any(self, digits: dict[str, str], span: Range) -> bool:
        """Say whether any choice of the digits wanted stays within the range."""
        greatest = "".join(max(digits.get(str(at + 1), "0")) for at in range(self.width))
        return int(greatest) <= span.greatest


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
