"""Pairs of elements that labels have not shown apart, though their classes are.

Classes go by the bits that agree with all labels; where an odd shape of 6, 7 or 9 or an overload leaves an element's
state open, a bit of another element may serve as well. Two elements are told apart once some reading shows them alike
and another unlike, both states known.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.mapping.elements import Candidate, Elements, Range


class Pairs:
    """What readings have shown of every two elements.

    Attributes
    ----------
    shown : bool, shape (2, n, n): unlike, alike
    open : bool, shape (n, n): pairs that may share a bit and are in no class together
    """

    def __init__(self, elements: Elements) -> None:
        self.elements = elements
        n = len(elements.every)
        bits = [frozenset((bit.byte, bit.bit) for bit in element.lamp.bits) for element in elements.every]
        self.may = np.triu(np.array([[not (a and b) or bool(a & b) for b in bits] for a in bits], np.bool_), 1)
        unsettled = np.array([len(one) != 1 for one in bits], np.bool_)
        self.may &= unsettled[:, None] & unsettled[None, :]
        self.shown = np.zeros((2, n, n), np.bool_)
        for label in elements.learned.sight.labels:
            shown = label.display.lstrip("-")
            range_ = Range(label.unit, len(shown.partition(".")[2]), 0, seen=True)
            state = "overload" if label.is_overload else "blank" if label.is_blank else "number"
            if state == "number" and not label.is_number:
                continue
            digits = shown.replace(".", "").rjust(elements.width, "0") if label.is_number else ""
            self.take(Candidate(range_, digits, label.display.startswith("-"), frozenset(label.flags), state))
        self.by_labels = self.shown

    def begin(self) -> None:
        """Forget all readings but those of labels."""
        self.shown = self.by_labels

    def take(self, reading: Candidate) -> None:
        """Count a reading as shown."""
        self.shown = self.shown | self._shows(reading)

    def regrouped(self, group: NDArray[np.int64]) -> None:
        """Take over the classes."""
        apart = (group[:, None] != group[None, :]) | (group[:, None] < 0)
        self.open = self.may & apart & ~self.shown.all(0)

    def gain(self, reading: Candidate) -> int:
        """Return how many pairs a reading tells apart, or brings half the way."""
        if not self.open.any():
            return 0
        return int((self._shows(reading) & ~self.shown & self.open).sum())

    def unlike_labels(self, reading: Candidate) -> NDArray[np.bool_]:
        """Return the pairs that a reading shows unlike and alike and no label did, shape (2, n, n)."""
        return self._shows(reading) & ~self.by_labels & self.may

    def _shows(self, reading: Candidate) -> NDArray[np.bool_]:
        known = self.elements.known(reading)
        sure = known >= 0
        both = sure[:, None] & sure[None, :]
        alike = known[:, None] == known[None, :]
        return np.stack([both & ~alike, both & alike])
