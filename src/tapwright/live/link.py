"""The state of the way to an instrument, in words that tell its user what to do."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from enum import StrEnum
from statistics import median

#: A source is silent after three missed periods; before a period is known, after this long.
PERIODS_MISSED = 3
SILENT_UNKNOWN_S = 3.0
#: No shorter than a radio's usual hiccup, or the page would flicker.
SILENT_AT_LEAST_S = 0.25
SAME_PACKET_S = 0.001


class LinkState(StrEnum):
    """Where the link stands; see docs/reference/serve.md."""

    WAITING = "waiting"
    OPEN = "open"
    RECEIVING = "receiving"
    SILENT = "silent"
    LOST = "lost"
    ENDED = "ended"


@dataclass(frozen=True, kw_only=True)
class Link:
    """The link's state as clients get it.

    Parameters
    ----------
    instrument, source : names as given
    state : see `LinkState`
    text : what is the matter, for people
    waits_for : what would help
    since : Unix seconds at which the state began
    retry_s : seconds to the next attempt, None where none is due
    period_s : usual time between frames, None until known
    last_t : Unix seconds of the newest frame
    """

    instrument: str
    source: str
    state: LinkState
    text: str = ""
    waits_for: str = ""
    since: float = 0.0
    retry_s: float | None = None
    period_s: float | None = None
    last_t: float | None = None

    def document(self) -> dict[str, object]:
        """Return it as the API's `link`."""
        return {"instrument": self.instrument, "source": self.source, "state": self.state.value, "text": self.text,
                "waits_for": self.waits_for, "since": self.since, "retry_s": self.retry_s,
                "period_s": None if self.period_s is None else round(self.period_s, 4), "last_t": self.last_t}


@dataclass
class Period:
    """The usual time between frames: the median of the last 31 intervals."""

    intervals: deque[float] = field(default_factory=lambda: deque(maxlen=31))
    _known: float | None = None

    def add(self, interval_s: float) -> None:
        """Take one interval between two frames of an unbroken link; frames of one packet have none."""
        if interval_s < SAME_PACKET_S:
            return
        self.intervals.append(interval_s)
        self._known = median(self.intervals)

    @property
    def period_s(self) -> float | None:
        """The usual interval, None before three were seen."""
        return self._known if len(self.intervals) >= 3 else None

    @property
    def silent_after_s(self) -> float:
        """How long without a frame is silence."""
        period = self.period_s
        return SILENT_UNKNOWN_S if period is None else max(PERIODS_MISSED * period, SILENT_AT_LEAST_S)
