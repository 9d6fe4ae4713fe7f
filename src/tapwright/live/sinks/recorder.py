"""Keeps readings in a database; a thread of its own writes, so a slow disk never holds up a reading.

What was told as recorded is committed. While the database cannot be used, readings wait in memory, a bounded number
of them, and are written when it works again.
"""

from __future__ import annotations

import asyncio
import os
import socket
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from tapwright.live.clock import Clock, SystemClock
from tapwright.live.hub import EventKind, Hub, Marker
from tapwright.live.moment import Moment, Session
from tapwright.live.recording_file import refuse_other_file

if TYPE_CHECKING:
    from tapwright.live.store import Note, Store

#: Two hours at ten readings a second wait in memory for a database to come back, about 40 MB.
BACKLOG_MOST = 72_000
BATCH_S = 0.25
BATCH_MOST = 5_000
RETRY_S = 2.0
PRUNE_EVERY_S = 3600.0
DAY_S = 86_400.0

State = Literal["off", "idle", "recording", "paused", "stopped"]


@dataclass(frozen=True, kw_only=True)
class Options:
    """Where to record (a file or a database URL), how long to keep it, and this bench's name among others."""

    where: str
    keep_days: float | None = None
    bench: str = ""


@dataclass(frozen=True, kw_only=True)
class Recorded:
    """Every reading of `instrument` up to `through` is on disk."""

    instrument: str
    session: str
    through: int


class Recorder:
    """Records every hub it is attached to. `start` and `stop` are called on the event loop."""

    def __init__(self, options: Options, hubs: Sequence[Hub], *, clock: Clock | None = None) -> None:
        self.options = options
        self.hubs = {hub.name: hub for hub in hubs}
        self.clock: Clock = clock or SystemClock()
        self.bench = options.bench or socket.gethostname()
        self.state: State = "idle"
        self.text = ""
        self.not_recorded = 0
        self.written = 0
        self.store: Store | None = None
        self._paused = False
        self._lock = threading.Lock()
        self._backlog: deque[Moment] = deque()
        self._notes: deque[tuple[Session | None, Note]] = deque()
        self._pending: list[Moment] = []
        self._counts: dict[str, int] = {}
        self._through: dict[str, Recorded] = {}
        self._wake, self._stop = threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._file_number: int | None = None

    def start(self) -> None:
        """Listen to the hubs and start writing."""
        self._loop = asyncio.get_running_loop()
        for hub in self.hubs.values():
            hub.listen(self.hear)
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    async def stop(self) -> int:
        """Write what waits, once, and end; return how many readings could not be written."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            await asyncio.to_thread(self._thread.join, 10.0)
        with self._lock:
            return len(self._backlog) + len(self._pending)

    def pause(self, paused: bool) -> None:
        """Leave out what comes from now on, or go on."""
        self._paused = paused
        self._become("paused" if paused else "idle", "paused by a user" if paused else "")

    def hear(self, kind: EventKind, event: object) -> None:
        """Take an event of a hub; never waits."""
        if self._paused:
            return
        if kind == "reading" and isinstance(event, Moment):
            with self._lock:
                if len(self._backlog) + len(self._pending) >= BACKLOG_MOST:
                    self._backlog.popleft()
                    self.not_recorded += 1
                self._backlog.append(event)
        elif kind == "marker" and isinstance(event, Marker):
            from tapwright.live.store import Note

            hub = self.hubs[event.instrument]
            with self._lock:
                self._notes.append((hub.session, Note(t=event.t, t_s=event.t_s, text=event.text)))

    def document(self, instrument: str) -> dict[str, object]:
        """Return the API's state of recording for one instrument."""
        through, hub = self._through.get(instrument), self.hubs[instrument]
        with self._lock:
            waiting = len(self._backlog) + len(self._pending)
        return {"state": self.state, "text": self.text, "where": self.store.place if self.store else self.place(),
                "session": hub.session.ident if hub.session else None, "through": through.through if through else None,
                "waiting": waiting, "not_recorded": self.not_recorded}

    # The writing thread

    def _run(self) -> None:
        from tapwright.live.store import Store, StoreTrouble

        store = Store(self.options.where)
        ready, pruned = False, float("-inf")
        while True:
            stopping = self._stop.is_set()
            try:
                if not ready or self._file_is_another():
                    store.close()
                    store.create()
                    self.store, ready = store, True
                    self._file_is_another()
                while self._write(store):
                    pass
                if self.options.keep_days is not None and self.clock.mono() - pruned > PRUNE_EVERY_S:
                    store.prune(self.clock.wall() - self.options.keep_days * DAY_S)
                    pruned = self.clock.mono()
            except StoreTrouble as trouble:
                ready = False
                self._become("stopped", f"recording stopped: {trouble}; readings go on and wait in memory")
            if stopping:
                store.close()
                return
            self._wake.wait(BATCH_S if ready else RETRY_S)

    def _write(self, store: Store) -> bool:
        """Write one batch; return whether more waits."""
        with self._lock:
            while self._backlog and len(self._pending) < BATCH_MOST:
                self._pending.append(self._backlog.popleft())
            batch, notes = self._pending, list(self._notes)
            more = bool(self._backlog)
        if not batch and not notes:
            return False
        counts = dict(self._counts)
        for moment in batch:
            counts[moment.session.ident] = counts.get(moment.session.ident, 0) + 1
        store.write(batch, counts, notes, self.bench)
        with self._lock:
            self._pending = []
            for _ in notes:
                self._notes.popleft()
        # Only sessions that can still grow need their count kept.
        alive = {hub.session.ident for hub in self.hubs.values() if hub.session} | {m.session.ident for m in batch}
        self._counts = {ident: count for ident, count in counts.items() if ident in alive}
        self.written += len(batch)
        if not self._paused:
            self._become("recording", "")
        newest = {moment.session.instrument: moment for moment in batch}
        for name, moment in newest.items():
            self._through[name] = done = Recorded(instrument=name, session=moment.session.ident, through=moment.seq)
            self._tell(name, "recorded", done)
        return more

    def _file_is_another(self) -> bool:
        # Someone may remove or replace the file; writing on into the removed one would lose everything silently.
        if "://" in self.options.where:
            return False
        try:
            number = os.stat(self.options.where).st_ino
        except OSError:
            number = None
        before, self._file_number = self._file_number, number
        return number != before

    def _become(self, state: State, text: str) -> None:
        if (self.state, self.text) == (state, text):
            return
        self.state, self.text = state, text
        for name in self.hubs:
            self._tell(name, "recording", None)

    def _tell(self, name: str, kind: EventKind, event: object) -> None:
        loop, hub = self._loop, self.hubs[name]
        if loop is None or loop.is_closed():
            return
        try:
            loop.call_soon_threadsafe(hub.announce, kind, event)
        except RuntimeError:
            return  # the loop closed between the two lines

    def place(self) -> str:
        """Return where it records, without a password."""
        return self.options.where if "://" not in self.options.where else self.options.where.rpartition("@")[2]


def check_where(where: str) -> None:
    """Raise StoreError where a recording cannot be made there; quick, before anything starts."""
    if "://" in where:
        from tapwright.live.store import database_url

        database_url(where)
        return
    refuse_other_file(Path(where))
