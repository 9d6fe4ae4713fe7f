"""The board's program with another hardware face: real sockets on the host, a line that the test sends bytes on."""

from __future__ import annotations

import asyncio
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

from tapwright.board.about import About, Proven
from tapwright.board.targets import micropython
from tapwright.core.instrument import Instrument
from tapwright.evidence.instrument_file import load_instrument
from tests.board.frames import frame

METER = Path(__file__).parent / "meter.toml"
PROVEN = (Proven(frame=frame("6.82", "mg/L"), row=("6.82", "6.82", "mg/L", "", "ok")),
          Proven(frame=frame("0L", "pH", "HOLD"), row=("OL", "", "pH", "HOLD", "overload")))


def meter() -> Instrument:
    """Return the hand-made description."""
    return load_instrument(METER)


class Line:
    """The instrument's line: bytes that the test puts in."""

    def __init__(self) -> None:
        self.bytes: asyncio.Queue[bytes] = asyncio.Queue()

    async def read(self, n: int) -> bytes:
        """Return the bytes that came."""
        return await self.bytes.get()


class Face:
    """What hardware.py offers, on the host; everything said and done is kept."""

    def __init__(self, *, reach: tuple[str, ...] = (), lets_in: tuple[str, ...] = ()) -> None:
        self.reach, self.lets_in = reach, lets_in
        self.said: list[str] = []
        self.done: list[object] = []
        self.line: Line | None = None
        self.is_joined = False
        self.volts: float | None = None
        self.fed = 0
        self.paces: list[bool] = []
        self.ahead_ms = 0

    def log(self, text: str) -> None:
        """Keep what the program says."""
        self.said.append(text)

    def ms(self) -> int:
        """Return the host's clock, set ahead where a test asks for that."""
        return int(time.monotonic() * 1000) + self.ahead_ms

    def serial(self, settings: dict[str, str]) -> Line:
        """Return the line."""
        assert settings["baud"] == "9600"
        self.line = Line()
        return self.line

    def hold(self, pin: int, level: int) -> None:
        """Keep an output's level."""
        self.done.append(("hold", pin, level))

    def hostname(self, name: str) -> None:
        """Keep the announced name."""
        self.done.append(("hostname", name))

    async def scan(self) -> list[str]:
        """Return the networks in reach."""
        return list(self.reach)

    async def join(self, name: str, password: str, seconds: int) -> bool:
        """Join where the network lets one in."""
        self.done.append(("join", name, password))
        self.is_joined = name in self.lets_in
        return self.is_joined

    def joined(self) -> bool:
        """Say whether the network is there."""
        return self.is_joined

    def address(self) -> str:
        """Return an address."""
        return "127.0.0.1"

    def access_point(self, name: str, password: str) -> None:
        """Keep the own network's name."""
        self.done.append(("access point", name, password))

    def watchdog(self) -> Callable[[], None]:
        """Return what feeds the watchdog."""
        def feed() -> None:
            self.fed += 1
        return feed

    def battery_v(self, pin: int, divider: float) -> float | None:
        """Return the cells' volts."""
        return self.volts

    def pace(self, looked_at: bool) -> None:
        """Keep how fast the board is asked to run."""
        self.paces.append(looked_at)

    def restart(self) -> None:
        """Keep that the board was started anew."""
        self.done.append("restart")


class Running:
    """A program that runs in a thread of its own."""

    def __init__(self, board: Any, face: Face, folder: Path) -> None:
        self.board, self.face, self.folder = board, face, folder
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()
        self.wait(lambda: getattr(board, "server", None) is not None)
        self.port: int = board.server.sockets[0].getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"

    def _run(self) -> None:
        asyncio.set_event_loop(self.loop)
        self.task = self.loop.create_task(self.board.run(0, "127.0.0.1"))
        try:
            self.loop.run_until_complete(self.task)
        except asyncio.CancelledError:
            pass
        server = getattr(self.board, "server", None)
        if server is not None:
            server.close()
        left = asyncio.all_tasks(self.loop)
        for task in left:
            task.cancel()
        self.loop.run_until_complete(asyncio.gather(*left, return_exceptions=True))
        self.loop.run_until_complete(asyncio.sleep(0.01))  # transports close in the loop's next rounds
        self.loop.close()

    def send(self, data: bytes) -> None:
        """Put bytes on the instrument's line."""
        self.wait(lambda: self.face.line is not None)
        assert self.face.line is not None
        self.loop.call_soon_threadsafe(self.face.line.bytes.put_nowait, data)

    def wait(self, holds: Callable[[], bool], seconds: float = 10) -> None:
        """Wait until something holds."""
        end = time.monotonic() + seconds
        while not holds():
            assert time.monotonic() < end, "waited in vain"
            time.sleep(0.005)

    def stop(self) -> None:
        """End the program."""
        if not self.loop.is_closed():
            self.loop.call_soon_threadsafe(self.task.cancel)
        self.thread.join(10)


@contextmanager
def running(folder: Path, face: Face | None = None, *, settings: str = "", proven: tuple[Proven, ...] = PROVEN,
            change: Callable[[dict[str, str]], None] | None = None, instrument: Instrument | None = None) -> Iterator[Running]:
    """Run the emitted program from a folder; `settings` is put behind the emitted ones, `change` may alter files."""
    files = micropython.files(instrument or meter(), About(proven=proven, warn_v=2.4))
    files["settings"] += settings
    if change:
        change(files)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    names = ("reading", "config", "web", "main")
    modules: dict[str, ModuleType] = {}
    kept = {name: sys.modules.get(name) for name in names}
    try:
        for name in names:
            modules[name] = sys.modules[name] = ModuleType(name)
            exec(compile(files[f"{name}.py"], f"{name}.py", "exec"), modules[name].__dict__)
    finally:
        for name, module in kept.items():
            sys.modules.pop(name, None)
            if module is not None:
                sys.modules[name] = module
    hardware = face or Face()
    board = modules["main"].Board(hardware, f"{folder}/")
    program = Running(board, hardware, folder)
    try:
        yield program
    finally:
        program.stop()


def reading_of(text: str) -> dict[str, object]:
    """Return a JSON reading."""
    found = json.loads(text)
    assert isinstance(found, dict)
    return found
