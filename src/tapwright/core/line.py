"""Settings of a serial line, and the bytes read off it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Parity = Literal["none", "even", "odd", "mark", "space"]
BitOrder = Literal["lsb first", "msb first"]


@dataclass(frozen=True, kw_only=True)
class AsyncSettings:
    """An asynchronous line.

    Parameters
    ----------
    baud : bits a second (the nearest usual rate, else the measured one)
    data_bits : 5 to 9
    stop_bits : 1, 1.5 or 2
    inverted : True where the line idles low
    measured_baud : what was measured; None in a hand-written description
    """

    baud: float
    data_bits: int = 8
    parity: Parity = "none"
    stop_bits: float = 1
    inverted: bool = False
    bit_order: BitOrder = "lsb first"
    measured_baud: float | None = None

    @property
    def bits_per_character(self) -> float:
        """Start bit, data, parity and stops."""
        return 1 + self.data_bits + (self.parity != "none") + self.stop_bits

    @property
    def character_s(self) -> float:
        """Length of one character in seconds."""
        return self.bits_per_character / (self.measured_baud or self.baud)

    @property
    def name(self) -> str:
        """The trade's short form: `9600 8N1`, with `inverted` behind where it is."""
        stops = f"{self.stop_bits:g}"
        return (f"{self.baud:g} {self.data_bits}{self.parity[0].upper()}{stops}"
                f"{' inverted' if self.inverted else ''}")


@dataclass(frozen=True, kw_only=True)
class ClockedSettings:
    """A clock with a data line; `edge` is the clock edge at which data is read, `select` a third line or empty."""

    clock: str
    data: str
    edge: Literal["rising", "falling"]
    bits_per_word: int
    bit_order: BitOrder = "msb first"
    select: str = ""


LineSettings = AsyncSettings | ClockedSettings


class ByteError(IntEnum):
    """What is wrong with one received byte; the names are those of the `error` column."""

    NONE = 0
    FRAMING = 1
    PARITY = 2
    BROKEN = 3  # cut by the capture's end or by an unknown stretch


@dataclass(frozen=True, kw_only=True)
class LineBytes:
    """Bytes (or words) of one channel, in time order.

    Parameters
    ----------
    channel : the channel's name
    t_s : float64, shape (n,), seconds of each first (start) edge
    values : uint64, shape (n,), the data bits alone
    errors : uint8, shape (n,), `ByteError`
    bits : data bits a byte (words of a clocked pair may have more than 8)
    character_s : length of one character in seconds, 0 where not known
    """

    channel: str
    t_s: NDArray[np.float64]
    values: NDArray[np.uint64]
    errors: NDArray[np.uint8]
    bits: int = 8
    character_s: float = 0.0

    def __len__(self) -> int:
        return len(self.values)
