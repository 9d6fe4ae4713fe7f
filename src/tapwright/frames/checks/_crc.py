"""Cyclic redundancy checks of 8, 16 and 32 bits in the usual parametrised model.

The register is kept most significant bit first whatever `refin` is: reflected input is bytes turned round, reflected
output the whole register turned round at the end, before `xorout`.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Check

TURNED = bytes(int(f"{i:08b}"[::-1], 2) for i in range(256))
TURNED_ARRAY = np.frombuffer(TURNED, np.uint8)


def turn(value: int, width: int) -> int:
    """Return a value of `width` bits with its bits in the other order."""
    return int(f"{value:0{width}b}"[::-1], 2)


@lru_cache(maxsize=256)
def table(poly: int, width: int) -> tuple[int, ...]:
    """Return the register after one byte from an empty one, for each of 256 bytes."""
    top, mask = 1 << (width - 1), (1 << width) - 1
    out = []
    for byte in range(256):
        register = byte << (width - 8)
        for _ in range(8):
            register = (register << 1 ^ poly if register & top else register << 1) & mask
        out.append(register)
    return tuple(out)


@lru_cache(maxsize=256)
def _array_table(poly: int, width: int) -> NDArray[np.int64]:
    return np.array(table(poly, width), np.int64)


def value(span: bytes, check: Check, width: int) -> int:
    """Return the CRC of one span."""
    steps, shift, mask = table(check.poly, width), width - 8, (1 << width) - 1
    register = check.init
    for byte in span.translate(TURNED) if check.refin else span:
        register = (register << 8 & mask) ^ steps[register >> shift ^ byte]
    return (turn(register, width) if check.refout else register) ^ check.xorout


def registers(spans: NDArray[np.uint8], *, poly: int, width: int, init: int, refin: bool) -> NDArray[np.int64]:
    """Return the register after each span, before reflection and `xorout`; uint8 (n, m) -> shape (n,)."""
    steps, shift, mask = _array_table(poly, width), width - 8, (1 << width) - 1
    columns = (TURNED_ARRAY[spans] if refin else spans).astype(np.int64)
    register = np.full(len(spans), init, np.int64)
    for i in range(spans.shape[1]):
        register = (register << 8 & mask) ^ steps[register >> shift ^ columns[:, i]]
    return register


def turned(values_: NDArray[np.int64], width: int) -> NDArray[np.int64]:
    """Return values of `width` bits with their bits in the other order, shape kept."""
    out = np.zeros_like(values_)
    for shift in range(0, width, 8):
        out |= TURNED_ARRAY[values_ >> shift & 0xFF].astype(np.int64) << (width - 8 - shift)
    return out


def values(spans: NDArray[np.uint8], check: Check, width: int) -> NDArray[np.int64]:
    """Return the CRCs of many spans, uint8 of shape (n, m), as shape (n,)."""
    register = registers(spans, poly=check.poly, width=width, init=check.init, refin=check.refin)
    return (turned(register, width) if check.refout else register) ^ check.xorout
