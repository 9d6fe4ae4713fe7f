"""What the pretend water meter's display can show: four seven-segment places, minus, points, unit signs and flags."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

# Segments of each character, a at the top, clockwise to f, g in the middle.
GLYPHS = {
    " ": "", "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg",
    "7": "abc", "8": "abcdefg", "9": "abcdfg", "O": "abcdef", "L": "def",
}
PLACES = 4


@dataclass(frozen=True, kw_only=True)
class Function:
    """One range of the dial: greatest count, digits after the point, unit sign(s), and whether it can be negative."""

    name: str
    unit: str
    decimals: int
    greatest: int
    negative: bool = False

    @property
    def greatest_text(self) -> str:
        """The range's greatest reading with its unit, as job.toml lists it."""
        digits = str(self.greatest).rjust(self.decimals + 1, "0")
        number = digits if not self.decimals else f"{digits[:-self.decimals]}.{digits[-self.decimals:]}"
        return f"{number} {self.unit}"


FUNCTIONS = (
    Function(name="dissolved oxygen", unit="mg/L", decimals=2, greatest=5000),
    Function(name="saturation", unit="%", decimals=1, greatest=5000),
    Function(name="conductivity", unit="µS/cm", decimals=0, greatest=9999),
    Function(name="conductivity, upper range", unit="mS/cm", decimals=2, greatest=9999),
    Function(name="temperature", unit="°C", decimals=1, greatest=999, negative=True),
    Function(name="acidity", unit="pH", decimals=2, greatest=1400),
)
FLAGS = ("AUTO", "HOLD", "MIN", "MAX", "BATT")


@dataclass(frozen=True, kw_only=True)
class Face:
    """One state of the display: `count` in units of the last place; None shows overload, `blank` nothing at all."""

    function: Function
    count: int | None
    flags: tuple[str, ...] = ()
    blank: bool = False

    @property
    def places(self) -> tuple[str, int | None, bool]:
        """The four characters, the digits after the point (None: no point lit) and whether the minus is lit."""
        if self.blank:
            return " " * PLACES, None, False
        if self.count is None:
            return " OL ", None, False
        decimals = self.function.decimals
        digits = str(abs(self.count)).rjust(decimals + 1, "0").rjust(PLACES)
        return digits, decimals or None, self.count < 0

    @property
    def text(self) -> str:
        """What the eye reads, without leading blanks."""
        digits, decimals, minus = self.places
        if decimals:
            digits = f"{digits[:-decimals]}.{digits[-decimals:]}"
        return ("-" if minus else "") + digits.strip()

    def lit(self) -> frozenset[str]:
        """The names of all elements that are lit: `1a` (place, segment), `minus`, `p2` (digits after it), signs."""
        digits, decimals, minus = self.places
        names = {f"{place}{segment}" for place, char in enumerate(digits, 1) for segment in GLYPHS[char]}
        names |= {"minus"} if minus else set()
        names |= {f"p{decimals}"} if decimals else set()
        return frozenset(names | {f"unit {self.function.unit}"} | {f"flag {flag}" for flag in self.flags})


ELEMENTS = (
    *(f"{place}{segment}" for place in range(1, PLACES + 1) for segment in "abcdefg"),
    "minus", "p1", "p2", *(f"unit {function.unit}" for function in FUNCTIONS), *(f"flag {flag}" for flag in FLAGS),
)


def some_face(rng: random.Random, function: Function, flags: tuple[str, ...] = ("AUTO",)) -> Face:
    """Return a face with a number drawn so that small and great ones are alike common."""
    digits = rng.randint(function.decimals + 1, len(str(function.greatest)))
    count = rng.randint(10 ** (digits - 1), min(function.greatest, 10 ** digits - 1))
    return Face(function=function, count=count, flags=flags)


def with_sign(face: Face, negative: bool) -> Face:
    """Return the face with its sign set."""
    return face if face.count is None else replace(face, count=-abs(face.count) if negative else abs(face.count))
