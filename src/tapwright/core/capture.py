"""A logic capture as edges: per channel a first level and the ticks at which the level changes.

Ticks are integers; a tick's length is an exact fraction of a second. Seconds appear only at the borders. Everything
after reading costs in proportion to edges, whatever the number of samples.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapwright.core.errors import UsageError

UNKNOWN = -1


@dataclass(frozen=True, kw_only=True)
class Channel:
    """One line of a capture.

    Parameters
    ----------
    name : full dotted path in a .vcd, heading in a .csv, bit number in a .bin
    first_level : 0 or 1: the level before the first edge
    edge_ticks : int64, shape (n_edges,), strictly increasing; the level flips at each
    unknown_ticks : int64, shape (n_stretches, 2), [start, end) of stretches of x or z; the level inside means nothing
    width : bits of the vector that this is a bit of, 1 for a plain line
    note : what is odd about the channel, for people
    analogue : True for a column of volts that is not two levels: it has no edges
    """

    name: str
    first_level: int
    edge_ticks: NDArray[np.int64]
    unknown_ticks: NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 2), np.int64))
    width: int = 1
    note: str = ""
    analogue: bool = False

    def level_at(self, ticks: NDArray[np.int64]) -> NDArray[np.int8]:
        """Return the levels at given ticks (an edge belongs to the level it starts), shape as `ticks`, -1 unknown."""
        flips = np.searchsorted(self.edge_ticks, ticks, side="right")
        levels = ((flips + self.first_level) & 1).astype(np.int8)
        if len(self.unknown_ticks):
            i = np.searchsorted(self.unknown_ticks[:, 0], ticks, side="right") - 1
            inside = (i >= 0) & (ticks < self.unknown_ticks[np.maximum(i, 0), 1])
            levels[inside] = UNKNOWN
        return levels


@dataclass(frozen=True, kw_only=True)
class Capture:
    """Channels over one stretch of time.

    Parameters
    ----------
    path : the file, its name is what labels call the capture
    tick_s : exact length of a tick in seconds
    start_tick, end_tick : the first and the last tick for which levels are known
    sample_ticks : ticks between two samples (1 for packed samples; more where volts were interpolated); 0 where the
        file gives exact event times (a simulator's)
    channels : in the file's order
    notes : what the reader left out or found odd, for people
    """

    path: Path
    tick_s: Fraction
    start_tick: int
    end_tick: int
    sample_ticks: int
    channels: tuple[Channel, ...]
    notes: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the capture."""
        return float((self.end_tick - self.start_tick) * self.tick_s)

    def seconds(self, ticks: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return ticks as seconds of the file's own clock, shape as `ticks`."""
        numerator, denominator = self.tick_s.numerator, self.tick_s.denominator
        # One rounding only: int64 / int is exact up to 2**53 ticks.
        return np.asarray(ticks, np.float64) * numerator / denominator

    def channel(self, name: str) -> Channel:
        """Return a channel by its full name or by the last part of a dotted one.

        Raises
        ------
        UsageError : no such channel, or the last part fits several
        """
        exact = [channel for channel in self.channels if channel.name == name]
        fits = exact or [channel for channel in self.channels if channel.name.rpartition(".")[2] == name]
        # A net that runs through several scopes of a dump has a name in each: they are one line.
        if fits and all(channel.edge_ticks is fits[0].edge_ticks for channel in fits):
            return fits[0]
        names = ", ".join(channel.name for channel in (fits or self.channels)[:20])
        raise UsageError(
            f"{'several channels are' if fits else 'no channel is'} called '{name}'", path=self.path,
            expected=f"one of {names}", do="give the full dotted name" if fits else "",
        )
