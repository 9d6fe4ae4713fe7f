"""A live port with unknown settings: is the line silent, and which usual rate makes sense of it.

A port shows bytes, never edges. Its driver marks characters with wrong stop or parity bits where it can; beside those
marks, frames that repeat tell a right rate from a wrong one. Nothing here is as sure as a capture.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol, cast

from tapwright.core.errors import SourceError
from tapwright.core.line import AsyncSettings

LISTEN_BAUD = (9600, 115200, 1200)  # a line that talks shows something at one of them, if only nonsense
TRIED_BAUD = (9600, 19200, 38400, 57600, 115200, 4800, 2400, 1200, 14400, 28800, 31250, 600, 300, 230400, 250000)
ENOUGH_BYTES = 240
FEWEST_BYTES = 16
LONGEST_PERIOD = 96
SAME_SCORE = 0.05  # scores nearer than this are alike
GOOD_SCORE = 0.45
OPENS_IT = (
    "most often the pad that gates the data is not at its level: 'tapwright pins SURVEY' finds it from a few voltages",
    "check that the lead is on the data pad and that the grounds are joined (extra-low voltage only: nothing else may "
    "be connected to the instrument while this port is)",
    "wake the instrument, switch its link on if it has a key for it, and let its reading change",
)


class Port(Protocol):
    """What is needed of a serial port."""

    baudrate: int
    parity: str
    bytesize: int

    def read(self, size: int) -> bytes:
        """Return bytes, after a short time at the latest."""

    def close(self) -> None:
        """Let the port go."""

    def reset_input_buffer(self) -> None:
        """Forget what has arrived."""


@dataclass(frozen=True)
class Heard:
    """What one setting gave.

    Parameters
    ----------
    settings : the setting tried
    n_bytes : bytes that arrived
    n_marked : of these with a wrong stop or parity bit, as far as the driver says
    score : 0 (nonsense) to 1 (frames that repeat, no errors)
    """

    settings: AsyncSettings
    n_bytes: int
    n_marked: int
    score: float


@dataclass(frozen=True)
class PortReport:
    """What a live port showed; `heard` is best first, the best two settings."""

    url: str
    listened_s: float
    n_bytes: int
    heard: tuple[Heard, ...]
    rate_matters: bool
    advice: tuple[str, ...]

    @property
    def is_silent(self) -> bool:
        """Whether nothing at all arrived."""
        return self.n_bytes == 0

    @property
    def is_decided(self) -> bool:
        """Whether one setting makes clearly more sense than any other."""
        return bool(self.heard) and self.rate_matters and self.heard[0].score >= GOOD_SCORE and (
            len(self.heard) < 2 or self.heard[0].score - self.heard[1].score > SAME_SCORE)

    def document(self) -> dict[str, object]:
        """Return the JSON document."""
        found = [{"baud": int(h.settings.baud), "data_bits": h.settings.data_bits, "parity": h.settings.parity,
                  "stop_bits": int(h.settings.stop_bits), "inverted": False, "bytes": h.n_bytes,
                  "framing_errors": h.n_marked, "score": h.score} for h in self.heard]
        channel: dict[str, object] = {"name": self.url, "kind": "level" if self.is_silent else "unknown",
                                      "bytes": self.n_bytes, "advice": list(self.advice)}
        if self.is_decided:
            channel |= {"kind": "async", "idle": "high", **found[0], "probability": min(self.heard[0].score, 0.95),
                        "alternatives": [{key: value for key, value in other.items() if key != "score"} |
                                         {"probability": other["score"]} for other in found[1:]]}
        return {"port": self.url, "silent": self.is_silent, "listened_s": self.listened_s, "bytes": self.n_bytes,
                "rate_matters": self.rate_matters, "tried": found, "channels": [channel], "pairs": [],
                "advice": list(self.advice)}

    def words(self) -> str:
        """Return the report for people."""
        if self.is_silent:
            head = [f"The line is silent: nothing arrived on {self.url} in {self.listened_s:.0f} s, at any rate tried."]
            return "\n".join([*head, "What could open it:", *(f"  - {text}" for text in self.advice)])
        lines = []
        if self.is_decided:
            best = self.heard[0]
            lines.append(f"{self.url}: {best.settings.name} makes most sense ({best.n_bytes} bytes, {best.n_marked} "
                         "with a wrong stop or parity bit)")
        elif not self.rate_matters:
            lines.append(f"{self.url}: the same kind of bytes arrives at every rate, so the rate cannot be told here")
        else:
            lines.append(f"{self.url}: bytes arrive, but no usual setting makes sense of them")
        lines += [f"  {'next best' if self.is_decided else 'tried'}: {other.settings.name} (score {other.score:.2f})"
                  for other in (self.heard[1:] if self.is_decided else self.heard)]
        return "\n".join(lines + [f"  next: {text}" for text in self.advice])


def probe(
    url: str, *, listen_s: float = 6.0, dwell_s: float = 1.0, open_port: Callable[[str], Port] | None = None,
    clock: Callable[[], float] = time.monotonic, progress: Callable[[float], None] | None = None,
) -> PortReport:
    """Listen on a live port and try the usual settings.

    Parameters
    ----------
    url : a device or any URL that pyserial knows
    listen_s : how long to wait for a first byte
    dwell_s : how long to listen at each rate
    open_port, clock : for tests

    Raises
    ------
    SourceError : the port cannot be opened or is lost
    """
    begun = clock()
    port = (open_port or _open)(url)
    try:
        if not _anything(port, listen_s, clock):
            return PortReport(url, clock() - begun, 0, (), True, OPENS_IT)
        heard = []
        for i, baud in enumerate(TRIED_BAUD):
            heard.append(_hear(port, AsyncSettings(baud=baud), dwell_s, clock))
            if progress:
                progress((i + 1) / len(TRIED_BAUD))
        # A parity bit is read as a wrong stop bit by a port without parity: try it where the errors are fewest.
        likely = sorted(heard, key=lambda h: -h.score)[:2]
        if likely[0].n_marked:
            heard += [_hear(port, replace(h.settings, parity=parity), dwell_s, clock)
                      for h in likely for parity in ("even", "odd")]
    except OSError as trouble:
        raise SourceError(f"the port was lost ({trouble})", place=url, expected="a port that stays") from None
    finally:
        port.close()
    return _report(url, clock() - begun, heard)


def _report(url: str, listened_s: float, heard: list[Heard]) -> PortReport:
    some = [h for h in heard if h.n_bytes >= FEWEST_BYTES]
    best = sorted(some, key=lambda h: -h.score)[:2]
    rate_matters = not some or max(h.score for h in some) - min(h.score for h in some) > 2 * SAME_SCORE or any(
        h.n_marked for h in some)
    advice = ["make a short logic capture of the line and run 'tapwright line CAPTURE': edges show rate and form "
              "exactly, bytes do not"]
    if not rate_matters:
        advice.insert(0, "a network port or pseudo terminal carries bytes, not bits: set the rate where the line "
                         "itself ends")
    return PortReport(url, listened_s, sum(h.n_bytes for h in heard), tuple(best), rate_matters, tuple(advice))


def _open(url: str) -> Port:
    import serial

    try:
        port = serial.serial_for_url(url, baudrate=LISTEN_BAUD[0], timeout=0.05)
    except (serial.SerialException, OSError, ValueError) as trouble:
        raise SourceError(f"the port cannot be opened ({trouble})", place=url,
                          expected="a serial device such as /dev/ttyUSB0, or a URL such as socket://host:port",
                          do="check the name, the plug, and that no other program holds it") from None
    return cast(Port, port)


def _mark_errors(port: Any) -> bool:
    """Ask the driver to mark characters with wrong stop or parity bits (FF 00 and the character); say if it will."""
    try:
        import termios

        settings = termios.tcgetattr(port.fd)
    except (ImportError, AttributeError, OSError, TypeError):
        return False  # no terminal: a network port, or another system
    except termios.error:
        return False
    settings[0] = (settings[0] | termios.PARMRK | termios.INPCK) & ~(termios.IGNPAR | termios.ISTRIP | termios.IGNBRK)
    termios.tcsetattr(port.fd, termios.TCSANOW, settings)
    return True


def _anything(port: Port, listen_s: float, clock: Callable[[], float]) -> bool:
    for baud in LISTEN_BAUD:
        port.baudrate = baud
        until = clock() + listen_s / len(LISTEN_BAUD)
        while clock() < until:
            if port.read(64):
                return True
    return False


_PARITY_LETTER = {"none": "N", "even": "E", "odd": "O"}


def _hear(port: Port, settings: AsyncSettings, dwell_s: float, clock: Callable[[], float]) -> Heard:
    port.baudrate = int(settings.baud)
    port.parity = _PARITY_LETTER[settings.parity]
    marks = _mark_errors(port)
    port.reset_input_buffer()
    data = bytearray()
    until = clock() + dwell_s
    while clock() < until and len(data) < ENOUGH_BYTES:
        data += port.read(256)
    plain, marked = unmarked(bytes(data)) if marks else (bytes(data), 0)
    score = sense(plain) * (1 - marked / max(len(plain), 1)) ** 4 if len(plain) >= FEWEST_BYTES else 0.0
    return Heard(_seven(settings, plain), len(plain), marked, score)


def unmarked(data: bytes) -> tuple[bytes, int]:
    """Return the characters of marked input and how many are marked wrong (FF FF is one FF, FF 00 marks the next)."""
    out, n, i = bytearray(), 0, 0
    while i < len(data):
        if data[i] == 0xFF and i + 2 < len(data) and data[i + 1] == 0:
            out.append(data[i + 2])
            n, i = n + 1, i + 3
        elif data[i] == 0xFF and i + 1 < len(data) and data[i + 1] == 0xFF:
            out.append(0xFF)
            i += 2
        else:
            out.append(data[i])
            i += 1
    return bytes(out), n


def sense(data: bytes) -> float:
    """Return how much bytes look like frames or text, 0 to 1: repetition at a distance beyond chance, or print."""
    n = len(data)
    chance = sum(count * count for count in Counter(data).values()) / (n * n)
    if chance > 0.9:
        return 0.1  # one value over and over is a stuck line or a far too slow rate
    same = max(sum(a == b for a, b in zip(data, data[step:], strict=False)) / (n - step)
               for step in range(2, max(3, min(LONGEST_PERIOD, n // 2))))
    repeat = max(0.0, (same - chance) / (1 - chance))
    text = sum(32 <= byte < 127 or byte in (9, 10, 13) for byte in data) / n
    return max(repeat, text if text > 0.9 else 0.0)


def _seven(settings: AsyncSettings, data: bytes) -> AsyncSettings:
    """Return the settings, as seven bits with parity where the top bit always is the parity of the rest."""
    if settings.parity != "none" or len(set(data)) < 10:
        return settings
    odd = {byte.bit_count() & 1 for byte in data}
    if len(odd) != 1 or not any(byte & 0x80 for byte in data):
        return settings
    return replace(settings, data_bits=7, parity="odd" if odd == {1} else "even")
