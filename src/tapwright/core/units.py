"""Units and prefixes as displays show them: the only place that scales by powers of ten.

A unit is text as shown (`kΩ`, `°C`, `mg/L`). It splits into an SI prefix and a base unit where it has one. Sources:
SI Brochure, 9th edition, tables 2, 4, 7 and 8 (base and derived units, prefixes); the other base units are those that
handheld instruments print, common practice.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal

PREFIXES: dict[str, int] = {
    "Q": 30, "R": 27, "Y": 24, "Z": 21, "E": 18, "P": 15, "T": 12, "G": 9, "M": 6, "k": 3, "": 0,
    "m": -3, "µ": -6, "n": -9, "p": -12, "f": -15, "a": -18, "z": -21, "y": -24, "r": -27, "q": -30,
}
# hecto to centi only where instruments print them: hPa, dB is a unit of its own, dm and cm lengths.
_SMALL = {"h": ("Pa",), "c": ("m", "P", "St"), "d": ("m",)}
_SMALL_POWER = {"h": 2, "c": -2, "d": -1}

#: Base units that take SI prefixes.
SCALED = frozenset(
    "V A Ω F H Hz S W J N Pa m g s L l B bar eV T Wb C K mol lm lx cd Bq Gy Sv kat var VA Ah Wh P St "
    "m/s g/L g/l mol/L S/m S/cm Ω·m Ω·cm V/m A/m g/m³ N·m".split()
)
#: Units shown without prefix (°C, per cent, pH and ratios are not scaled: SI Brochure 5.4.7, common practice).
PLAIN = frozenset(
    "°C °F °Ra % ppm ppb ppt pH dB dBm dBµ dBA dBC ° ′ ″ rpm r/min min h d %RH mmHg mH₂O inHg psi atm "
    "NTU FNU PSU hFE km/h mph kn ft in lb oz gal °dH °fH count counts".split()
)

# The words and letters that people type for signs they do not find on a keyboard.
_SPELLED = {
    "ohm": "Ω", "ohms": "Ω", "deg": "°", "degc": "°C", "degf": "°F", "celsius": "°C", "fahrenheit": "°F",
    "volt": "V", "volts": "V", "amp": "A", "amps": "A", "percent": "%", "hertz": "Hz", "kelvin": "K", "farad": "F",
}
# Both letters mean the litre (SI Brochure, table 8, note): one kind of quantity, each shown as it was written.
_LITRE = {"l": "L", "g/l": "g/L"}


@dataclass(frozen=True)
class Unit:
    """A unit as shown: `prefix` is a key of `PREFIXES` (or h, c, d), `base` the unit without it."""

    text: str
    prefix: str
    base: str

    @property
    def power(self) -> int:
        """The prefix's power of ten."""
        return _SMALL_POWER[self.prefix] if self.prefix in _SMALL_POWER else PREFIXES[self.prefix]

    def to_base(self, value: Decimal) -> Decimal:
        """Return a value in this unit as a value in the base unit, exactly."""
        return value.scaleb(self.power)


def normal(text: str) -> str:
    """Return unit text in one spelling: Ω U+03A9, µ U+00B5, °C as two characters, no spaces at the ends.

    Text that is no spelling of anything is returned as it is, but for the characters above.
    """
    text = unicodedata.normalize("NFC", text).strip()
    text = text.replace("μ", "µ").replace("℃", "°C").replace("℉", "°F").replace("º", "°")
    return _respelled(text)


def parse(text: str) -> Unit:
    """Split unit text into prefix and base; text that is not known becomes a base unit of its own."""
    text = normal(text)
    if text in PLAIN or text in SCALED or not text:
        return Unit(text, "", text)
    for prefix in PREFIXES:
        if prefix and text.startswith(prefix) and text[len(prefix):] in SCALED:
            return Unit(text, prefix, text[len(prefix):])
    for prefix, bases in _SMALL.items():
        if text.startswith(prefix) and text[1:] in bases:
            return Unit(text, prefix, text[1:])
    return Unit(text, "", text)


def scale_power(from_unit: str, to_unit: str) -> int | None:
    """Return p such that a value in `from_unit` times 10**p is that in `to_unit`; None where they differ in kind."""
    a, b = parse(from_unit), parse(to_unit)
    return a.power - b.power if _LITRE.get(a.base, a.base) == _LITRE.get(b.base, b.base) else None


def _respelled(text: str) -> str:
    if text.lower() in _SPELLED:
        return _SPELLED[text.lower()]
    word = re.fullmatch(r"(Q|R|Y|Z|E|P|T|G|M|K|k|m|u|µ|n|p)?\s*([A-Za-z]+)", text)
    if word and word.group(2).lower() in ("ohm", "ohms"):
        prefix = {"u": "µ", "K": "k", None: ""}.get(word.group(1), word.group(1))
        return f"{prefix}Ω"
    if len(text) > 1 and text[0] in "uK":
        rest, prefix = text[1:], "µ" if text[0] == "u" else "k"
        if rest in SCALED:
            return prefix + rest
    return text
