"""Blind instruments for the reading map: seeded, and sharing no code with the solver.

An instrument draws how it shows a reading (display text, unit, flags) and how its frames carry it. Sessions give frames,
and labels as a person would write them: times off by up to 0.3 s and by a constant, perhaps some of them wrong.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

FAMILIES = ("segments", "text", "bcd", "integer", "float", "table")
SHAPES = {  # segments lit, a at the top, clockwise, g in the middle
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc",
    "8": "abcdefg", "9": "abcdfg", " ": "", "L": "def", "-": "g",
}
ODD_SHAPES = {"6": "cdefg", "7": "abcf", "9": "abcfg"}
RANGES = {
    "V": (("V", 3), ("V", 2), ("mV", 1), ("mV", 2)), "ohm": (("Ω", 1), ("kΩ", 3), ("kΩ", 2), ("MΩ", 3)),
    "A": (("A", 2), ("mA", 2), ("µA", 1)), "F": (("nF", 2), ("µF", 3)), "T": (("°C", 1), ("°F", 1)),
    "water": (("mg/L", 2), ("%", 1), ("µS/cm", 0), ("mS/cm", 2)), "pH": (("pH", 2),), "Hz": (("Hz", 1), ("kHz", 3)),
}
FLAGS = ("AUTO", "HOLD", "MIN", "MAX", "REL", "AC", "DC", "BATT")


@dataclass(frozen=True)
class Shown:
    """One reading: `count` in units of the last place of a range; overload and blank show no number."""

    range: int
    count: int = 0
    negative: bool = False
    flags: frozenset[str] = frozenset()
    overload: bool = False
    blank: bool = False


@dataclass
class Blind:
    """An instrument. `frame(shown, number)` is the frame it sends, `text(shown)` what its display shows."""

    seed: int
    family: str
    digits: int
    ranges: tuple[tuple[str, int], ...]
    greatest: tuple[int, ...]
    flags: tuple[str, ...]
    can_negative: bool
    zeros: str
    overload_text: str
    has_check: bool
    body: Callable[[Shown], bytes]
    head: bytes
    counter: bool
    key: bytes = b""
    period_s: float = 0.3
    notes: dict[str, object] = field(default_factory=dict)

    def unit(self, shown: Shown) -> str:
        return self.ranges[shown.range][0]

    def text(self, shown: Shown) -> str:
        if shown.blank:
            return ""
        if shown.overload:
            return self.overload_text
        decimals = self.ranges[shown.range][1]
        digits = self.figures(shown)
        text = f"{digits[:-decimals]}.{digits[-decimals:]}" if decimals else digits
        return ("-" if shown.negative else "") + text

    def figures(self, shown: Shown) -> str:
        decimals = self.ranges[shown.range][1]
        width = self.digits if self.zeros == "shown" else decimals + 1
        return str(shown.count).rjust(width, "0")

    def frame(self, shown: Shown, number: int = 0) -> bytes:
        out = self.head + self.body(shown)
        if self.counter:
            out += bytes([number & 0xFF])
        if self.has_check:
            out += bytes([sum(out) & 0xFF])
        if self.key:
            out = bytes(b ^ self.key[i % len(self.key)] for i, b in enumerate(out))
        return out

    def some(self, rng: random.Random, *, flags: float = 0.25) -> Shown:
        """Draw a reading that the instrument can show."""
        at = rng.randrange(len(self.ranges))
        size = rng.randint(1, len(str(self.greatest[at])))
        count = rng.randint(0, min(10 ** size - 1, self.greatest[at]))
        negative = self.can_negative and count > 0 and rng.random() < 0.3
        on = frozenset(name for name in self.flags if rng.random() < flags)
        return Shown(at, count, negative, on)


def blind(seed: int, family: str | None = None, *, places: int | None = None) -> Blind:
    """Draw an instrument, with so many places where that is given."""
    rng = random.Random(f"blind instrument {seed}")
    family = family or rng.choice(FAMILIES)
    digits = rng.choice((3, 4, 4, 4, 5))
    digits = places or digits
    groups = rng.sample(sorted(RANGES), rng.randint(1, 3))
    ranges = [r for group in groups for r in rng.sample(RANGES[group], rng.randint(1, len(RANGES[group])))]
    ranges = [(unit, min(decimals, digits - 1)) for unit, decimals in ranges]
    ranges = list(dict.fromkeys(ranges))
    top = rng.choice((10 ** digits - 1, 6 * 10 ** (digits - 1) - 1, 2 * 10 ** (digits - 1) - 1))
    flags = tuple(rng.sample(FLAGS, rng.randint(1, 4)))
    can_negative = rng.random() < 0.6
    zeros = rng.choice(("shown", "suppressed", "suppressed"))
    head = bytes(rng.randrange(256) for _ in range(rng.choice((1, 2, 2))))
    out = Blind(seed=seed, family=family, digits=digits, ranges=tuple(ranges), greatest=(top,) * len(ranges), flags=flags,
                can_negative=can_negative, zeros=zeros, overload_text="OL", has_check=rng.random() < 0.8, body=bytes,
                head=head, counter=rng.random() < 0.3, period_s=rng.uniform(0.15, 0.4))
    make = {"segments": _segments, "text": _text, "bcd": _bcd, "integer": _integer, "float": _float, "table": _table}
    out.body = make[family](out, rng)
    if rng.random() < 0.25 and family not in ("float", "text"):
        n = len(out.frame(Shown(0)))
        out.key = bytes(rng.randrange(256) for _ in range(n))
        out.has_check = False  # masked: the check's form need not survive
    return out


def _segments(meter: Blind, rng: random.Random) -> Callable[[Shown], bytes]:
    shapes = dict(SHAPES)
    for digit, odd in ODD_SHAPES.items():
        if rng.random() < 0.3:
            shapes[digit] = odd
    whole = rng.random() < 0.4
    names = [f"{place}{segment}" for place in range(meter.digits) for segment in "abcdefg"]
    names += ["minus", *(f"p{decimals}" for decimals in sorted({d for _, d in meter.ranges if d}))]
    signs = {unit: [unit] if whole else _split(unit) for unit, _ in meter.ranges}
    names += sorted({f"u{sign}" for parts in signs.values() for sign in parts})
    names += [f"f{flag}" for flag in meter.flags]
    n_bytes = (len(names) + 7) // 8 + rng.randint(0, 3)
    places = [(at, bit) for at in range(n_bytes) for bit in range(8)]
    if rng.random() < 0.35:
        # A tidy layout: a byte a digit, its segments in one order.
        order = rng.sample(range(8), 8)
        first = {f"{p}{s}": (p, order[i]) for p in range(meter.digits) for i, s in enumerate("abcdefg")}
        rest = [place for place in places if place not in first.values()]
        rng.shuffle(rest)
        bits = {**first, **dict(zip([n for n in names if n not in first], rest, strict=False))}
    else:
        rng.shuffle(places)
        bits = dict(zip(names, places, strict=False))
    inverted = bytes(rng.randrange(256) if rng.random() < 0.3 else 0 for _ in range(n_bytes))
    meter.notes = {"signs": signs}

    def body(shown: Shown) -> bytes:
        lit: set[str] = set()
        figures = " " * meter.digits
        if shown.overload:
            figures = " 0L"[-meter.digits:].ljust(meter.digits)
        elif not shown.blank:
            figures = meter.figures(shown).rjust(meter.digits)
            decimals = meter.ranges[shown.range][1]
            lit |= {f"p{decimals}"} if decimals else set()
            lit |= {"minus"} if shown.negative else set()
        lit |= {f"{place}{segment}" for place, char in enumerate(figures) for segment in shapes[char]}
        lit |= {f"u{sign}" for sign in signs[meter.unit(shown)]} | {f"f{flag}" for flag in shown.flags}
        out = bytearray(inverted)
        for name in lit:
            at, bit = bits[name]
            out[at] ^= 1 << bit
        return bytes(out)

    return body


def _split(unit: str) -> list[str]:
    if unit[0] in "mkMµn" and unit not in ("mg/L", "min"):
        return [unit[0] + "-", unit[1:]]
    return [unit]


@dataclass
class _Status:
    """The bytes beside the digits: mode or unit and point codes, flags, sign, overload, blank."""

    meter: Blind
    rng: random.Random

    def __post_init__(self) -> None:
        rng, meter = self.rng, self.meter
        self.joint = rng.random() < 0.5
        self.modes = rng.sample(range(256 if rng.random() < 0.5 else 16), len(meter.ranges))
        units = sorted({unit for unit, _ in meter.ranges})
        self.units = dict(zip(units, rng.sample(range(256 if rng.random() < 0.5 else 16), len(units)), strict=True))
        self.points = dict(zip(range(6), rng.sample(range(16), 6), strict=True))
        if rng.random() < 0.5:
            self.points = {decimals: decimals for decimals in range(6)}
        names = [*meter.flags, "minus", "overload", "blank"]
        bits = [(at, bit) for at in range(2) for bit in range(8)]
        rng.shuffle(bits)
        self.bits = dict(zip(names, bits, strict=False))

    def bytes_of(self, shown: Shown, *, minus: bool = True) -> bytes:
        unit, decimals = self.meter.ranges[shown.range]
        codes = [self.modes[shown.range]] if self.joint else [self.units[unit], self.points[decimals]]
        status = bytearray(2)
        on = set(shown.flags) | ({"overload"} if shown.overload else set()) | ({"blank"} if shown.blank else set())
        on |= {"minus"} if minus and shown.negative else set()
        for name in on:
            at, bit = self.bits[name]
            status[at] |= 1 << bit
        return bytes(codes) + bytes(status)


def _order(rng: random.Random, a: bytes, b: bytes, first: bool) -> bytes:
    return a + b if first else b + a


def _text(meter: Blind, rng: random.Random) -> Callable[[Shown], bytes]:
    status = _Status(meter, rng)
    first, left, with_point = rng.random() < 0.5, rng.random() < 0.3, rng.random() < 0.6
    inline = rng.random() < 0.6
    width = meter.digits + 2

    def body(shown: Shown) -> bytes:
        text = meter.text(shown)
        if not with_point:
            text = text.replace(".", "")
        sign = b""
        if not inline:
            sign = b"-" if text.startswith("-") else b"+"
            text = text.removeprefix("-")
        padded = text.ljust(width) if left else text.rjust(width)
        parts = sign + padded.encode("ascii")
        return _order(rng, parts, status.bytes_of(shown, minus=False), first)

    return body


def _bcd(meter: Blind, rng: random.Random) -> Callable[[Shown], bytes]:
    status = _Status(meter, rng)
    first, packed, low_first, down = (rng.random() < 0.5 for _ in range(4))
    blank_code = rng.choice((None, 15, 10))

    def body(shown: Shown) -> bytes:
        figures = "" if shown.blank or shown.overload else meter.figures(shown)
        codes = [int(c) for c in figures]
        lead = blank_code if blank_code is not None and meter.zeros != "shown" else 0
        codes = [lead] * (meter.digits - len(codes)) + codes
        if packed:
            codes = [lead] * (len(codes) % 2) + codes
            pairs = [(codes[i], codes[i + 1]) for i in range(0, len(codes), 2)]
            data = bytes((b << 4 | a) if low_first else (a << 4 | b) for a, b in pairs)
        else:
            data = bytes(codes)
        return _order(rng, data[::-1] if down else data, status.bytes_of(shown), first)

    return body


def _integer(meter: Blind, rng: random.Random) -> Callable[[Shown], bytes]:
    status = _Status(meter, rng)
    first = rng.random() < 0.5
    least = 3 if meter.digits == 5 else 2
    width = rng.choice([w for w in (2, 3, 4) if w >= least])
    order = rng.choice(("little", "big"))
    form = rng.choice(("twos", "sign bit", "offset"))
    offset = rng.choice((1 << (8 * width - 1), 100000 if width > 2 else 20000))

    def body(shown: Shown) -> bytes:
        number = -shown.count if shown.negative else shown.count
        if shown.overload or shown.blank:
            number = 0
        if form == "twos":
            data = (number % (1 << 8 * width)).to_bytes(width, order)
        elif form == "offset":
            data = ((number + offset) % (1 << 8 * width)).to_bytes(width, order)
        else:
            data = abs(number).to_bytes(width, order)
        return _order(rng, data, status.bytes_of(shown, minus=form == "sign bit"), first)

    meter.notes = {"form": form, "width": width, "order": order, "offset": offset}
    return body


def _float(meter: Blind, rng: random.Random) -> Callable[[Shown], bytes]:
    status = _Status(meter, rng)
    first, order = rng.random() < 0.5, rng.choice("<>")

    def body(shown: Shown) -> bytes:
        decimals = meter.ranges[shown.range][1]
        number = float(f"{'-' if shown.negative else ''}{shown.count}e-{decimals}")
        if shown.overload:
            number = float("nan")
        data = struct.pack(order + "f", 0.0 if shown.blank else number)
        return _order(rng, data, status.bytes_of(shown, minus=False), first)

    return body


def _table(meter: Blind, rng: random.Random) -> Callable[[Shown], bytes]:
    status = _Status(meter, rng)
    first, shared = rng.random() < 0.5, rng.random() < 0.5
    size = 256 if rng.random() < 0.7 else 16
    tables = [dict(zip("0123456789 ", rng.sample(range(size), 11), strict=True)) for _ in range(meter.digits)]
    if shared:
        tables = [tables[0]] * meter.digits

    def body(shown: Shown) -> bytes:
        figures = ("" if shown.blank or shown.overload else meter.figures(shown)).rjust(meter.digits)
        data = bytes(table[c] for table, c in zip(tables, figures, strict=True))
        return _order(rng, data, status.bytes_of(shown), first)

    return body


@dataclass(frozen=True)
class Session:
    """Frames with their times and what was shown, and label rows (start_s, end_s, display, unit, flags)."""

    t_s: list[float]
    frames: list[bytes]
    shown: list[Shown]
    labels: list[tuple[float, float, str, str, str]]
    wrong_rows: list[int]
    offset_s: float


def play(meter: Blind, readings: list[Shown], rng: random.Random, *, offset_s: float | None = None,
         wrong: int = 0) -> Session:
    """Show readings one after the other; a label is written for each."""
    offset_s = rng.uniform(-3, 3) if offset_s is None else offset_s
    t_s, frames, shown, labels = [], [], [], []
    at, now, number = rng.uniform(0, 0.3), 0.0, rng.randrange(256)
    bad = sorted(rng.sample(range(len(readings)), wrong)) if wrong else []
    for i, reading in enumerate(readings):
        end = now + rng.uniform(1.6, 3.0)
        while at < end:
            t_s.append(at)
            frames.append(meter.frame(reading, number))
            shown.append(reading)
            at += meter.period_s * rng.uniform(0.98, 1.02)
            number += 1
        text = meter.text(reading)
        if i in bad:
            other = text
            while other == text:
                other = meter.text(meter.some(rng))
            text = other
        labels.append((now + offset_s + rng.uniform(-0.25, 0.25), end + offset_s + rng.uniform(-0.25, 0.25), text,
                       meter.unit(reading), " ".join(sorted(reading.flags))))
        now = end
    return Session(t_s, frames, shown, labels, [i + 1 for i in bad], offset_s)


def everything(meter: Blind, rng: random.Random) -> list[Shown]:
    """Draw readings that settle everything: all digits in all places, ranges, flags, sign, overload, blank."""
    out: list[Shown] = []
    for at in range(len(meter.ranges)):
        for _ in range(4):
            reading = meter.some(rng)
            out.append(Shown(at, min(reading.count, meter.greatest[at]), reading.negative, reading.flags))
        out.append(Shown(at, 0, overload=True, flags=frozenset(rng.sample(meter.flags, 1))))
        out.append(Shown(at, 0, blank=True))
    for _ in range(3 if meter.family != "table" else 5):
        for digit in range(10):
            figures = [str((digit * (3 if place % 2 else 1) + place * 2) % 10) for place in range(meter.digits)]
            rng.shuffle(figures)
            count = int("".join(figures))
            at = rng.randrange(len(meter.ranges))
            top = meter.greatest[at]
            if count > top:
                lead = rng.randint(0, top // 10 ** (meter.digits - 1))
                count = min(int(str(lead) + "".join(figures[1:])), top)
            some = meter.some(rng)
            out.append(Shown(at, count, meter.can_negative and count > 0 and rng.random() < 0.4, some.flags))
    for flag in meter.flags:
        out.append(Shown(rng.randrange(len(meter.ranges)), out[-1].count, flags=frozenset([flag])))
    # Every digit that each place can show, beside others than its neighbours had; every number of places, in each range.
    for place in range(meter.digits):
        for digit in range(10):
            at = rng.randrange(len(meter.ranges))
            unit = 10 ** (meter.digits - 1 - place)
            lead = rng.randint(0, (meter.greatest[at] + 1) // (10 * unit) - 1) if 10 * unit <= meter.greatest[at] else 0
            count = (lead * 10 + digit) * unit + rng.randrange(unit)
            if count <= meter.greatest[at]:
                out.append(Shown(at, count, flags=meter.some(rng).flags))
    for at in range(len(meter.ranges)):
        out += [Shown(at, rng.randint(10 ** (size - 1), min(10 ** size - 1, meter.greatest[at])))
                for size in range(1, meter.digits + 1)]
    rng.shuffle(out)
    return out
