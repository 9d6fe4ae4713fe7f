"""Ideal serial and clocked waveforms as captures, for tests of meaning; noise and jitter are the simulator's part."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from tapwright.core.capture import Capture, Channel


def bits_of(value: int, data_bits: int, parity: str) -> list[int]:
    """Return a character's bits from the start bit to the last before the stop."""
    data = [value >> k & 1 for k in range(data_bits)]
    extra = {"N": [], "E": [sum(data) % 2], "O": [1 - sum(data) % 2], "M": [1], "S": [0]}[parity]
    return [0, *data, *extra]


class Wire:
    """A line that is written bit by bit; times in seconds, sampled at `rate_hz`."""

    def __init__(self, baud: float, rate_hz: float, *, inverted: bool = False, idle_bits: float = 30) -> None:
        self.bit_s, self.rate_hz, self.inverted = 1 / baud, rate_hz, inverted
        self.t_s, self.level = 0.000_013_7, 1  # not on a sample
        self.edges: list[float] = []
        self.starts: list[float] = []
        self.idle(idle_bits)

    def put(self, level: int, seconds: float) -> None:
        """Hold a level."""
        if level != self.level:
            self.edges.append(self.t_s)
            self.level = level
        self.t_s += seconds

    def idle(self, bits: float) -> None:
        """Rest."""
        self.put(1, bits * self.bit_s)

    def send(self, values: Iterable[int], form: str = "8N1", *, gap_bits: float = 0) -> Wire:
        """Send characters in a form such as 7E1, with extra idle bits after each."""
        data_bits, parity, stop = int(form[0]), form[1], float(form[2:])
        for value in values:
            self.starts.append(self.t_s)
            for level in bits_of(value, data_bits, parity):
                self.put(level, self.bit_s)
            self.idle(stop + gap_bits)
        return self

    def capture(self, name: str = "rx") -> Capture:
        """Return what a logic capture of this line holds."""
        return joined(self.rate_hz, {name: self})


def joined(rate_hz: float, wires: dict[str, Wire]) -> Capture:
    """Return a capture of several lines."""
    end = max(math.ceil((wire.t_s + 20 * wire.bit_s) * rate_hz) for wire in wires.values())
    channels = tuple(
        Channel(name=name, first_level=int(not wire.inverted),
                edge_ticks=np.array([math.ceil(t * rate_hz) for t in wire.edges], np.int64))
        for name, wire in wires.items())
    return Capture(path=Path("capture.bin"), tick_s=1 / Fraction(rate_hz), start_tick=0, end_tick=end,
                   sample_ticks=1, channels=channels)


def levels(rate_hz: float, **channels: Sequence[int]) -> Capture:
    """Return a capture of lines given sample by sample."""
    found = []
    for name, samples in channels.items():
        values = np.asarray(samples)
        found.append(Channel(name=name, first_level=int(values[0]),
                             edge_ticks=(np.flatnonzero(np.diff(values)) + 1).astype(np.int64)))
    return Capture(path=Path("capture.bin"), tick_s=1 / Fraction(rate_hz), start_tick=0,
                   end_tick=max(len(samples) for samples in channels.values()), sample_ticks=1, channels=tuple(found))
