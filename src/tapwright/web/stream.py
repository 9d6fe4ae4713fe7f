"""The event stream's route, and the protocol that lets it write to many clients at once.

An answer begun through ASGI is written on straight to the connection's transport: one encoded event goes to every
client without a task, a queue or an encoding a client. That is what keeps 500 clients under half a core.
"""

from __future__ import annotations

import asyncio

from starlette.types import Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from tapwright.live.sinks.stream import SYSTEM_BUFFER_BYTES, Client, Stream

_HEADERS = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"cache-control", b"no-store"),
            (b"x-accel-buffering", b"no")]


class StreamingProtocol(H11Protocol):
    """The server's protocol; tells the application the transport of each connection (`scope["state"]`)."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a new connection."""
        super().connection_made(transport)
        self.app_state = {**self.app_state, "transport": transport}


class StreamResponse:
    """The answer to `GET /api/stream`: stays until the client leaves or the server stops."""

    def __init__(self, stream: Stream, *, all_events: bool, after_seq: int | None) -> None:
        self.stream = stream
        self.all_events = all_events
        self.after_seq = after_seq

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one client."""
        await send({"type": "http.response.start", "status": 200, "headers": list(_HEADERS)})
        if scope["method"] == "HEAD":
            await send({"type": "http.response.body", "body": b""})
            return
        transport: asyncio.Transport = scope["state"]["transport"]
        _bound_system_buffer(transport)
        client = Client(transport, chunked=scope["http_version"] != "1.0", all_events=self.all_events)
        self.stream.join(client, self.after_seq)
        try:
            await self._until_over(receive)
        finally:
            self.stream.leave(client)
        if not transport.is_closing():
            await send({"type": "http.response.body", "body": b""})

    async def _until_over(self, receive: Receive) -> None:
        closing = asyncio.create_task(self.stream.closing.wait())
        leaving = asyncio.create_task(_disconnected(receive))
        try:
            await asyncio.wait((closing, leaving), return_when=asyncio.FIRST_COMPLETED)
        finally:
            closing.cancel()
            leaving.cancel()


async def _disconnected(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def _bound_system_buffer(transport: asyncio.Transport) -> None:
    # Without this the system lets a stuck client's buffer grow to megabytes.
    import socket

    link = transport.get_extra_info("socket")
    if link is not None:
        link.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SYSTEM_BUFFER_BYTES)
