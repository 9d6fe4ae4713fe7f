"""Follow a source for ever: open it, hand on what comes, say what is the matter, try again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from tapwright.core.errors import TapwrightError
from tapwright.core.files import os_reason
from tapwright.core.instrument import Instrument
from tapwright.live.framer import Framer
from tapwright.live.hub import Hub
from tapwright.live.link import LinkState
from tapwright.live.source import Context, Opened, SourceGone

RETRY_FIRST_S, RETRY_MOST_S = 0.5, 10.0
#: A frame that idle time ends is handed on after at least this; schedulers are no finer.
IDLE_AT_LEAST_S = 0.02


async def follow(hub: Hub, source: Opened, instrument: Instrument, *,
                 complain: Callable[[str], None] = lambda text: None) -> None:
    """Keep `hub` fed from `source`; return only when the source has ended for good.

    `complain` is called with what will not mend itself (a file that cannot be read).
    """
    watcher = asyncio.create_task(_watch_silence(hub))
    try:
        await _follow(hub, source, Framer(instrument), complain)
    finally:
        watcher.cancel()


async def _follow(hub: Hub, source: Opened, framer: Framer, complain: Callable[[str], None]) -> None:
    retry_s = RETRY_FIRST_S
    while True:
        before = framer.next_seq
        try:
            await _once(hub, source, framer)
        except SourceGone as gone:
            text, waits_for = gone.text, gone.waits_for
        except OSError as trouble:
            text, waits_for = os_reason(trouble), "the source to come back"
        except TapwrightError as error:
            hub.set_link(LinkState.ENDED, error.message(), waits_for="that to be put right, and a new start")
            complain(error.message())
            return
        else:
            hub.set_link(LinkState.ENDED, "the source is at its end")
            return
        framer.start_over()
        if framer.next_seq > before:
            retry_s = RETRY_FIRST_S
        state = LinkState.LOST if hub.last is not None else LinkState.WAITING
        hub.set_link(state, text, waits_for=waits_for, retry_s=retry_s)
        await asyncio.sleep(retry_s)
        retry_s = min(2 * retry_s, RETRY_MOST_S)


async def _once(hub: Hub, source: Opened, framer: Framer) -> None:
    def opened() -> None:
        hub.set_link(LinkState.OPEN, "open, nothing came yet", waits_for="the first frame")

    def say(text: str) -> None:
        hub.set_link(hub.link.state, text, waits_for=hub.link.waits_for)

    layout = framer.instrument.layout
    idle_s = max(1.5 * layout.gap_s, IDLE_AT_LEAST_S) if layout is not None and layout.length == "gap" else None
    context = Context(instrument=framer.instrument, clock=hub.clock, opened=opened, say=say)
    idle: asyncio.TimerHandle | None = None
    loop = asyncio.get_running_loop()

    def silence() -> None:
        for framed in framer.idle(hub.clock.mono()):
            hub.publish(framed)

    packets = source.packets(context)
    try:
        async for packet in packets:
            if idle is not None:
                idle.cancel()
            for framed in framer.take(packet):
                hub.publish(framed)
            if idle_s is not None and not packet.whole:
                idle = loop.call_later(idle_s, silence)
        silence()
    finally:
        if idle is not None:
            idle.cancel()
        close = getattr(packets, "aclose", None)
        if close is not None:
            await close()


async def _watch_silence(hub: Hub) -> None:
    while True:
        due = hub.silence_due_s()
        if due is None:
            hub.heard.clear()
            await hub.heard.wait()
        elif due > 0:
            # In small steps: silence falls due earlier once the usual period is known.
            await asyncio.sleep(min(max(due, 0.01), 0.1))
        elif not hub.check_silence():
            await asyncio.sleep(0.01)
