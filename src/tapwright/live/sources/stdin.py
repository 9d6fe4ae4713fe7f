"""`stdin:`: the line's bytes on standard input."""

from __future__ import annotations

import asyncio
import os
import sys
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass

from tapwright.core.errors import UsageError
from tapwright.core.instrument import Instrument
from tapwright.live.source import Context, Packet, SourceUrl, needs_layout

PIECE_BYTES = 4096


@dataclass(frozen=True, kw_only=True)
class Options:
    """There are none."""


def options(url: SourceUrl) -> Options:
    """Return the options in a URL; raise UsageError where it has any."""
    url.only()
    if url.place:
        raise UsageError(f"'{url.text}' has something behind the colon", expected="stdin:")
    return Options()


def check(options: Options, instrument: Instrument) -> None:
    """Raise DescriptionError where the description cannot tell frames apart."""
    needs_layout(instrument)


async def packets(options: Options, context: Context) -> AsyncIterator[Packet]:
    """Yield what comes until the input is closed; a thread waits for it, so files, pipes and terminals all do."""
    pieces: asyncio.Queue[Packet | None] = asyncio.Queue()
    loop = asyncio.get_running_loop()
    handle = sys.stdin.fileno()
    room = threading.Semaphore(256)  # what is not yet read stays in the pipe, so memory is bounded

    def read() -> None:
        while True:
            room.acquire()
            try:
                data = os.read(handle, PIECE_BYTES)
            except OSError:
                data = b""
            try:
                loop.call_soon_threadsafe(pieces.put_nowait, Packet(data, context.clock.mono()) if data else None)
            except RuntimeError:
                return  # the loop is closed
            if not data:
                return

    context.opened()
    threading.Thread(target=read, name="stdin", daemon=True).start()
    while (piece := await pieces.get()) is not None:
        room.release()
        yield piece
