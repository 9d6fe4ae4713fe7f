"""Readings to show while labels are too few for any map: numbers of different size, in every range."""

from __future__ import annotations

from collections.abc import Sequence

from tapwright.core.job import Demands, Range
from tapwright.evidence.labels import Label
from tapwright.mapping.report import Ask
from tapwright.mapping.wording import words_of

#: Labels of numbers beyond which more of the same are not expected to help.
ENOUGH = 16
_MOST = 3
_SHARES = ((0.55, 0.8), (0.25, 0.5), (0.8, 1.0), (0.1, 0.2))


def first_asks(labels: Sequence[Label], demands: Demands) -> tuple[Ask, ...]:
    """Return readings of the job's ranges that differ from those shown; none where many have been shown."""
    numbers = [label for label in labels if label.is_number]
    if len(numbers) >= ENOUGH:
        return ()
    if not numbers and not demands.ranges:
        return (Ask(show="any reading with a number", want={"overload": False, "blank": False},
                    settles=("how numbers are sent",)),)
    spans = demands.ranges or _spans_of(numbers)
    shown = {(label.unit, len(label.display.partition(".")[2])) for label in numbers}
    spans = tuple(sorted(spans, key=lambda span: (span.unit, span.decimals) in shown))
    several = len({span.unit for span in spans}) > 1
    out: list[Ask] = []
    for low, high in _SHARES:
        for span in spans:
            greatest = float(span.text)
            step = 10.0 ** -span.decimals
            least, most = (round(round(greatest * share / step) * step, 9) for share in (low, high))
            met = any(label.unit == span.unit and least <= float(label.display) <= most for label in numbers)
            if met or least >= most or len(out) == _MOST:
                continue
            want: dict[str, object] = {"at_least": least, "at_most": most}
            want |= {"unit": span.unit} if several and span.unit else {}
            if sum(other.unit == span.unit for other in spans) > 1:
                want["point"] = span.decimals
            out.append(Ask(show=words_of(want, 1), want=want, settles=("how numbers are sent",)))
    return tuple(out)


def _spans_of(numbers: Sequence[Label]) -> tuple[Range, ...]:
    """Return the ranges that labels showed, each up to the greatest number seen in it with all digits nine."""
    found: dict[tuple[str, int], str] = {}
    for label in numbers:
        text = label.display.lstrip("-")
        key = (label.unit, len(text.partition(".")[2]))
        nines = "".join("9" if character.isdigit() else character for character in text)
        found[key] = max(found.get(key, ""), nines, key=len)
    return tuple(Range(text=text, unit=unit) for (unit, _), text in found.items())
