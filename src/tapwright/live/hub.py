"""One instrument's hub: readings come in, everything that shows, keeps or sends them hears of it at once.

Listeners are called in turn, on the event loop, and must not wait: a slow consumer has a bounded `Outbox` of its own
that drops and counts. The hub holds what a page needs on opening: the newest readings, the trend, figures, settled
rows, markers and the state of the link. All of it is bounded.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import secrets
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from tapwright.core.reading import Status
from tapwright.live.clock import Clock, SystemClock
from tapwright.live.figures import Statistics
from tapwright.live.framer import Framed
from tapwright.live.link import Link, LinkState, Period
from tapwright.live.moment import Moment, Session
from tapwright.live.settled import Settled, Settling
from tapwright.live.trend import Trend

NEWEST_HELD = 600
MARKERS_HELD = 500

EventKind = Literal["reading", "link", "settled", "marker", "recording", "recorded"]
Listener = Callable[[EventKind, object], None]


@dataclass(frozen=True, kw_only=True)
class Marker:
    """A note typed while watching; `t_s` and `session` are None where no session runs."""

    t: float
    t_s: float | None
    text: str
    session: str | None
    instrument: str

    def document(self) -> dict[str, object]:
        """Return it as the API's marker."""
        return {"t": self.t, "t_s": self.t_s, "text": self.text, "session": self.session,
                "instrument": self.instrument}


class Hub:
    """Fans one instrument's readings out.

    Parameters
    ----------
    name : the instrument's name in addresses and recordings
    source : the source's URL as given
    clock : both clocks
    new_session_after_s : a silence of this length means that the instrument was switched off
    """

    def __init__(self, name: str, source: str = "", *, clock: Clock | None = None,
                 new_session_after_s: float = 30.0) -> None:
        self.name = name
        self.clock: Clock = clock or SystemClock()
        self.new_session_after_s = new_session_after_s
        self.newest: deque[Moment] = deque(maxlen=NEWEST_HELD)
        self.markers: deque[Marker] = deque(maxlen=MARKERS_HELD)
        self.trend = Trend()
        self.figures = Statistics(self.clock.wall())
        self.settling = Settling()
        self.received: dict[Status, int] = dict.fromkeys(Status, 0)
        self.session: Session | None = None
        self.link = Link(instrument=name, source=source, state=LinkState.WAITING, text="starting",
                         waits_for="the source to open", since=self.clock.wall())
        self.heard = asyncio.Event()
        self._period = Period()
        self._listeners: list[Listener] = []
        self._last_mono_s: float | None = None
        self._trend_t = 0.0

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Call `listener` with every event from now on; return what ends that."""
        self._listeners.append(listener)

        def leave() -> None:
            with contextlib.suppress(ValueError):
                self._listeners.remove(listener)
        return leave

    def announce(self, kind: EventKind, event: object) -> None:
        """Tell every listener."""
        for listener in tuple(self._listeners):
            listener(kind, event)

    # Readings

    def publish(self, framed: Framed) -> Moment:
        """Take one frame's reading; all listeners have it when this returns."""
        mono_s = framed.mono_s
        t = self.clock.wall() - (self.clock.mono() - mono_s)
        gap_s = self._gap_before(mono_s)
        if self.session is None or (gap_s is not None and gap_s >= self.new_session_after_s):
            self.session = Session(ident=_session_id(t, self.name), instrument=self.name, started=t, mono_s=mono_s)
        moment = Moment(reading=framed.reading, session=self.session, t=t, mono_s=mono_s, gap_s=gap_s,
                        note=framed.note)
        self._last_mono_s = mono_s
        self.newest.append(moment)
        if self.link.state is not LinkState.RECEIVING:
            self.set_link(LinkState.RECEIVING, "frames arrive", last_t=t)
        self.announce("reading", moment)
        self._count(moment)
        settled = self.settling.add(moment)
        if settled is not None:
            self.announce("settled", settled)
        self.heard.set()
        return moment

    def since(self, seq: int) -> list[Moment]:
        """Return the held readings after a number, oldest first."""
        return [moment for moment in self.newest if moment.seq > seq]

    @property
    def last(self) -> Moment | None:
        """The newest reading, None before the first."""
        return self.newest[-1] if self.newest else None

    @property
    def period_s(self) -> float | None:
        """The usual time between frames, None until known."""
        return self._period.period_s

    def age_s(self) -> float | None:
        """Seconds since the newest reading's last byte, None before the first."""
        return None if self._last_mono_s is None else max(0.0, self.clock.mono() - self._last_mono_s)

    def is_live(self) -> bool:
        """Whether the newest reading may be shown as the present one."""
        age, state = self.age_s(), self.link.state
        return age is not None and state is LinkState.RECEIVING and age < self._period.silent_after_s

    def reset_figures(self) -> None:
        """Begin the statistics anew."""
        self.figures = Statistics(self.clock.wall())

    # The link

    def set_link(self, state: LinkState, text: str, *, waits_for: str = "", retry_s: float | None = None,
                 last_t: float | None = None) -> None:
        """Set the state of the link and tell everyone where it changed."""
        before = self.link
        after = replace(before, state=state, text=text, waits_for=waits_for, retry_s=retry_s,
                        period_s=self._period.period_s, last_t=last_t or (self.last.t if self.last else None),
                        since=before.since if before.state is state else self.clock.wall())
        self.link = after
        if (before.state, before.text, before.waits_for, before.retry_s) != (state, text, waits_for, retry_s):
            self.announce("link", after)

    def link_now(self) -> Link:
        """Return the link with its newest period and time."""
        return replace(self.link, period_s=self._period.period_s, last_t=self.last.t if self.last else None)

    def silence_due_s(self) -> float | None:
        """Return seconds until silence is to be said, None where nothing is awaited."""
        if self.link.state is not LinkState.RECEIVING or self._last_mono_s is None:
            return None
        return self._last_mono_s + self._period.silent_after_s - self.clock.mono()

    def check_silence(self) -> bool:
        """Say that the source is silent where it is; return whether it has just become so."""
        due = self.silence_due_s()
        if due is None or due > 0:
            return False
        self.heard.clear()
        self.set_link(LinkState.SILENT, f"no frame for {self._period.silent_after_s:.2g} s, three usual periods",
                      waits_for="the instrument to send: is it on, and its data output enabled?")
        return True

    # Markers

    def mark(self, text: str, t: float | None = None) -> Marker:
        """Keep a note at a moment (Unix seconds; left out: now)."""
        session = self.session
        now, t = self.clock.wall(), self.clock.wall() if t is None else t
        t_s = None if session is None else self.clock.mono() - session.mono_s + (t - now)
        marker = Marker(t=t, t_s=t_s, text=text, session=session.ident if session else None, instrument=self.name)
        self.markers.append(marker)
        self.announce("marker", marker)
        return marker

    def settled_rows(self, limit: int) -> list[Settled]:
        """Return the newest settled rows, oldest first."""
        rows = list(self.settling.rows)
        return rows[-limit:] if limit else []

    def _gap_before(self, mono_s: float) -> float | None:
        if self._last_mono_s is None:
            return None
        interval_s = mono_s - self._last_mono_s
        limit = self._period.silent_after_s
        if interval_s > limit or self.link.state is not LinkState.RECEIVING:
            if interval_s > limit:
                return interval_s
        else:
            before = self._period.period_s
            self._period.add(interval_s)
            if before is None and self._period.period_s is not None:
                # A page keeps a watch of its own on the newest event's age.
                self.link = self.link_now()
                self.announce("link", self.link)
        return None

    def _count(self, moment: Moment) -> None:
        self.figures.add(moment)
        self.received[moment.reading.status] += 1
        if moment.gap_s is not None:
            self.trend.gap()
        reading = moment.reading
        if reading.status is Status.OK and reading.value is not None:
            # The wall clock may be set back; the trend's time never runs backwards.
            self._trend_t = max(self._trend_t, moment.t)
            self.trend.add(self._trend_t, float(reading.value), reading.unit)


class Outbox:
    """A bounded queue between the hub and a slow consumer: the oldest go when it is full, and are counted."""

    def __init__(self, most: int) -> None:
        self._items: deque[object] = deque(maxlen=most)
        self._there = asyncio.Event()
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._items)

    def put(self, item: object) -> None:
        """Add an item; never waits."""
        if len(self._items) == self._items.maxlen:
            self.dropped += 1
        self._items.append(item)
        self._there.set()

    async def next(self) -> object:
        """Wait for the oldest item and return it without taking it; `done` takes it."""
        while not self._items:
            self._there.clear()
            await self._there.wait()
        return self._items[0]

    def done(self, item: object) -> None:
        """Take the item that was dealt with (it may have been dropped meanwhile)."""
        if self._items and self._items[0] is item:
            self._items.popleft()


def slug(name: str) -> str:
    """Return a name as it may stand in an address: letters, digits, `-` and `_`, at most 40."""
    return re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-")[:40] or "instrument"


def _session_id(t: float, name: str) -> str:
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(t))
    # Two benches on one database may start in the same second.
    return f"{stamp}-{slug(name)}-{secrets.token_hex(3)}"
