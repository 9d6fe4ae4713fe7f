"""SCPI over a raw socket, one port an instrument; each connection has a status of its own."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from dataclasses import dataclass

from tapwright.live.hub import Hub
from tapwright.live.scpi.answers import Conversation
from tapwright.live.scpi.status import ScpiError

MESSAGE_MOST = 65_536
CONNECTIONS_MOST = 32


@dataclass(frozen=True)
class Options:
    """The listening socket."""

    listening: socket.socket


async def run(options: Options, hub: Hub) -> None:
    """Serve until cancelled."""
    open_now: set[asyncio.StreamWriter] = set()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(open_now) >= CONNECTIONS_MOST:
            writer.close()
            return
        open_now.add(writer)
        conversation = Conversation(hub)
        try:
            await _talk(conversation, reader, writer)
        except (OSError, asyncio.CancelledError):
            pass  # the other side is gone, or the server stops
        finally:
            conversation.leave()
            open_now.discard(writer)
            writer.close()

    server = await asyncio.start_server(talk, sock=options.listening, limit=MESSAGE_MOST)
    try:
        await asyncio.Event().wait()
    finally:
        server.close()
        for writer in tuple(open_now):
            writer.close()
        with contextlib.suppress(OSError):
            await server.wait_closed()


async def _talk(conversation: Conversation, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while True:
        try:
            line = await reader.readuntil(b"\n")
        except asyncio.IncompleteReadError:
            return
        except asyncio.LimitOverrunError:
            await _skip_line(reader)
            conversation.status.fail(ScpiError(-363))
            continue
        answer = await conversation.answer(line.decode("latin-1").rstrip("\r\n"))
        if answer is not None:
            writer.write(answer.encode("ascii") + b"\n")
            await writer.drain()


async def _skip_line(reader: asyncio.StreamReader) -> None:
    while True:
        try:
            await reader.readuntil(b"\n")
            return
        except asyncio.LimitOverrunError as over:
            await reader.readexactly(over.consumed)
