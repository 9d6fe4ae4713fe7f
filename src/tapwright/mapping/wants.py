"""What to ask for, so that a reading settles what it was chosen for: the parts that matter (`want` in the contract)."""

from __future__ import annotations

from dataclasses import replace

from tapwright.mapping.elements import Candidate, Range
from tapwright.mapping.open_elements import OpenElements
from tapwright.mapping.unseen import Task


def wanted(left: OpenElements, reading: Candidate, *, in_full: bool = False) -> dict[str, object]:
    """Return what to ask for; `in_full`: with sign and flags even where they settle nothing by themselves."""
    want = _want(left, reading, [task for task in left.unseen.tasks if left.unseen.does(task, reading)])
    flags = left.flags
    if in_full and flags:
        want["flags"] = {name: name in reading.flags for name in flags}
    if in_full and reading.state == "number" and left.unseen.may["negative"] and int(reading.digits):
        want["negative"] = reading.negative
    return want


def _want(left: OpenElements, reading: Candidate, done: list[Task]) -> dict[str, object]:
    want: dict[str, object] = {}
    if reading.state != "number":
        want[reading.state] = True
    else:
        want |= _digits_wanted(left, reading, done)
        minus_open = any(element.kind == "minus" for element in left.live_elements())
        if reading.negative or minus_open:
            want["negative"] = reading.negative
    if reading.range.unit and len({span.unit for span in left.unseen.ranges}) > 1:
        want["unit"] = reading.range.unit
    alike = [span for span in left.unseen.ranges if span.unit == reading.range.unit]
    if reading.state == "number" and len({span.decimals for span in alike}) > 1:
        want["point"] = reading.range.decimals
    live = left.live_elements()
    flags = {one.key[1]: one.key[1] in reading.flags for one in live if one.kind == "flag"}
    if flags:
        want["flags"] = flags
    return want


def _digits_wanted(left: OpenElements, reading: Candidate, done: list[Task]) -> dict[str, object]:
    """Return the digits that matter, each place with all that tell the same; or limits, for a binary number."""
    if any(task[0] == "zero" for task in done):
        return {"at_least": 0, "at_most": 0}
    if any(task[0] == "number" for task in done):
        return left.unseen.limits(reading)
    digits: dict[str, str] = {}
    width = left.elements.width
    fixed = {int(task[1]) for task in done if task[0] == "digit"}
    # A place is left out only with all that stand before it.
    fixed |= {before for task in done if task[0] == "digit" and task[2] == " " for before in range(int(task[1]))}
    fixed |= {0} if ("widest",) in done else set()
    fixed |= set(range(width)) if ("rounding",) in done else set()
    fixed |= set(range(left.unseen.zeros_needed(reading.range))) if ("small",) in done else set()
    for at in sorted({*left.open_places(), *fixed}):
        segments = [element for element in left.live_elements() if element.kind == "place" and element.key[0] == at]
        same = reading.digits[at]
        if at not in fixed:
            lit = [left.elements.state(element, reading) for element in segments]
            for digit in "0123456789":
                other = replace(reading, digits=reading.digits[:at] + digit + reading.digits[at + 1:])
                if digit in same or int(other.digits) > reading.range.greatest or \
                        left.elements.is_unsure(digit, segments):
                    continue
                if [left.elements.state(element, other) for element in segments] == lit:
                    same += digit
        if len(same) < 10:
            digits[str(at + 1)] = "".join(sorted(same))
    for at in [int(task[1]) for task in done if task[0] == "digit" and task[2] == "0"]:
        # A nought that would be left out is shown behind another digit.
        before = len(reading.digits) - len(reading.digits.lstrip("0"))
        if before < at < width - 1 - reading.range.decimals:
            digits.setdefault(str(before + 1), "123456789")
    if digits and not _fits_any(digits, reading.range, width):
        digits = {str(at): reading.digits[int(at) - 1] for at in digits}
    return {"digits": dict(sorted(digits.items(), key=lambda item: int(item[0])))} if digits else {}


def _fits_any(digits: dict[str, str], span: Range, width: int) -> bool:
    """Say whether any choice of the digits wanted stays within the range."""
    greatest = "".join(max(digits.get(str(at + 1), "0")) for at in range(width))
    return int(greatest) <= span.greatest
