"""Server-sent events to any number of clients, each reading encoded once.

A client is written to directly, in turn, on the event loop. One that does not read fast enough is passed over, with a
count, until its buffer has emptied; then it is told what it missed. So it delays nobody, and memory stays bounded.
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass

from tapwright.live.hub import EventKind, Hub, Marker
from tapwright.live.link import Link
from tapwright.live.moment import Moment
from tapwright.live.settled import Settled
from tapwright.live.sinks.recorder import Recorded, Recorder

#: A client with more than this unsent is passed over until it has less than `LOW_BYTES`.
HIGH_BYTES, LOW_BYTES = 65_536, 4_096
#: The system's own buffer for one client (Linux doubles it).
SYSTEM_BUFFER_BYTES = 65_536
#: A client that took nothing for so long is cut off; it may come back.
STUCK_S = 60.0
SIGN_OF_LIFE_S = 10.0
RETRY_MS = 1000


@dataclass(eq=False)
class Client:
    """One stream's connection.

    Parameters
    ----------
    transport : where to write
    chunked : whether each piece is a chunk of HTTP/1.1
    all_events : False for readings and `dropped` alone
    """

    transport: asyncio.Transport
    chunked: bool
    all_events: bool
    missed_from: int | None = None
    missed_to: int = 0
    missed: int = 0
    passed_since: float = 0.0

    def send(self, data: bytes) -> None:
        """Write one event."""
        self.transport.write(chunk(data) if self.chunked else data)


class Stream:
    """All clients of one instrument's stream. Everything here runs on the event loop."""

    def __init__(self, hub: Hub, recorder: Recorder | None) -> None:
        self.hub = hub
        self.recorder = recorder
        self.clients: set[Client] = set()
        self.dropped = 0
        self.closing = asyncio.Event()
        hub.listen(self.hear)

    def join(self, client: Client, after_seq: int | None) -> None:
        """Add a client: it gets the link, then the newest reading, or all held ones after a number."""
        client.send(f"retry: {RETRY_MS}\n\n".encode())
        if client.all_events:
            client.send(event("link", self.hub.link_now().document()))
            if self.recorder is not None:
                client.send(event("recording", self.recorder.document(self.hub.name)))
        missed = self._missed(after_seq)
        if missed:
            client.send(b"".join(map(reading_event, missed)))
        self.clients.add(client)

    def leave(self, client: Client) -> None:
        """Forget a client."""
        self.clients.discard(client)

    def hear(self, kind: EventKind, happened: object) -> None:
        """Pass an event of the hub on to every client."""
        if not self.clients:
            return
        if kind == "reading" and isinstance(happened, Moment):
            self._to_all(reading_event(happened), happened.seq)
            return
        document: object = None
        if isinstance(happened, (Link, Settled, Marker)):
            document = happened.document()
        elif isinstance(happened, Recorded):
            document = {"session": happened.session, "through": happened.through}
        elif kind == "recording" and self.recorder is not None:
            document = self.recorder.document(self.hub.name)
        self._to_all(event(kind, document), None)

    def sign_of_life(self) -> None:
        """Write a comment to every client; cuts off those that took nothing for long."""
        now = self.hub.clock.mono()
        for client in tuple(self.clients):
            if client.missed_from is not None and now - client.passed_since > STUCK_S:
                client.transport.abort()
        self._to_all(b": alive\n\n", None, everyone=True)

    def close(self) -> None:
        """End every stream; the server is stopping."""
        self.closing.set()

    def _missed(self, after_seq: int | None) -> list[Moment]:
        if self.hub.last is None:
            return []
        # A number beyond the newest is of an earlier run of the server.
        if after_seq is None or after_seq > self.hub.last.seq:
            return [self.hub.last]
        return self.hub.since(after_seq)

    def _to_all(self, data: bytes, seq: int | None, *, everyone: bool = False) -> None:
        as_chunk = chunk(data)
        for client in self.clients:
            if not (client.all_events or seq is not None or everyone):
                continue
            transport = client.transport
            if transport.is_closing():
                continue
            waiting = transport.get_write_buffer_size()
            if client.missed_from is not None and waiting <= LOW_BYTES:
                self._tell_missed(client)
            if client.missed_from is not None or waiting > HIGH_BYTES:
                if seq is not None:
                    self._pass_over(client, seq)
                continue
            transport.write(as_chunk if client.chunked else data)

    def _pass_over(self, client: Client, seq: int) -> None:
        self.dropped += 1
        if client.missed_from is None:
            client.missed_from, client.missed, client.passed_since = seq, 0, self.hub.clock.mono()
        client.missed_to = seq
        client.missed += 1

    def _tell_missed(self, client: Client) -> None:
        client.send(event("dropped", {"from": client.missed_from, "to": client.missed_to, "count": client.missed}))
        if client.all_events:
            client.send(event("link", self.hub.link_now().document()))
        client.missed_from = None


def reading_event(moment: Moment) -> bytes:
    """Return a reading as an event."""
    return f"id: {moment.seq}\ndata: {moment.json()}\n\n".encode()


def event(name: str, document: object) -> bytes:
    """Return a named event; JSON has no line ends, so one data line does."""
    return f"event: {name}\ndata: {json.dumps(document, ensure_ascii=False)}\n\n".encode()


def chunk(data: bytes) -> bytes:
    """Return data as one chunk of HTTP/1.1 (RFC 9112, section 7.1)."""
    return b"%x\r\n%s\r\n" % (len(data), data)
