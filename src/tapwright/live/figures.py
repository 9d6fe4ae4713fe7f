"""Smallest, greatest, mean and spread since the last reset, a unit at a time, in memory that does not grow."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from tapwright.core.reading import Status
from tapwright.live.moment import Moment

MOST_UNITS = 50


@dataclass(slots=True)
class Running:
    """Running figures of one unit; mean and sum of squares by Welford's method (Technometrics 4, 1962, 419)."""

    n: int = 0
    low: float = math.inf
    high: float = -math.inf
    low_t: float = 0.0
    high_t: float = 0.0
    mean: float = 0.0
    squares: float = 0.0

    def add(self, t: float, value: float) -> None:
        """Take one value."""
        self.n += 1
        step = value - self.mean
        self.mean += step / self.n
        self.squares += step * (value - self.mean)
        if value < self.low:
            self.low, self.low_t = value, t
        if value > self.high:
            self.high, self.high_t = value, t

    def document(self) -> dict[str, object]:
        """Return the figures; `sd` is the sample standard deviation (n - 1), null for one value."""
        return {"n": self.n, "min": self.low, "max": self.high, "mean": self.mean,
                "sd": math.sqrt(self.squares / (self.n - 1)) if self.n > 1 else None,
                "min_t": self.low_t, "max_t": self.high_t}


@dataclass
class Statistics:
    """Figures of every reading since `since` (Unix seconds); only `ok` readings have values."""

    since: float
    by_status: dict[str, int] = field(default_factory=lambda: {status.value: 0 for status in Status})
    units: dict[str, Running] = field(default_factory=dict)

    def add(self, moment: Moment) -> None:
        """Take one reading."""
        reading = moment.reading
        self.by_status[reading.status.value] += 1
        if reading.status is Status.OK and reading.value is not None:
            if reading.unit not in self.units and len(self.units) >= MOST_UNITS:
                return
            self.units.setdefault(reading.unit, Running()).add(moment.t, float(reading.value))

    def document(self) -> dict[str, object]:
        """Return the figures as `/api/statistics` gives them."""
        return {"since": self.since, "readings": sum(self.by_status.values()), "by_status": dict(self.by_status),
                "units": {unit: running.document() for unit, running in self.units.items()}}
