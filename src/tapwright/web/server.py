"""Runs a service with its pages until it is told to stop."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import socket
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import uvicorn
from starlette.routing import BaseRoute

from tapwright.live.service import Plan, Service
from tapwright.web.app import application
from tapwright.web.security import Access
from tapwright.web.stream import StreamingProtocol

GRACE_S = 2


@dataclass(frozen=True, kw_only=True)
class Started:
    """What to tell: where the pages and the SCPI ports are."""

    url: str
    port: int
    scpi_ports: dict[str, int]
    service: Service

    @property
    def overlay(self) -> str:
        """The overlay's address."""
        return self.url + "overlay"


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals to `_stop_on_signals`: the server's own handling would raise them again at the end."""
        yield


def run(service: Service, *, started: Callable[[Started], None], more: Sequence[BaseRoute] = (),
        until_ended: bool = False) -> None:
    """Serve until SIGINT or SIGTERM (or, with `until_ended`, until every source has ended); blocks."""
    asyncio.run(serve(service, started=started, more=more, until_ended=until_ended))


async def serve(service: Service, *, started: Callable[[Started], None], more: Sequence[BaseRoute] = (),
                until_ended: bool = False, stop: asyncio.Event | None = None) -> None:
    """Serve until `stop` is set, a signal comes, or (with `until_ended`) every source has ended.

    `started` is called once, when the page can be opened and the sources are being followed.
    """
    stop = stop or asyncio.Event()
    service.prepare()
    server = _server(service, more)
    with _stop_on_signals(stop), _logged_by(service.say):
        serving = asyncio.create_task(server.serve(sockets=[service.page_socket]))
        while not server.started and not serving.done():
            await asyncio.sleep(0.001)
        if serving.done():
            serving.result()
        service.start()
        started(Started(url=_url(service), port=service.port, scpi_ports=service.scpi_ports, service=service))
        waits = [asyncio.create_task(stop.wait()), serving]
        if until_ended:
            waits.append(asyncio.create_task(service.ended.wait()))
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        await service.stop()
        server.should_exit = True
        await serving
        for wait in waits:
            wait.cancel()


def access_of(plan: Plan) -> Access:
    """Return the rules that a plan asks for."""
    host = socket.gethostname().lower()
    names = {host, host.partition(".")[0], f"{host.partition('.')[0]}.local", plan.host.lower(), *plan.allow_hosts}
    if plan.mdns_name:
        names.add(f"{plan.mdns_name.lower()}.local")
    return Access(names=frozenset(name.lower() for name in names if name), token=plan.token, private=plan.private)


class _OneLine(logging.Handler):
    """Says what the HTTP library logs in one line; a fault's own text, never a traceback on the terminal."""

    def __init__(self, say: Callable[[str], None]) -> None:
        super().__init__(logging.WARNING)
        self.say = say

    def emit(self, record: logging.LogRecord) -> None:
        """Say one record."""
        fault = record.exc_info[1] if record.exc_info else None
        self.say(record.getMessage().splitlines()[0] + (f" ({type(fault).__name__}: {fault})" if fault else ""))


@contextlib.contextmanager
def _logged_by(say: Callable[[str], None]) -> Iterator[None]:
    logger, handler = logging.getLogger("uvicorn.error"), _OneLine(say)
    before = logger.propagate
    logger.addHandler(handler)
    logger.propagate = False
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.propagate = before


def _server(service: Service, more: Sequence[BaseRoute]) -> uvicorn.Server:
    config = uvicorn.Config(
        application(service, access_of(service.plan), more=more), http=StreamingProtocol, ws="none", loop="asyncio",
        lifespan="off", log_config=None, access_log=False, server_header=False, proxy_headers=False,
        timeout_graceful_shutdown=GRACE_S)
    return _Server(config)


def _url(service: Service) -> str:
    host = service.plan.host
    if host in ("0.0.0.0", "::"):
        name = service.plan.mdns_name
        host = f"{name}.local" if name else socket.gethostname()
    return f"http://{f'[{host}]' if ':' in host else host}:{service.port}/"


@contextlib.contextmanager
def _stop_on_signals(stop: asyncio.Event) -> Iterator[None]:
    loop = asyncio.get_running_loop()
    taken = []
    for number in (signal.SIGINT, signal.SIGTERM):
        # Off the main thread, or where the loop has no signals, whoever runs this stops it with `stop`.
        with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):
            loop.add_signal_handler(number, stop.set)
            taken.append(number)
    try:
        yield
    finally:
        for number in taken:
            loop.remove_signal_handler(number)
