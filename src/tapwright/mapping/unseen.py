"""What labels have never shown and a reading must: ranges, states, codes, place values, the widest number.

A task is a tuple of words; the first names its sort.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tapwright.core.job import Demands
from tapwright.core.reading_map import Codes, Float, Integer, Segments, Table, field_value
from tapwright.mapping.elements import Candidate, Elements, Range
from tapwright.mapping.families._codes import with_zeros
from tapwright.mapping.fit import Learned

Task = tuple[str, ...]
HIGHER_PLACES = "number's higher places"


class Unseen:
    """The tasks that are left, and which of them a reading does."""

    def __init__(self, learned: Learned, demands: Demands, elements: Elements) -> None:
        assert learned.reading_map is not None
        self.learned, self.demands, self.elements = learned, demands, elements
        self.displays = learned.reading_map.displays
        self.display = self.displays[0]
        self.width = elements.width
        self.ranges = ranges_of(learned, demands, self.width)
        labels = learned.sight.labels
        self.may = {"negative": "negative" in demands.shows or any(label.display.startswith("-") for label in labels),
                    "overload": "overload" in demands.shows, "blank": "blank" in demands.shows}
        self.tasks = self._tasks()

    def _tasks(self) -> list[Task]:
        tasks: list[Task] = [("range", str(i)) for i, span in enumerate(self.ranges) if not span.seen]
        labels = self.learned.sight.labels
        shown = {"negative": any(label.display.startswith("-") for label in labels),
                 "overload": any(label.is_overload for label in labels),
                 "blank": any(label.is_blank for label in labels)}
        tasks += [(name,) for name in self.demands.shows if not shown.get(name, True)]
        digits = self.display.digits
        if isinstance(digits, Codes) and digits.kind == "table":
            missing = self.width - len(digits.places)
            for at, table in enumerate((*(Table((), {}),) * missing, *digits.places)):
                known = set(table.entries.values()) | ({" "} if self._was_dark(at) else set())
                tasks += [("digit", str(at), digit) for digit in "0123456789 " if digit not in known]
        if isinstance(digits, Integer):
            rest = {(bit.byte, bit.bit) for bit in digits.fixed}
            tasks += [("number", str(i)) for i, bit in enumerate(digits.bits) if (bit.byte, bit.bit) in rest]
            tasks += [("number", str(i)) for i in range(len(digits.bits), self._bits_needed())]
        if len(self.display.zeros) > 1:
            tasks.append(("small",))
        if any(table.otherwise is not None and self._spells_nought(table) for table in self.display.states):
            tasks.append(("zero",))
        ways = {other.digits.rounding for other in self.displays if isinstance(other.digits, Float)}
        if {"toward zero", "nearest"} <= ways:
            tasks.append(("rounding",))
        text = self.display.kind == "text"
        if not isinstance(digits, Segments) and not any(
                label.is_number and (not text or label.display.startswith("-") == self.may["negative"])
                and len(label.display.lstrip("-").replace(".", "")) >= self.width for label in labels):
            tasks.append(("widest",))
        return [task for task in tasks if self._possible(task)]

    def _was_dark(self, at: int) -> bool:
        """Say whether a label showed a number with this place dark, or noughts on the wire stand for dark places."""
        if "as sent" not in self.display.zeros:
            return True
        return any(label.is_number and len(label.display.lstrip("-").replace(".", "")) < self.width - at
                   for label in self.learned.sight.labels)

    def _spells_nought(self, table: Table) -> bool:
        """Say whether a code of the digits that stood for no number would be a nought, were it not listed."""
        digits = self.display.digits
        if isinstance(digits, Integer):
            return any(code - digits.offset == 0 for code in table.entries)
        return 0 in table.entries

    def _possible(self, task: Task) -> bool:
        if task[0] == "digit":
            at, digit = int(task[1]), task[2]
            if digit == " ":
                return self.elements.suppressed and any(span.decimals < self.width - 1 - at for span in self.ranges)
            least = int((digit + "0" * (self.width - 1 - at)) or "0")
            if digit == "0" and at == 0 and self.elements.suppressed:
                return any(span.decimals == self.width - 1 for span in self.ranges)
            return any(least <= span.greatest for span in self.ranges)
        if task[0] == "number":
            return any(self.number_starts(span, only=int(task[1])) for span in self.ranges)
        if task[0] == "widest":
            return any(span.greatest >= 10 ** (self.width - 1) for span in self.ranges)
        if task[0] == "small":
            return any(self.zeros_needed(span) for span in self.ranges)
        return True

    def range_tasks(self, span: Range) -> tuple[Task, ...]:
        return tuple(task for task in self.tasks if task[0] == "range" and self.ranges[int(task[1])] == span)

    def does(self, task: Task, reading: Candidate) -> bool:
        match task[0]:
            case "range":
                return reading.state == "number" and self.ranges[int(task[1])] == reading.range
            case "overload" | "blank":
                return reading.state == task[0]
            case "negative":
                return reading.negative
            case "digit":
                return reading.state == "number" and self.elements.figures(reading)[int(task[1])] == task[2]
            case "zero":
                return reading.state == "number" and not int(reading.digits)
            case "rounding":
                return reading.state == "number" and self.falls_short(reading.digits, reading.range)
            case "widest":
                signed = self.display.kind != "text" or reading.negative == self.may["negative"]
                return reading.state == "number" and not reading.digits.startswith("0") and signed
            case "number":
                return reading.state == "number" and not reading.negative and \
                    int(task[1]) in self.moved_bits(reading)
            case _:
                needed = self.zeros_needed(reading.range)
                return reading.state == "number" and 0 < needed <= len(reading.digits) - len(reading.digits.lstrip("0"))

    @staticmethod
    def falls_short(digits: str, span: Range) -> bool:
        """Say whether a number's nearest binary32 lies under it, so that cutting it off would show one count less."""
        value = int(digits) / 10 ** span.decimals
        return bool(float(np.float32(value)) < value)

    def zeros_needed(self, span: Range) -> int:
        """Return how many leading noughts make the ways of showing them that are left differ, 0 where none do."""
        for count in range(1, self.width):
            digits = "0" * count + "1" * (self.width - count)
            sent = digits.lstrip("0") if isinstance(self.display.digits, (Integer, Float)) else digits
            if len({with_zeros(sent, way, span.decimals, self.width) for way in self.display.zeros}) > 1:
                return count
        return 0

    def moved_bits(self, reading: Candidate) -> set[int]:
        digits = self.display.digits
        assert isinstance(digits, Integer)
        at_rest = field_value(digits.bits, self.learned.sight.rows[0].tobytes())
        changed = at_rest ^ self._raw(-int(reading.digits) if reading.negative else int(reading.digits))
        return {i for i in range(self._bits_needed()) if changed >> i & 1}

    def _bits_needed(self) -> int:
        """Return the bits of the binary number, more than labels showed where a range's greatest count needs them."""
        digits = self.display.digits
        assert isinstance(digits, Integer)
        most = max((span.greatest for span in self.ranges), default=0) * digits.divide // digits.multiply
        return max(len(digits.bits), (most + max(digits.offset, 0)).bit_length())

    def _raw(self, count: int) -> int:
        digits = self.display.digits
        assert isinstance(digits, Integer)
        number = count * digits.divide // digits.multiply + digits.offset
        return number & ((1 << self._bits_needed()) - 1)

    def number_starts(self, span: Range, only: int | None = None) -> list[str]:
        """Return numbers of a range that move bits never seen to change."""
        digits = self.display.digits
        if not isinstance(digits, Integer):
            return []
        open_ = [int(task[1]) for task in self.tasks if task[0] == "number"] if only is None else [only]
        at_rest = field_value(digits.bits, self.learned.sight.rows[0].tobytes())
        out: list[str] = []
        steps = sorted({span.greatest, *(k << bit for bit in open_ for k in range(1, 9)), *(
            (1 << bit + 1) - 1 for bit in open_), *(span.greatest * k // 40 for k in range(1, 40))})
        for count in steps:
            moved = at_rest ^ self._raw(count)
            if count <= span.greatest and any(moved >> bit & 1 for bit in open_):
                out.append(str(count).rjust(self.width, "0"))
        return sorted(out, key=lambda text: -sum((at_rest ^ self._raw(int(text))) >> bit & 1 for bit in open_))[:6]

    def dark_starts(self, span: Range) -> list[str]:
        """Return numbers of a range that leave out a place never seen left out."""
        dark = [int(task[1]) for task in self.tasks if task[0] == "digit" and task[2] == " "]
        return [str(min(span.greatest, 10 ** (self.width - 1 - at) - 1)).rjust(self.width, "0") for at in dark
                if span.decimals < self.width - 1 - at]

    def limits(self, reading: Candidate) -> dict[str, object]:
        """Return the limits within which a number moves the same open bits as the one chosen."""
        open_ = [int(task[1]) for task in self.tasks if task[0] == "number"]
        count, low = int(reading.digits), min(open_)
        wanted = {bit for bit in open_ if bit in self.moved_bits(reading)}

        def alike(other: int) -> bool:
            probe = replace(reading, digits=str(other).rjust(self.width, "0"))
            return 0 <= other <= reading.range.greatest and wanted <= self.moved_bits(probe)

        least = most = count
        for step in [1 << bit for bit in range(low, -1, -1)]:
            while alike(least - step) and count - least < 1 << low:
                least -= step
            while alike(most + step) and most - count < 1 << low:
                most += step
        scale = 10.0 ** -reading.range.decimals
        return {"at_least": round(least * scale, 9), "at_most": round(most * scale, 9)}


def task_name(task: Task) -> str:
    match task[0]:
        case "range":
            return "range"
        case "digit":
            return f"digit {int(task[1]) + 1} " + ("left out" if task[2] == " " else f"showing {task[2]}")
        case "number":
            return HIGHER_PLACES
        case "small":
            return "leading zeros"
        case "zero":
            return "a nought beside a display without number"
        case "widest":
            return "the number's whole width"
        case "rounding":
            return "how the number is rounded"
        case _:
            return task[0]


def ranges_of(learned: Learned, demands: Demands, width: int) -> list[Range]:
    """Return the ranges that may be asked for: the job's, else those that labels have shown."""
    seen: dict[tuple[str, int], int] = {}
    for label in learned.sight.labels:
        if label.is_number:
            decimals = len(label.display.partition(".")[2])
            seen[label.unit, decimals] = 10 ** width - 1
    if demands.ranges:
        spans = [Range(span.unit, span.decimals, min(int(span.text.replace(".", "")), 10 ** width - 1),
                       (span.unit, span.decimals) in seen) for span in demands.ranges]
        return list(dict.fromkeys(spans))
    spans = [Range(unit, decimals, greatest, True) for (unit, decimals), greatest in seen.items()]
    known = {unit for unit, _ in seen}
    spans += [Range(unit, spans[0].decimals if spans else 0, 10 ** width - 1, False)
              for unit in demands.units if unit not in known]
    return spans
