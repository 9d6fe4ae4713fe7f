"""One way in which bits may make the digits of labels, and how far labels support it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import Digits, DigitsKind, Lamp, Zeros
from tapwright.evidence.labels import Label

BITS_A_DIGIT = float(np.log2(10))


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """A candidate for the digits of the display.

    Parameters
    ----------
    kind : the family
    digits : what makes the digits
    explained : bool, shape (n_labels,): labels whose digits it gives (those without a number count as explained)
    support : log2 of how unlikely it is that a family as wide as this one fits these labels by chance
    claimed : bit columns (8 byte + bit) that it uses
    width : places of the display
    zeros : ways of showing leading zeros that reproduce every explained label
    points : lamps of the point, where the family finds them itself; None where the point is to be found elsewhere
    minus : the lamp of the minus sign, likewise
    has_sign, has_point : the digits carry it themselves
    is_plain : nothing in it was fitted to the labels but where it stands
    """

    kind: DigitsKind
    digits: Digits
    explained: NDArray[np.bool_]
    support: float
    claimed: frozenset[int]
    width: int
    zeros: tuple[Zeros, ...] = ("as sent",)
    points: Mapping[int, Lamp] | None = None
    minus: Lamp | None = None
    has_sign: bool = False
    has_point: bool = False
    is_plain: bool = False


@dataclass(frozen=True)
class Numbers:
    """The labels' displays as numbers, arrays over labels.

    Parameters
    ----------
    is_number : bool
    digits : the digits without point and sign, "" where there is no number
    count : int64: the digits as a number
    negative : bool
    decimals : int64: digits after the point, -1 where there is no number
    """

    is_number: NDArray[np.bool_]
    digits: tuple[str, ...]
    count: NDArray[np.int64]
    negative: NDArray[np.bool_]
    decimals: NDArray[np.int64]

    @property
    def width(self) -> int:
        """The most digits that any label shows."""
        return max(map(len, self.digits), default=0)

    @property
    def moving(self) -> int:
        """Places that labels show with more than one character, a dark place counting as one."""
        return sum(len(set(self.characters(place).tolist())) > 1 for place in range(self.width))

    @property
    def distinct(self) -> int:
        """Different numbers shown, their points and signs aside."""
        return len({digits for digits in self.digits if digits})

    def characters(self, place: int) -> NDArray[np.str_]:
        """Return each label's character at a place counted from the right (0), a space where there is none."""
        return np.array([digits[-1 - place] if len(digits) > place else " " for digits in self.digits])


def numbers_of(labels: tuple[Label, ...]) -> Numbers:
    """Return the labels' displays as numbers."""
    is_number = np.array([label.is_number and len(label.display) <= 17 for label in labels], np.bool_)
    digits = tuple(label.display.lstrip("-").replace(".", "") if number else ""
                   for label, number in zip(labels, is_number.tolist(), strict=True))
    return Numbers(
        is_number, digits, np.array([int(text or "0") for text in digits], np.int64),
        np.array([label.display.startswith("-") and number
                  for label, number in zip(labels, is_number.tolist(), strict=True)], np.bool_),
        np.array([len(label.display.partition(".")[2]) if number else -1
                  for label, number in zip(labels, is_number.tolist(), strict=True)], np.int64))


def most_wrong(n_labels: int) -> int:
    """Return how many labels may be left out as wrong: one in ten, and one of a handful."""
    return n_labels // 10 if n_labels >= 10 else int(n_labels >= 6)

