"""Start value, final value and span of a CRC whose polynomial is known, and the settings that stay equal.

With one frame length, a start value and a final value that trade against each other cannot be told apart: all pairs
that give the same constant are one class. With two lengths or more the start value follows from linear equations.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check
from tapwright.frames.apply import stored
from tapwright.frames.catalogue import KNOWN, unlikeliness
from tapwright.frames.checks._crc import registers, turn, turned
from tapwright.frames.crcs import Polynomial, is_after
from tapwright.frames.gf2 import power_of_x, remainder, solve
from tapwright.frames.material import Material

LOOKED_AT = 300  # frames for finding where the span begins
MOST_KERNEL = 4  # free bits of the start value of which all solutions are listed


@dataclass(frozen=True)
class Constant:
    """What is left of one length's frames when the message is taken out: start and final value together."""

    n_bytes: int  # of the span
    value: int
    n_agree: int
    n: int


def settle(material: Material, found: Polynomial) -> list[Check]:
    """Return all settings, the likeliest first, that hold in the frames in which `found` does; may be empty."""
    out: dict[Check, int] = {}
    for first in _begins(material, found):
        constants = [_constant(group, found, first) for group in material.groups]
        for init, final in _pairs(found, [c for c in constants if c is not None]):
            out.setdefault(_check(found, first, init, final),
                           _rank(found, init, final))
    return sorted(out, key=lambda check: (out[check], check.first))


def _rank(found: Polynomial, init: int, final: int) -> int:
    way = found.way
    return unlikeliness(way.width, found.poly, init, way.refin, way.refout, _xorout(found, final))


def _xorout(found: Polynomial, final: int) -> int:
    return turn(final, found.way.width) if found.way.refout else final


def _check(found: Polynomial, first: int, init: int, final: int) -> Check:
    way = found.way
    return Check(kind=f"crc{way.width}", first=first, last=found.last, at=found.at,
                 order=way.order, encoding=way.encoding,
                 poly=found.poly, init=init, refin=way.refin, refout=way.refout, xorout=_xorout(found, final))


def _begins(material: Material, found: Polynomial) -> list[int]:
    """Return every first byte with which the polynomial holds: those that stand still may be in or out."""
    least = found.at + found.way.size if is_after(found.last, found.at) else 0
    top = material.shortest if found.last < 0 else found.last + 1
    group = material.groups[0][:LOOKED_AT]
    good = []
    for first in range(least, top):
        if first == found.first or (
                all(material.distinct[i] == 1 for i in range(min(first, found.first), max(first, found.first)))):
            constant = _constant(group, found, first)
            if constant is not None and constant.n_agree > 0.5 * constant.n:
                good.append(first)
    return good


def _constant(group: NDArray[np.uint8], found: Polynomial, first: int) -> Constant | None:
    """Return the usual remainder of one group's frames."""
    n_bytes = group.shape[1]
    last = found.last if found.last >= 0 else n_bytes + found.last
    if last < first:
        return None
    values = remainders(group, found, first)
    value, count = Counter(values.tolist()).most_common(1)[0]
    return Constant(last - first + 1, value, count, len(values))


def remainders(group: NDArray[np.uint8], found: Polynomial, first: int) -> NDArray[np.int64]:
    """Return register from an empty start, exclusive or the check as sent, for each frame; -1 where it is no hex."""
    way, n_bytes = found.way, group.shape[1]
    last, at = (p if p >= 0 else n_bytes + p for p in (found.last, found.at))
    register = registers(group[:, first:last + 1], poly=found.poly, width=way.width, init=0, refin=way.refin)
    sent, good = stored(group[:, at:at + way.size], _check(found, first, 0, 0))
    if way.refout:
        sent = turned(sent, way.width)
    return np.where(good, register ^ sent, -1)


def _pairs(found: Polynomial, constants: Sequence[Constant]) -> Iterator[tuple[int, int]]:
    """Yield (init, final) that give every length's constant; of a large class the plain ones."""
    width = found.way.width
    ones = (1 << width) - 1
    sure = [c for c in constants if c.n_agree >= 2] or list(constants)
    if not sure:
        return
    modulus = found.poly | 1 << width
    base = sure[0]
    columns = _zeros_after(modulus, width, base.n_bytes)
    known = {entry[1] for entry in KNOWN[width] if entry[0] == found.poly}
    if len({c.n_bytes for c in sure}) == 1:
        for init in (0, ones, *sorted(known - {0, ones})):
            yield init, base.value ^ _apply(columns, init)
        for final in (0, ones):
            solved = solve(columns, base.value ^ final)
            if solved is not None:
                yield solved[0], final
        return
    # Lengths side by side: the final value cancels, the start value is left.
    stacked = [0] * width
    target, shift = 0, 0
    for other in sure[1:]:
        further = _zeros_after(modulus, width, other.n_bytes)
        stacked = [have | (a ^ b) << shift for have, a, b in zip(stacked, columns, further, strict=True)]
        target |= (other.value ^ base.value) << shift
        shift += width
    solved = solve(stacked, target)
    if solved is None:
        return
    init, kernel = solved
    if len(kernel) <= MOST_KERNEL:
        for pick in range(1 << len(kernel)):
            here = init
            for i, vector in enumerate(kernel):
                if pick >> i & 1:
                    here ^= vector
            yield here, base.value ^ _apply(columns, here)
        return
    for here in (0, ones, *sorted(known - {0, ones}), init):
        if _apply(stacked, here) == target:
            yield here, base.value ^ _apply(columns, here)


def _zeros_after(modulus: int, width: int, n_bytes: int) -> list[int]:
    """Return, for each bit of a start value, the register after `n_bytes` zero bytes."""
    value = power_of_x(8 * n_bytes, modulus)
    out = []
    for _ in range(width):
        out.append(value)
        value = remainder(value << 1, modulus)
    return out


def _apply(columns: Sequence[int], init: int) -> int:
    out = 0
    for i, column in enumerate(columns):
        if init >> i & 1:
            out ^= column
    return out
