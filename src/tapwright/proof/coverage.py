"""What the job demands beside what confirmed labels have shown: functions, units, flags, shows, ranges, digits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tapwright.core import units
from tapwright.core.job import Demands, Range
from tapwright.evidence.labels import Label

# A dial's word names a quantity; any of its units shows that position was seen. SI Brochure tables 2 and 4, and the
# plain words for them.
_QUANTITIES = {
    "voltage": ("V",), "volts": ("V",), "current": ("A",), "amps": ("A",), "resistance": ("Ω",), "ohms": ("Ω",),
    "capacitance": ("F",), "inductance": ("H",), "frequency": ("Hz",), "hertz": ("Hz",), "conductance": ("S",),
    "conductivity": ("S/cm", "S/m"), "resistivity": ("Ω·m", "Ω·cm"), "temperature": ("°C", "°F", "K"),
    "acidity": ("pH",), "power": ("W",), "energy": ("J", "Wh"), "force": ("N",),
    "pressure": ("Pa", "bar", "psi", "mmHg"),
    "illuminance": ("lx",), "length": ("m",), "mass": ("g",), "humidity": ("%RH", "%"), "turbidity": ("NTU", "FNU"),
    "salinity": ("PSU", "ppt", "g/L"), "saturation": ("%",), "oxygen": ("g/L", "g/l"), "duty": ("%",), "ratio": ("%",),
}
_FILLERS = frozenset("dissolved of the and range upper lower low high relative cycle".split())


@dataclass(frozen=True)
class Covered:
    """One kind of demand: what was seen and confirmed, and what never was."""

    seen: tuple[str, ...]
    never: tuple[str, ...]

    def document(self) -> dict[str, object]:
        """Return it as the contract's JSON."""
        return {"seen": list(self.seen), "never": list(self.never)}


@dataclass(frozen=True)
class Coverage:
    """All kinds; `digits` by place of the whole display from the left, not a demand of its own."""

    functions: Covered
    units: Covered
    flags: Covered
    shows: Covered
    ranges: Covered
    digits: dict[str, Covered]

    @property
    def complete(self) -> bool:
        """Whether nothing that the job demands was never seen."""
        return not any(kind.never for kind in (self.functions, self.units, self.flags, self.shows, self.ranges))

    def document(self) -> dict[str, object]:
        """Return it as the contract's JSON."""
        return {
            "functions": self.functions.document(), "units": self.units.document(), "flags": self.flags.document(),
            "shows": self.shows.document(), "ranges": self.ranges.document(),
            "digits": {place: item.document() for place, item in self.digits.items()},
        }


def cover(labels: Iterable[Label], demands: Demands, *, places: int = 0) -> Coverage:
    """Hold labels that a proof confirmed against what the job demands; `places` of the whole display, where known."""
    labels = tuple(labels)
    seen_units = _in_order(label.unit for label in labels if label.unit)
    seen_flags = _in_order(flag for label in labels for flag in label.flags)
    return Coverage(
        functions=_against(demands.functions, [name for name in demands.functions
                                               if any(shows_function(label, name) for label in labels)]),
        units=_against(demands.units, seen_units),
        flags=_against(demands.flags, seen_flags),
        shows=_against(demands.shows, _shows(labels)),
        ranges=_against([f"{item.text} {item.unit}" for item in demands.ranges],
                        [f"{item.text} {item.unit}" for item in demands.ranges
                         if any(in_range(label, item) for label in labels)]),
        digits=_digits(labels, demands.ranges, places),
    )


def shows_function(label: Label, name: str) -> bool:
    """Whether a label shows a position of the dial: every word of its name is a flag, a unit or a quantity of it."""
    base = units.parse(label.unit).base
    known = {label.unit.lower(), base.lower(), *(flag.lower() for flag in label.flags)}
    words = [word for word in name.lower().replace(",", " ").split() if word not in _FILLERS]
    return bool(words) and all(word in known or base in _QUANTITIES.get(word, ()) for word in words)


def in_range(label: Label, item: Range) -> bool:
    """Whether a label shows a number of a range: its unit and its digits after the point."""
    if label.value is None or label.unit != item.unit:
        return False
    return len(label.display.partition(".")[2]) == item.decimals and abs(label.value) <= item.greatest


def _shows(labels: tuple[Label, ...]) -> list[str]:
    seen = []
    if any(label.is_number and label.display.startswith("-") for label in labels):
        seen.append("negative")
    if any(label.is_overload for label in labels):
        seen.append("overload")
    if any(label.is_blank for label in labels):
        seen.append("blank")
    return seen


def _digits(labels: tuple[Label, ...], ranges: tuple[Range, ...], least: int) -> dict[str, Covered]:
    shown = [label.display.lstrip("-").replace(".", "") for label in labels if label.is_number]
    greatest = [item.text.replace(".", "") for item in ranges]
    width = max((len(text) for text in (*shown, *greatest)), default=0)
    width = max(width, least)
    places = {}
    for place in range(width):
        seen = sorted({text.rjust(width)[place] for text in shown} - {" "})
        offered = set()
        for text in (greatest or ["9" * width]):
            at = place - (width - len(text))
            if at >= 0:
                offered |= set("0123456789"[:int(text[at]) + 1] if at == 0 else "0123456789")
        places[str(place + 1)] = Covered(tuple(seen), tuple(sorted(offered - set(seen))))
    return places


def _against(wanted: Iterable[str], seen: Iterable[str]) -> Covered:
    seen = tuple(seen)
    return Covered(seen, tuple(item for item in wanted if item not in seen))


def _in_order(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(words))
