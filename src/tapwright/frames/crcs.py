"""CRCs with all parameters unknown, found by algebra over GF(2).

The difference of two frames of one length is free of start value and final value: message times x**width plus check is
a multiple of the polynomial, so the greatest common divisor of a few differences is the polynomial (or, for a wrong
span, place, order or reflection, almost always 1). Start and final value then follow from linear equations. Frames of
one length never tell the two apart; two lengths do.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tapwright.frames import deep
from tapwright.frames.checks._crc import TURNED, turn
from tapwright.frames.checks._spans import DIGITS, NO_DIGIT
from tapwright.frames.gf2 import common_divisor, remainder
from tapwright.frames.material import Material

DRAWS = 5
DEEP_DRAWS = 1
PAIRS = 24  # differences in a draw: three find, the rest confirm and take out chance factors
SURE = 3
MOST_SPOILT = 0.3  # of the confirming differences, by damaged frames
LONGEST_DEEP = 80  # bytes: beyond, only the usual places are looked at
MOST_COMBINED = 600  # frames
TAIL_LASTS = 4
SHORT = 24  # bytes: up to here a deep search tries every span one by one
Order = Literal["big", "little"]
Encoding = Literal["binary", "hex"]
ENCODINGS: tuple[Encoding, ...] = ("binary", "hex")
WORTH_LOADING = 2000  # tasks times bytes squared, from which on compiled code is worth the time to load it
WIDTHS = (32, 16, 8)  # where a wide and a narrow one fit, the wide one is meant
LEAST_DISTINCT = 4


@dataclass(frozen=True)
class Way:
    """How the check bytes are read: `reflected_in` for the data, `order` and `reflected_out` for the check."""

    width: int
    refin: bool
    refout: bool
    order: Order
    encoding: Encoding

    @property
    def size(self) -> int:
        """Bytes that the check takes in the frame."""
        return self.width // 8 * (2 if self.encoding == "hex" else 1)

    def register(self, sent: bytes) -> int:
        """Return the register (most significant bit first) that these check bytes stand for."""
        value = int.from_bytes(sent, self.order)
        return turn(value, self.width) if self.refout else value


@dataclass(frozen=True)
class Polynomial:
    """A polynomial that divides the differences: `poly` without its top term; places as in `Check`."""

    way: Way
    poly: int
    first: int
    last: int
    at: int


Setting = tuple[int, int, int, Way]  # first, last, at and way


def ways(width: int, encoding: Encoding) -> list[Way]:
    """Return all ways to read a check of a width, the usual ones first."""
    orders: tuple[Order, ...] = ("big", "little") if width > 8 else ("big",)
    return [Way(width, refin, refout, order, encoding) for refin, refout in
            ((False, False), (True, True), (True, False), (False, True)) for order in orders]


@dataclass(frozen=True)
class Differences:
    """Differences of frame pairs of equal length; `plain` and `turned` (bits of each byte reversed)."""

    plain: tuple[bytes, ...]
    turned: tuple[bytes, ...]
    spelled: tuple[bytes, ...]  # exclusive or of the values of hex digits, a digit a byte

    @classmethod
    def of(cls, pairs: list[tuple[bytes, bytes]]) -> Differences:
        """Return the differences of pairs of frames."""
        plain = tuple(_xor(a, b) for a, b in pairs)
        return cls(plain, tuple(row.translate(TURNED) for row in plain),
                   tuple(_xor(a.translate(_DIGIT), b.translate(_DIGIT)) for a, b in pairs))

    def check(self, i: int, at: int, way: Way) -> int:
        """Return the difference of the check's register in pair i."""
        at = at if at >= 0 else len(self.plain[i]) + at
        if way.encoding == "hex":
            digits = self.spelled[i][at:at + way.size]
            return way.register(bytes(digits[k] << 4 | digits[k + 1] for k in range(0, len(digits), 2)))
        return way.register(self.plain[i][at:at + way.size])

    def value(self, i: int, first: int, last: int, check: int, way: Way) -> int:
        """Return the multiple of the polynomial that pair i gives."""
        row = (self.turned if way.refin else self.plain)[i]
        span = row[first:last + 1 if last >= 0 else len(row) + last + 1]
        return int.from_bytes(span, "big") << way.width ^ check


_DIGIT = bytes(int(value) if value != NO_DIGIT else 0 for value in DIGITS)


def _xor(a: bytes, b: bytes) -> bytes:
    return (int.from_bytes(a, "big") ^ int.from_bytes(b, "big")).to_bytes(len(a), "big")


def draws(material: Material) -> Iterator[Differences]:
    """Yield differences of distinct frames of equal length, each time of other frames."""
    usable = [group for group in material.groups if len(group) >= 2]
    if not usable:
        return
    for seed in range(DRAWS):
        rng = np.random.default_rng(seed)
        pairs: list[tuple[bytes, bytes]] = []
        for group in usable:
            order = rng.permutation(len(group))[:PAIRS + 1]
            rows = [group[i].tobytes() for i in order.tolist()]
            pairs += itertools.pairwise(rows)  # a damaged frame spoils two of them, not all
            if len(pairs) >= PAIRS:
                break
        # Pairs of one damaged frame must not stand side by side.
        pairs = [pairs[i] for i in rng.permutation(len(pairs)).tolist()]
        if len(pairs) >= SURE:
            yield Differences.of(pairs[:PAIRS])


def usual_places(material: Material, way_size: int, encoding: str) -> list[int]:
    """Return places of a check worth a first look: the tail, and before bytes at the tail that stand still."""
    return [at for at in places(material, way_size, encoding) if _is_usual(material, at, way_size)]


def _is_usual(material: Material, at: int, size: int) -> bool:
    end = at + size if at < 0 or not material.is_varying else None
    if end is None:
        return False
    rest = range(end, 0) if at < 0 else range(end, material.shortest)
    return all(material.distinct[place] == 1 for place in rest) or len(rest) <= 2


def places(material: Material, size: int, encoding: str) -> list[int]:
    """Return every place that could hold a check of `size` bytes, the tail first."""
    out = []
    for at in material.places:
        top = material.shortest if at >= 0 else 0
        held = range(at, at + size)
        if held.stop > top:
            continue
        if encoding == "hex":
            fits = all(i in material.hex_places for i in held) and any(material.distinct[i] > 2 for i in held)
        else:
            fits = all(material.distinct[i] >= LEAST_DISTINCT for i in held)
        if fits:
            out.append(at)
    from_end = [at for at in out if at < 0]
    return (from_end[::-1] + [at for at in out if at >= 0]) if material.is_varying else out[::-1]


def firsts(material: Material, last: int, at: int, size: int) -> list[int]:
    """Return where a span may begin: bytes that stand still before it make no difference to the polynomial."""
    least = at + size if is_after(last, at) else 0
    top = material.shortest if last < 0 else last + 1
    moving = [i for i in range(least, top) if material.distinct.get(i, 2) > 1]
    return [least, *(i + 1 for i in moving if i + 1 < top)]


def is_after(last: int, at: int) -> bool:
    """Say whether a span that ends at `last` stands behind the check."""
    return last > at if (last < 0) == (at < 0) else last < 0


def search(material: Material, *, deep: bool) -> list[Polynomial]:
    """Return polynomials that divide the differences of a few frames.

    `deep` tries every place and span instead of the usual ones.
    """
    for differences in list(draws(material))[:DEEP_DRAWS if deep else DRAWS]:
        found = list(dict.fromkeys((_deep if deep else _usual)(material, differences)))
        if found:
            return found
    return []


def _usual(material: Material, differences: Differences) -> Iterator[Polynomial]:
    for encoding in ENCODINGS:
        for width in WIDTHS:
            size = width // 8 * (2 if encoding == "hex" else 1)
            tasks = [(begins, last, at) for at in usual_places(material, size, encoding)
                     for last in lasts(material, at, size, deep=False)
                     if (begins := firsts(material, last, at, size)[:6])]
            ways_ = ways(width, encoding)
            # A divisor in plain integers takes time with the square of the length.
            if encoding == "binary" and len(tasks) * len(differences.plain[0]) ** 2 >= WORTH_LOADING:
                hits = _sharing(differences, [(first, last, at) for begins, last, at in tasks for first in begins],
                                width)
                settings = [([first], last, at, way) for begins, last, at in tasks for way in ways_ for first in begins
                            if (first, last, at, way) in hits]
            else:
                settings = [(*task, way) for task in tasks for way in ways_]
            for begins, last, at, way in settings:
                yield from _try(differences, way, begins, last, at)


def _deep(material: Material, differences: Differences) -> Iterator[Polynomial]:
    """Try every place and span; binary checks in compiled code, on frames of the commonest length."""
    n_bytes = len(differences.plain[0])
    if n_bytes > LONGEST_DEEP:
        return
    for width in WIDTHS:
        size = width // 8
        tasks = [(first, last, at) for at in places(material, size, "binary")
                 for last in lasts(material, at, size, deep=True)
                 for first in _first_choice(material, last, at, size, n_bytes)]
        for first, last, at, way in _sharing(differences, tasks, width):
            yield from _try(differences, way, [first], last, at)
    if n_bytes > SHORT and not material.is_varying:
        yield from _cancelling(material, differences)


def _sharing(differences: Differences, tasks: list[tuple[int, int, int]], width: int) -> dict[Setting, None]:
    """Return the settings (first, last, place, way), a way after the other, in which three differences of one length
    share a divisor that could be a polynomial; none where there are no three."""
    n_bytes = len(differences.plain[0])
    same = [i for i, row in enumerate(differences.plain) if len(row) == n_bytes][:SURE]
    if len(same) < SURE or not tasks:
        return {}
    rows = np.array([list(differences.plain[i]) for i in same], np.uint8)
    ats = list(dict.fromkeys(at for _, _, at in tasks))
    place = {at: i for i, at in enumerate(ats)}
    spans = np.array([(first, last if last >= 0 else n_bytes + last, place[at]) for first, last, at in tasks], np.int64)
    back = {tuple(span): task for span, task in zip(spans.tolist(), tasks, strict=True)}
    found: dict[Setting, None] = {}
    for way in ways(width, "binary"):
        checks = np.array([[differences.check(k, at, way) for at in ats] for k in same], np.uint64)
        for hit in deep.shared(rows, checks, spans, width, way.refin).tolist():
            found[*back[tuple(hit)], way] = None
    return found


def _first_choice(material: Material, last: int, at: int, size: int, n_bytes: int) -> list[int]:
    begins = firsts(material, last, at, size)
    return begins if n_bytes <= SHORT else begins[:4]


def _cancelling(material: Material, differences: Differences) -> Iterator[Polynomial]:
    """Try spans that begin anywhere in long frames of one length."""
    group = material.groups[0]
    n_bytes = group.shape[1]
    frames = [int.from_bytes(row.tobytes(), "big") for row in group[:MOST_COMBINED]]
    for last, rows, lead in deep.windows([frame ^ frames[0] for frame in frames[1:]], n_bytes):
        combined = Differences.of([(row.tobytes(), bytes(n_bytes)) for row in rows])
        for width in WIDTHS:
            # A check that was cancelled with the head is no check of what is left.
            ats = [at for at in places(material, width // 8, "binary") if at > lead and last in
                   lasts(material, at, width // 8, deep=True)]
            if not ats:
                continue
            spans = np.array([(0, last, i) for i in range(len(ats))], np.int64)
            for way in ways(width, "binary"):
                checks = np.array([[combined.check(k, at, way) for at in ats] for k in range(len(rows))], np.uint64)
                for _, _, i in deep.shared(rows, checks, spans, width, way.refin).tolist():
                    at = ats[i]
                    yield from _try(differences, way, firsts(material, last, at, way.size), last, at)


def lasts(material: Material, at: int, size: int, *, deep: bool) -> list[int]:
    """Return where a span may end, for a check at a place."""
    before = [at - back for back in (1, 2, 3) if (-material.shortest <= at - back if at < 0 else at >= back)]
    if not deep:
        return before
    least = material.shortest
    ends = range(-1, -least - 1, -1) if material.is_varying else range(least - 1, -1, -1)
    if least > SHORT:
        # Long frames: right before the check, or at the frame's end for a check in its head.
        ends = ends[:TAIL_LASTS]
    if at < 0:
        # Behind a check that counts from the end only places from the end would follow: makers put nothing there.
        return list(dict.fromkeys(i for i in [*before, *ends] if -least <= i < at))
    return list(dict.fromkeys([*before, *(i for i in ends if not at <= i < at + size)]))


def _try(differences: Differences, way: Way, begins: Iterable[int], last: int, at: int) -> Iterator[Polynomial]:
    n = len(differences.plain)
    checks = [differences.check(i, at, way) for i in range(SURE)]
    for first in begins:
        divisor = 0
        for i in range(SURE):
            value = differences.value(i, first, last, checks[i], way)
            divisor = common_divisor(value, divisor, way.width) if divisor else value
            if i and divisor.bit_length() <= way.width:
                break
        if divisor.bit_length() <= way.width:
            continue
        spoilt = 0
        for i in range(SURE, n):
            value = differences.value(i, first, last, differences.check(i, at, way), way)
            narrower = common_divisor(value, divisor, way.width)
            if narrower.bit_length() <= way.width:
                spoilt += 1
                if spoilt > MOST_SPOILT * n:
                    break
            else:
                divisor = narrower
        if divisor >> way.width == 1 and spoilt <= MOST_SPOILT * n and not is_copy(divisor, way.width):
            yield Polynomial(way, divisor ^ 1 << way.width, first, last, at)


def is_copy(divisor: int, width: int) -> bool:
    """Say whether the relation is only that bytes are repeated: x**width + 1 divides, or x**width does."""
    return remainder(divisor, 1 << width | 1) == 0 or remainder(divisor, 1 << width) == 0


def n_settings(material: Material, *, deep: bool) -> int:
    """Return how many settings a search tries: what it finds must beat chance that many times over."""
    n = 0
    for encoding in ENCODINGS:
        for width in WIDTHS:
            size = width // 8 * (2 if encoding == "hex" else 1)
            for at in places(material, size, encoding) if deep else usual_places(material, size, encoding):
                n += sum(len(firsts(material, last, at, size)) for last in lasts(material, at, size, deep=deep)) \
                    * len(ways(width, encoding))
    return n
