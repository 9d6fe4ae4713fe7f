"""All that runs while serving: an instrument's source, hub and stream each, the recorder, and the ways to others.

`Plan` is what was asked for; `Service` holds what runs. The HTTP server is not in here (`web/server.py`).
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.core.errors import UsageError
from tapwright.core.instrument import Instrument
from tapwright.live.clock import Clock, SystemClock
from tapwright.live.follow import follow
from tapwright.live.hub import Hub, slug
from tapwright.live.ports import bind
from tapwright.live.sinks import mdns, mqtt, recorder, scpi
from tapwright.live.sinks.stream import SIGN_OF_LIFE_S, Stream
from tapwright.live.source import Opened
from tapwright.live.told import tell_link, tell_recording

if TYPE_CHECKING:
    from tapwright.live.sinks.metrics import Metrics


@dataclass(frozen=True, kw_only=True)
class Member:
    """One instrument to serve: its name in addresses, its description and its source."""

    name: str
    instrument: Instrument
    source: Opened


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What to serve and where; see docs/reference/serve.md for each.

    `scpi_port`, `mqtt` and `record` None: not wanted. `found` is a folder with `found.json`. `token` None: nothing
    needs one; `private`: reading needs it too.
    """

    members: tuple[Member, ...]
    host: str = "127.0.0.1"
    port: int = 8380
    record: recorder.Options | None = None
    new_session_after_s: float = 30.0
    scpi_port: int | None = None
    mqtt: mqtt.Options | None = None
    mdns_name: str | None = None
    token: str | None = field(default=None, repr=False)
    private: bool = False
    allow_hosts: tuple[str, ...] = ()
    found: Path | None = None


class Service:
    """What runs. Make it on any thread (ports are bound at once), `start` and `stop` it on the event loop.

    Raises
    ------
    SourceError : a port is taken, or the address is none of this machine's
    """

    def __init__(self, plan: Plan, *, clock: Clock | None = None, say: Callable[[str], None] = print) -> None:
        self.plan = plan
        self.clock: Clock = clock or SystemClock()
        self.say = say
        self.started_mono_s = self.clock.mono()
        with contextlib.ExitStack() as on_error:
            self.page_socket = bind(plan.host, plan.port, "--port")
            on_error.callback(self.page_socket.close)
            self.scpi_sockets = _scpi_sockets(plan)
            on_error.pop_all()
        self.port: int = self.page_socket.getsockname()[1]
        self.scpi_ports = {name: bound.getsockname()[1] for name, bound in self.scpi_sockets.items()}
        self.hubs: dict[str, Hub] = {}
        self.streams: dict[str, Stream] = {}
        self.recorder: recorder.Recorder | None = None
        self.ended = asyncio.Event()
        self._tasks: list[asyncio.Task[None]] = []

    def prepare(self) -> None:
        """Make the hubs and streams; on the event loop, before the first request."""
        plan = self.plan
        for member in plan.members:
            self.hubs[member.name] = Hub(member.name, member.source.url, clock=self.clock,
                                         new_session_after_s=plan.new_session_after_s)
        if plan.record is not None:
            self.recorder = recorder.Recorder(plan.record, list(self.hubs.values()), clock=self.clock)
        for name, hub in self.hubs.items():
            self.streams[name] = Stream(hub, self.recorder)

    def start(self) -> None:
        """Follow the sources and serve the others; the page is there already."""
        plan, hubs = self.plan, self.hubs
        for hub in hubs.values():
            tell_link(hub, self.say)
        if self.recorder is not None:
            tell_recording(next(iter(hubs.values())), self.recorder, self.say)
            self.recorder.start()
        alone = len(plan.members) == 1
        follows = [asyncio.create_task(self._follow(member)) for member in plan.members]
        self._tasks = [*follows, asyncio.create_task(self._signs_of_life()), asyncio.create_task(_all_of(follows,
                                                                                                         self.ended))]
        self._tasks += [asyncio.create_task(scpi.run(scpi.Options(bound), hubs[name]))
                        for name, bound in self.scpi_sockets.items()]
        if plan.mqtt is not None:
            self._tasks += [asyncio.create_task(mqtt.run(plan.mqtt, hub, alone=alone, say=self.say))
                            for hub in hubs.values()]
        if plan.mdns_name is not None:
            options = mdns.Options(name=plan.mdns_name, host=plan.host, page_port=self.port,
                                   scpi=list(self.scpi_ports.items()))
            self._tasks.append(asyncio.create_task(mdns.run(options, say=self.say)))

    async def stop(self) -> None:
        """End everything in order: streams, sources, then what still waits to be written."""
        for stream in self.streams.values():
            stream.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self.recorder is not None:
            waiting = await self.recorder.stop()
            if waiting:
                self.say(f"{waiting} readings could not be recorded: {self.recorder.text}")

    def metrics(self) -> Metrics:
        """Return the collector of everything's numbers."""
        from tapwright.live.sinks.metrics import Metrics

        return Metrics(list(self.hubs.values()), list(self.streams.values()), self.recorder)

    async def _follow(self, member: Member) -> None:
        await follow(self.hubs[member.name], member.source, member.instrument,
                     complain=lambda text: self.say(f"{member.name}: {text}"))

    async def _signs_of_life(self) -> None:
        while True:
            await asyncio.sleep(SIGN_OF_LIFE_S)
            for stream in self.streams.values():
                stream.sign_of_life()


def names_of(given: Sequence[str]) -> tuple[str, ...]:
    """Return names usable in addresses, topics and file names, unlike each other.

    Raises
    ------
    UsageError : two are alike
    """
    names = tuple(slug(name) for name in given)
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"two instruments are called '{name}'", expected="a name of its own for each",
                             do="give each a --name")
    return names


def _scpi_sockets(plan: Plan) -> dict[str, socket.socket]:
    if plan.scpi_port is None:
        return {}
    sockets: dict[str, socket.socket] = {}
    with contextlib.ExitStack() as on_error:
        for i, member in enumerate(plan.members):
            port = plan.scpi_port + i if plan.scpi_port else 0
            sockets[member.name] = bind(plan.host, port, "--scpi")
            on_error.callback(sockets[member.name].close)
        on_error.pop_all()
    return sockets


async def _all_of(tasks: Sequence[asyncio.Task[None]], ended: asyncio.Event) -> None:
    with contextlib.suppress(asyncio.CancelledError):
        await asyncio.gather(*tasks)
        ended.set()
