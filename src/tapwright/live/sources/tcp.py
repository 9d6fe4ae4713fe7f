"""`tcp://HOST:PORT`: a byte stream over the network, such as a serial server's."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from dataclasses import dataclass

from tapwright.core.errors import UsageError
from tapwright.core.files import os_reason
from tapwright.core.instrument import Instrument
from tapwright.live.source import Context, Packet, SourceGone, SourceUrl, needs_layout

CONNECT_S = 10.0
PIECE_BYTES = 4096


@dataclass(frozen=True, kw_only=True)
class Options:
    """Where to connect."""

    host: str
    port: int


def options(url: SourceUrl) -> Options:
    """Return the options in a URL; raise UsageError where host or port is missing."""
    url.only()
    if not url.host or url.port is None:
        raise UsageError(f"'{url.text}' lacks a {'port' if url.host else 'host'}", expected="tcp://HOST:PORT")
    return Options(host=url.host, port=url.port)


def check(options: Options, instrument: Instrument) -> None:
    """Raise DescriptionError where the description cannot tell frames apart."""
    needs_layout(instrument)


async def packets(options: Options, context: Context) -> AsyncIterator[Packet]:
    """Connect and yield what comes."""
    where = f"{options.host}:{options.port}"
    try:
        reader, writer = await asyncio.wait_for(asyncio.open_connection(options.host, options.port), CONNECT_S)
    except TimeoutError:
        raise SourceGone(f"{where} does not answer", "that machine to be switched on and reachable") from None
    except socket.gaierror:
        raise SourceGone(f"no address is known for '{options.host}'", "the name to be known; is it spelled right?") \
            from None
    except ConnectionRefusedError:
        raise SourceGone(f"{where} refuses", "its service to be started, or the right port") from None
    except OSError as trouble:
        raise SourceGone(f"{where}: {os_reason(trouble)}", "the network way to it") from None
    try:
        _keep_alive(writer)
        context.opened()
        while True:
            data = await reader.read(PIECE_BYTES)
            if not data:
                raise SourceGone(f"{where} closed the connection", "it to accept connections again")
            yield Packet(data, context.clock.mono())
    except OSError as trouble:
        raise SourceGone(f"{where}: {os_reason(trouble)}", "the network way to it") from None
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


def _keep_alive(writer: asyncio.StreamWriter) -> None:
    # A peer that loses its power says nothing; probes find that out within half a minute where the system has them.
    link: socket.socket | None = writer.get_extra_info("socket")
    if link is None:
        return
    link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, name):
            link.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)
