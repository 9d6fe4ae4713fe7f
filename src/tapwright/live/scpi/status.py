"""The status model of IEEE 488.2 and SCPI-1999: error queue, event registers, status byte.

Source: IEEE 488.2-1992 chapter 11; SCPI-1999 volume 1 chapter 9 and volume 2 section 21.8 (numbers and texts). Checked
against tests/golden/scpi-errors.csv.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

OPC, QYE, DDE, EXE, CME = 1, 4, 8, 16, 32
EAV, QUES, MAV, ESB, MSS, OPER = 4, 8, 16, 32, 64, 128
QUEUE_MOST = 20

#: Conditions of STATus:OPERation: bit 4 is SCPI's MEASuring.
MEASURING = 1 << 4
#: Conditions of STATus:QUEStionable in the bits left to the designer (9 to 12).
NOT_PROVEN, NO_SIGNAL, OVERLOAD = 1 << 9, 1 << 10, 1 << 11

TEXTS = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -120: "Numeric data error",
    -222: "Data out of range",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -365: "Time out error",
}


class ScpiError(Exception):
    """An error that goes into the queue; `detail` follows the standard's text after a semicolon."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number)
        self.number = number
        self.detail = detail


@dataclass
class Register:
    """Condition, event and enable of one status structure; an event is a condition that came up."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def become(self, condition: int) -> None:
        """Set the condition; bits that rise are kept as events."""
        self.event |= condition & ~self.condition
        self.condition = condition

    def take_event(self) -> int:
        """Return the event register and clear it."""
        event, self.event = self.event, 0
        return event


@dataclass
class Status:
    """All status of one connection."""

    event: int = 0
    event_enable: int = 0
    request_enable: int = 0
    operation: Register = field(default_factory=Register)
    questionable: Register = field(default_factory=Register)
    errors: deque[tuple[int, str]] = field(default_factory=deque)

    def fail(self, error: ScpiError) -> None:
        """Put an error into the queue and its bit into the event register."""
        self.event |= event_bit(error.number)
        if len(self.errors) >= QUEUE_MOST:
            self.errors[-1] = (-350, "")
        else:
            self.errors.append((error.number, error.detail))

    def next_error(self) -> str:
        """Take the oldest error as `number,"text;detail"`, the string at most 255 characters."""
        number, detail = self.errors.popleft() if self.errors else (0, "")
        text = TEXTS[number] + (f";{detail}" if detail else "")
        return f'{number},"{text[:255].replace(chr(34), chr(34) * 2)}"'

    def clear(self) -> None:
        """Do what *CLS does: empty the queue and all event registers."""
        self.errors.clear()
        self.event = 0
        self.operation.event = self.questionable.event = 0

    def byte(self, answers_wait: bool) -> int:
        """Return the status byte as *STB? answers it, with the master summary in bit 6."""
        value = (EAV if self.errors else 0) | (MAV if answers_wait else 0)
        value |= QUES if self.questionable.event & self.questionable.enable else 0
        value |= ESB if self.event & self.event_enable else 0
        value |= OPER if self.operation.event & self.operation.enable else 0
        return value | (MSS if value & self.request_enable else 0)


def event_bit(number: int) -> int:
    """Return the event register's bit for an error number."""
    for low, high, bit in ((-199, -100, CME), (-299, -200, EXE), (-399, -300, DDE), (-499, -400, QYE)):
        if low <= number <= high:
            return bit
    return DDE if number > 0 else 0
