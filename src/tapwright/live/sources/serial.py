"""`serial:///dev/ttyUSB0[?baud=9600&form=8N1]`: a serial port, set as the description's line says."""

from __future__ import annotations

import asyncio
import errno
import os
import re
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.core.errors import DescriptionError, UsageError
from tapwright.core.files import os_reason
from tapwright.core.instrument import Instrument
from tapwright.core.line import AsyncSettings, Parity
from tapwright.live.source import Context, Packet, SourceGone, SourceUrl, needs_layout

if TYPE_CHECKING:
    import serial as pyserial

#: How often the reading thread looks whether it is to stop.
LOOK_S = 0.2
PIECES_HELD = 1000
_FORM = re.compile(r"([5-8])([NEOMS])(1|1\.5|2)", re.IGNORECASE)
_PARITIES: dict[str, Parity] = {"N": "none", "E": "even", "O": "odd", "M": "mark", "S": "space"}


@dataclass(frozen=True, kw_only=True)
class Options:
    """The port, and settings that go before the description's (None: the description's)."""

    device: str
    baud: float | None = None
    form: tuple[int, Parity, float] | None = None


def options(url: SourceUrl) -> Options:
    """Return the options in a URL; raise UsageError where it is wrong."""
    url.only("baud", "form")
    device = url.path or url.place
    if not device or device == "/":
        raise UsageError(f"'{url.text}' names no port", expected="serial:///dev/ttyUSB0 or serial://COM3")
    baud, form = url.query.get("baud"), url.query.get("form")
    if baud is not None and not (baud.isdigit() and 50 <= int(baud) <= 4_000_000):
        raise UsageError(f"baud={baud} is no line rate", expected="a whole number from 50 to 4000000")
    taken = _FORM.fullmatch(form) if form is not None else None
    if form is not None and taken is None:
        raise UsageError(f"form={form} is no form of a character", expected="data bits, parity, stop bits, as 8N1")
    return Options(device=device, baud=float(baud) if baud else None,
                   form=(int(taken[1]), _PARITIES[taken[2].upper()], float(taken[3])) if taken else None)


def check(options: Options, instrument: Instrument) -> None:
    """Raise where frames cannot be told apart, or the port cannot be set as the line needs."""
    needs_layout(instrument)
    _settings(options, instrument.line)


async def packets(options: Options, context: Context) -> AsyncIterator[Packet]:
    """Open the port and yield what comes; a thread of its own waits for it."""
    settings = _settings(options, context.instrument.line)
    port = await asyncio.to_thread(_open, options.device, settings)
    context.opened()
    pieces: asyncio.Queue[Packet | SourceGone] = asyncio.Queue(PIECES_HELD)
    stop = threading.Event()
    loop = asyncio.get_running_loop()

    def put(piece: Packet | SourceGone) -> None:
        if pieces.full():
            pieces.get_nowait()  # a loop that stands still for so long loses bytes, never memory
        pieces.put_nowait(piece)

    def read() -> None:
        while not stop.is_set():
            try:
                data = port.read(1)
                data += port.read(port.in_waiting) if data else b""
            except (OSError, TypeError):  # TypeError: pyserial's own, when the port closes under a read
                piece: Packet | SourceGone = SourceGone(f"{options.device} went away", "the adapter to be plugged in")
            else:
                if not data:
                    continue
                piece = Packet(data, context.clock.mono())
            try:
                loop.call_soon_threadsafe(put, piece)
            except RuntimeError:
                return  # the loop is closed
            if isinstance(piece, SourceGone):
                return

    thread = threading.Thread(target=read, name=f"serial {options.device}", daemon=True)
    thread.start()
    try:
        while True:
            piece = await pieces.get()
            if isinstance(piece, SourceGone):
                raise piece
            yield piece
    finally:
        stop.set()
        port.close()


def _settings(options: Options, line: object) -> AsyncSettings:
    if not isinstance(line, AsyncSettings):
        if options.baud is None:
            raise DescriptionError("the instrument description has no asynchronous [line], so the port's rate is not "
                                   "known", expected="[line], or ?baud=9600&form=8N1 in the source")
        line = AsyncSettings(baud=options.baud)
    data_bits, parity, stop_bits = options.form or (line.data_bits, line.parity, line.stop_bits)
    if data_bits > 8:
        raise UsageError("a serial port cannot receive 9 data bits", do="use a source that delivers whole frames")
    if line.inverted:
        raise UsageError("the line idles low (inverted), which a plain serial port cannot receive",
                         do="put an inverter before the adapter, or set its inversion; then set inverted = false")
    return AsyncSettings(baud=options.baud or line.baud, data_bits=data_bits, parity=parity, stop_bits=stop_bits)


def _open(device: str, settings: AsyncSettings) -> pyserial.Serial:
    import serial as pyserial

    stops = {1: pyserial.STOPBITS_ONE, 1.5: pyserial.STOPBITS_ONE_POINT_FIVE, 2: pyserial.STOPBITS_TWO}
    try:
        return pyserial.Serial(
            device, baudrate=round(settings.baud), bytesize=settings.data_bits,
            parity=settings.parity[0].upper(), stopbits=stops[settings.stop_bits], timeout=LOOK_S, exclusive=True)
    except pyserial.SerialException as trouble:
        raise _gone(device, trouble) from None
    except (OSError, ValueError) as trouble:
        raise SourceGone(f"{device} does not take {settings.name}: {trouble}", "an adapter that does") from None


def _gone(device: str, trouble: pyserial.SerialException) -> SourceGone:
    number = trouble.errno
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or not (Path(device).exists() or number):
        return SourceGone(f"no such port: {device}", "the adapter to be plugged in")
    if number in (errno.EACCES, errno.EPERM):
        return SourceGone(f"no rights to use {device}", f"you to join the group {_group(device)}"
                          " (sudo usermod -aG GROUP $USER, then log in anew)")
    if number in (errno.EBUSY, errno.EAGAIN) or "lock" in str(trouble):
        return SourceGone(f"{device} is held by another program", "that program to be closed")
    if number is not None:
        return SourceGone(f"{device}: {os_reason(OSError(number, os.strerror(number)))}", "a serial port there")
    return SourceGone(f"{device} cannot be opened as a serial port", "a serial port there")


def _group(device: str) -> str:
    try:
        return Path(device).group()
    except (OSError, KeyError, NotImplementedError):
        return "that owns it"
