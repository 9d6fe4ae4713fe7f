"""Readings that came to rest: one row for each stretch in which the display stayed put.

A reading is settled when the last readings, 1.5 s and five of them at least, stay within three counts of their median
in one unit; a count is the last place shown. Source: common practice of bench work, no published figure.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from decimal import Decimal
from statistics import median

from tapwright.core.reading import Status
from tapwright.live.moment import Moment
from tapwright.live.preferred import nearest_shown

SETTLE_S = 1.5
FEWEST = 5
COUNTS = 3
MOST_HELD = 64


@dataclass(slots=True)
class Settled:
    """One stretch at rest; it grows while the reading stays there."""

    first: Moment
    last: Moment
    median: Decimal
    low: Decimal
    high: Decimal
    n: int

    def document(self) -> dict[str, object]:
        """Return the row of `/api/settled`."""
        unit = self.last.reading.unit
        preferred = nearest_shown(float(self.median), unit)
        row: dict[str, object] = {
            "t": self.first.t, "t_end": self.last.t, "seq": self.last.seq, "display": self.last.reading.display,
            "value": float(self.last.reading.value or 0), "unit": unit, "flags": self.last.reading.flags,
            "median": float(self.median), "spread": float(self.high - self.low), "n": self.n,
        }
        if preferred is not None:
            row["preferred"] = {"series": preferred.series, "value": preferred.value, "text": preferred.text,
                                "deviation_percent": preferred.deviation_percent}
        return row


@dataclass
class Settling:
    """Watches readings; `add` returns a row at the moment a reading has settled."""

    window: deque[Moment] = field(default_factory=lambda: deque(maxlen=MOST_HELD))
    current: Settled | None = None
    rows: deque[Settled] = field(default_factory=lambda: deque(maxlen=1000))

    def add(self, moment: Moment) -> Settled | None:
        """Take one reading; return the new row where it has just settled."""
        value = moment.reading.value
        if moment.reading.status is not Status.OK or value is None or moment.gap_s is not None:
            self._forget()
            if moment.reading.status is not Status.OK or value is None:
                return None
        if self.window and self.window[-1].reading.unit != moment.reading.unit:
            self._forget()
        if self.current is not None and value is not None:
            if abs(value - self.current.median) <= COUNTS * _count(value):
                current = self.current
                current.last, current.n = moment, current.n + 1
                current.low, current.high = min(current.low, value), max(current.high, value)
                return None
            self._forget()
        self.window.append(moment)
        return self._settles()

    def _settles(self) -> Settled | None:
        newest = self.window[-1]
        recent = [m for m in self.window if m.mono_s >= newest.mono_s - SETTLE_S * 1.0001]
        # The window must span the time, so the reading just before it must be held as well.
        spans = newest.mono_s - self.window[0].mono_s >= SETTLE_S or len(self.window) == MOST_HELD
        recent = recent if len(recent) >= FEWEST else list(self.window)[-FEWEST:]
        if not spans or len(recent) < FEWEST:
            return None
        values = [m.reading.value for m in recent if m.reading.value is not None]
        middle = median(values)
        if max(abs(value - middle) for value in values) > COUNTS * _count(values[-1]):
            return None
        self.current = Settled(recent[0], newest, middle, min(values), max(values), len(values))
        self.rows.append(self.current)
        return self.current

    def _forget(self) -> None:
        self.current = None
        self.window.clear()


def _count(value: Decimal) -> Decimal:
    exponent = value.as_tuple().exponent
    return Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0)
