"""The two clocks of live readings: one that never jumps, for intervals, and the wall's, for people."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Both clocks, handed in so that tests can run a day in seconds."""

    def mono(self) -> float:
        """Return seconds of a clock that never jumps; its zero means nothing."""

    def wall(self) -> float:
        """Return Unix seconds."""


class SystemClock:
    """The machine's clocks."""

    def mono(self) -> float:
        """Return seconds of the machine's monotonic clock."""
        return time.monotonic()

    def wall(self) -> float:
        """Return Unix seconds; jumps when the machine's time is set."""
        return time.time()
