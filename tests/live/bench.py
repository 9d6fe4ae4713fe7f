"""A pretend line for the live tests, written out by hand: its frames, its description, and a server on a thread.

A frame is 5A A5, six ASCII characters of display, a unit code, a flag byte and CRC-16/MODBUS (computed here bit by bit,
not by tapwright). Nothing of the solver is used to make it.
"""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tapwright.core.frame import Check, FrameLayout
from tapwright.core.instrument import Instrument
from tapwright.core.line import AsyncSettings
from tapwright.core.reading_map import BitRef, Codes, DisplayMap, Lamp, ReadingMap, Table
from tapwright.live.service import Member, Plan, Service
from tapwright.live.source import source_of

UNITS = {1: "mg/L", 2: "mV", 3: "°C", 4: "kΩ", 5: "V"}
HEAD = b"\x5a\xa5"
FRAME_BYTES = 12


def crc16_modbus(data: bytes) -> bytes:
    """CRC-16/MODBUS bit by bit (poly 0x8005 reflected, init 0xFFFF), low byte first: the Modbus serial line guide."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xA001 if crc & 1 else 0)
    return crc.to_bytes(2, "little")


def frame(display: str, unit: int = 1, hold: bool = False) -> bytes:
    """Return one frame of the pretend line."""
    raw = HEAD + display.rjust(6).encode("ascii") + bytes([unit, 0x01 if hold else 0])
    return raw + crc16_modbus(raw)


def field(byte: int) -> tuple[BitRef, ...]:
    """The eight bits of a byte of the body, least significant first."""
    return tuple(BitRef(byte, bit) for bit in range(8))


def instrument(name: str = "pond", *, check: bool = True) -> Instrument:
    """Return the description of the pretend line; without `check` the CRC bytes are taken for anything."""
    letters = {ord(c): c for c in " 0123456789.-OL"}
    base = len(HEAD)
    places = tuple(Table(field(base + i), letters) for i in range(6))
    reading_map = ReadingMap(
        displays=(DisplayMap(digits=Codes("text", places), width=6),),
        units=(Table(field(base + 6), UNITS),),
        flags={"HOLD": Lamp((BitRef(base + 7, 0),))},
    )
    checks = (Check(kind="crc16", first=0, last=9, at=10, order="little", poly=0x8005, init=0xFFFF, refin=True,
                    refout=True),) if check else ()
    layout = FrameLayout(length="fixed", n_bytes=FRAME_BYTES, start=HEAD, checks=checks)
    return Instrument(name=name, reading_map=reading_map, line=AsyncSettings(baud=9600), layout=layout)


class Feed:
    """A TCP server that plays the instrument: `send` reaches whoever is connected."""

    def __init__(self) -> None:
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self.listening.getsockname()[1]
        self.taken: list[socket.socket] = []
        self.joined = threading.Event()
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def url(self) -> str:
        """The source's URL."""
        return f"tcp://127.0.0.1:{self.port}"

    def send(self, data: bytes) -> None:
        """Send to every connection."""
        assert self.joined.wait(60), "nobody connected"
        for link in self.taken:
            link.sendall(data)

    @contextlib.contextmanager
    def playing(self, data: bytes, period_s: float = 0.05) -> Iterator[None]:
        """Send the same again and again, as a display at rest does."""
        over = threading.Event()

        def play() -> None:
            while not over.wait(period_s):
                self.send(data)
        thread = threading.Thread(target=play)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()

    def hang_up(self) -> None:
        """Close every connection; new ones are taken."""
        self.joined.clear()
        for link in self.taken:
            link.close()
        self.taken.clear()

    def close(self) -> None:
        """End."""
        self.hang_up()
        with contextlib.suppress(OSError):
            self.listening.shutdown(socket.SHUT_RDWR)  # or the accepting thread would wait for ever
        self.listening.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                link, _ = self.listening.accept()
                link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self.taken.append(link)
                self.joined.set()


class Running:
    """A service with its pages on a thread of its own."""

    def __init__(self, plan: Plan) -> None:
        self.said: list[str] = []
        self.service = Service(plan, say=self.said.append)
        self.loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._ready.wait(60), "the server did not start"

    @property
    def port(self) -> int:
        """The page's port."""
        return self.service.port

    @property
    def url(self) -> str:
        """The page's address."""
        return f"http://127.0.0.1:{self.port}/"

    def get(self, path: str, headers: dict[str, str] | None = None) -> tuple[int, dict[str, str], bytes]:
        """Ask by GET."""
        return self.ask("GET", path, headers=headers)

    def ask(self, method: str, path: str, body: object = None, headers: dict[str, str] | None = None
            ) -> tuple[int, dict[str, str], bytes]:
        """Ask; a body goes as JSON."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            given = {"Content-Type": "application/json"} if body is not None else {}
            link.request(method, path, None if body is None else json.dumps(body), {**given, **(headers or {})})
            answer = link.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            link.close()

    def json(self, path: str) -> dict[str, object]:
        """Ask by GET for JSON."""
        document: dict[str, object] = json.loads(self.get(path)[2])
        return document

    def stop(self) -> None:
        """Stop and wait for the end."""
        assert self.loop is not None
        assert self._stop is not None
        self.loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(60)
        assert not self._thread.is_alive(), "the server did not stop"

    def _run(self) -> None:
        async def main() -> None:
            from tapwright.web.server import serve

            self.loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
            await serve(self.service, started=lambda _: self._ready.set(), stop=self._stop)
        asyncio.run(main())


@contextlib.contextmanager
def running(*sources: str, check: bool = True, **options: object) -> Iterator[Running]:
    """Serve the pretend line from sources (named pond-1, pond-2 ...; one alone: pond)."""
    names = ["pond"] if len(sources) == 1 else [f"pond-{i}" for i in range(1, len(sources) + 1)]
    members = tuple(Member(name=name, instrument=instrument(name, check=check), source=source_of(url))
                    for name, url in zip(names, sources, strict=True))
    server = Running(Plan(members=members, port=0, **options))  # type: ignore[arg-type]
    try:
        yield server
    finally:
        server.stop()


def wait_for(what: Callable[[], object], *, within_s: float = 60.0) -> object:
    """Return the first true value of `what`; fail after a time that no passing run needs."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        value = what()
        if value:
            return value
        time.sleep(0.005)
    raise AssertionError("did not come about in time")


class Events:
    """A stream's events as (name, id, data), read one at a time from a plain socket."""

    def __init__(self, port: int, path: str = "/api/stream", headers: str = "") -> None:
        self.link = socket.create_connection(("127.0.0.1", port), timeout=60)
        self.link.sendall(f"GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n{headers}\r\n".encode())
        self.file = self.link.makefile("rb")
        self.head = b""
        while (line := self.file.readline()) not in (b"\r\n", b""):
            self.head += line

    def next(self, *names: str) -> tuple[str, str, dict[str, object]]:
        """Return the next event (of those names, if any are given)."""
        name, ident, data = "message", "", ""
        while line := self.file.readline().decode():
            text = line.rstrip("\n")
            if text.startswith("event: "):
                name = text[7:]
            elif text.startswith("id: "):
                ident = text[4:]
            elif text.startswith("data: "):
                data = text[6:]
            elif not text and data:
                if not names or name in names:
                    return name, ident, json.loads(data)
                name, ident, data = "message", "", ""
        raise EOFError("the stream ended")

    def close(self) -> None:
        """End."""
        self.file.close()
        self.link.close()


def frames_file(path: Path, frames: list[bytes], period_s: float = 0.1) -> Path:
    """Write frames as a frames file."""
    rows = "\n".join(f"{i * period_s:.6f},{raw.hex(' ').upper()}" for i, raw in enumerate(frames))
    path.write_text(f"t_s,hex\n{rows}\n", encoding="utf-8")
    return path
