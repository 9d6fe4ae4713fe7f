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
from tapwright.evidence.labels import Label
from tapwright.mapping.elements import Candidate, Elements, Range
from tapwright.mapping.fit import Learned
from tapwright.mapping.mixes import Code, Mix, mixer_of, open_mixes
from tapwright.mapping.report import Ask
from tapwright.mapping.unseen import Task, Unseen, task_name
from tapwright.mapping.wording import words_of

_TASK_BITS = 4.0
_LEAST_GAIN = 0.9
_MOST_ASKS = 60
_MOST_MIXES = 3
_STARTS = 2
_MOST_TURNED_FLAGS = 4


def plan(learned: Learned, demands: Demands) -> tuple[Ask, ...]:
    """Return the readings to show, most telling first."""
    return tuple(_Planner(learned, demands).asks())


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
        self._regrouped(self.elements.group)
        self.rng = random.Random(len(learned.sight))
        self.mixer = mixer_of(learned)
        self.known_codes: set[Code] = set()
        self.flags = [element.key[1] for element in self.elements.every if element.kind == "flag"]
        self.known_pairs = self._shown_pairs()

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
            if not self.unseen.ranges or not (self.unseen.tasks or self.entropy > 0):
                return
            best = max((self._best_in(span, state) for span in self._telling_ranges() for state in self._states()),
                       key=lambda scored: scored.gain)
            if best.gain < _LEAST_GAIN:
                return
            ask = self._ask(self._turned(best))
            # What labels met already and did not settle, no second showing settles: two bits may be twins.
            if not any(_meets(label, ask.want, self.width) for label in self.learned.sight.labels):
                yield ask

    def _turned(self, best: _Scored) -> Candidate:
        """Return the reading, or one as good in another range, with other flags or sign, that shows most that is new.

        New are codes that no table saw, then pairs (a range with a sign, a sign with a flag ...) never shown together:
        bits that always went together are told apart by such pairs alone.
        """
        if self.mixer is None:
            return best.reading
        most, chosen = self._news(best.reading), best.reading
        signs = (False, True) if self.unseen.may["negative"] and best.reading.state == "number" else (False,)
        for span in self.unseen.ranges:
            if span.greatest < int(best.reading.digits or "0"):
                continue
            for negative in signs:
                for flags in self._flag_sets():
                    other = replace(best.reading, range=span, negative=negative, flags=flags)
                    if self._gain(other) + 0.01 * len(flags) < best.gain - 1e-9 or (negative and not int(other.digits)):
                        continue
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

    def _open_places(self) -> list[int]:
        open_ = {element.key[0] for element, group in zip(self.elements.every, self.group, strict=False)
                 if element.kind == "place" and group >= 0}
        open_ |= {int(task[1]) for task in self.unseen.tasks if task[0] == "digit"}
        return sorted(open_)

    def _gain(self, reading: Candidate) -> float:
        done = sum(_TASK_BITS for task in self.unseen.tasks if self.unseen.does(task, reading))
        # A flag more is a key more to press.
        if not len(self.open):
            return done - 0.01 * len(reading.flags)
        split = 2 * self.group[self.open] + self.elements.levels(reading)[self.open]
        return self.entropy - float(self.weight[np.bincount(split)].sum()) + done - 0.01 * len(reading.flags)

    def _split(self, reading: Candidate) -> NDArray[np.int64]:
        return np.where(self.group < 0, -1, 2 * self.group + self.elements.levels(reading))

    def _regrouped(self, group: NDArray[np.int64]) -> None:
        """Take over which elements are still alike."""
        self.group = group
        self.open = np.flatnonzero(group >= 0)
        counts = np.arange(len(group) + 1, dtype=np.float64)
        self.weight = counts * np.log2(np.maximum(counts, 1))
        self.entropy = float(self.weight[np.bincount(group[self.open])].sum()) if len(self.open) else 0.0

    def _ask(self, reading: Candidate) -> Ask:
        before = self.group
        split = self._split(reading)
        alone = {int(value) for value, count in zip(*np.unique(split, return_counts=True), strict=True) if count == 1}
        names = [element.name for element, value in zip(self.elements.every, split.tolist(), strict=False)
                 if value >= 0 and value in alone]
        done = [task for task in self.unseen.tasks if self.unseen.does(task, reading)]
        want = self._want(reading, done)
        if self.mixer is not None:
            self._mix_wanted(reading, want)
        after = np.where(np.isin(split, list(alone)), -1, split)
        kept = {value: i for i, value in enumerate(sorted(set(after[after >= 0].tolist())))}
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
            minus_open = any(element.kind == "minus" and group >= 0
                             for element, group in zip(self.elements.every, self.group, strict=False))
            if reading.negative or minus_open:
                want["negative"] = reading.negative
        if reading.range.unit and len({span.unit for span in self.unseen.ranges}) > 1:
            want["unit"] = reading.range.unit
        alike = [span for span in self.unseen.ranges if span.unit == reading.range.unit]
        if reading.state == "number" and len({span.decimals for span in alike}) > 1:
            want["point"] = reading.range.decimals
        flags = {element.key[1]: element.key[1] in reading.flags
                 for element, group in zip(self.elements.every, self.group, strict=False)
                 if element.kind == "flag" and group >= 0}
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
            segments = [element for element, group in zip(self.elements.every, self.group, strict=False)
                        if element.kind == "place" and element.key[0] == at and group >= 0]
            same = reading.digits[at]
            if at not in fixed:
                wanted = [self.elements.state(element, reading) for element in segments]
                for digit in "0123456789":
                    other = replace(reading, digits=reading.digits[:at] + digit + reading.digits[at + 1:])
                    if digit not in same and int(other.digits) <= reading.range.greatest and \
                            [self.elements.state(element, other) for element in segments] == wanted:
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
