"""What one connection's commands do and answer, over any instrument's hub.

A number that is not certain is never given out: the answer is then not-a-number, and the queue says why.
Source: SCPI-1999 volume 1 section 7.2.1 (9.91E37 not a number, 9.9E37 over range).
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Awaitable, Callable
from decimal import Decimal

from tapwright import VERSION
from tapwright.core import units
from tapwright.core.reading import Reading
from tapwright.core.reading import Status as ReadingStatus
from tapwright.live.hub import EventKind, Hub
from tapwright.live.moment import Moment
from tapwright.live.plain_text import in_ascii
from tapwright.live.scpi.message import Command, command_of, pattern, units_of, whole_number
from tapwright.live.scpi.status import MEASURING, NO_SIGNAL, NOT_PROVEN, OPC, OVERLOAD, Register, ScpiError, Status

NOT_A_NUMBER, OVER, UNDER = "+9.91E+37", "+9.9E+37", "-9.9E+37"
IDN_MOST = 72
READ_WAIT_S = 5.0
#: Base units that SCPI has a function for; their numbers are given in the base unit, as SCPI asks.
FUNCTIONS = {"V": "VOLT", "A": "CURR", "Ω": "RES", "F": "CAP", "H": "IND", "Hz": "FREQ", "s": "PER", "W": "POW",
             "°C": "TEMP", "°F": "TEMP", "K": "TEMP"}

Answer = str | None
Action = Callable[[tuple[str, ...]], Answer | Awaitable[Answer]]


class Conversation:
    """One connection to one instrument."""

    def __init__(self, hub: Hub, *, read_wait_s: float = READ_WAIT_S) -> None:
        self.hub = hub
        self.status = Status()
        self.read_wait_s = read_wait_s
        self._fresh: asyncio.Future[Moment] | None = None
        self._answers: list[str] = []
        self._actions = [(pattern(header), action) for header, action in self._table().items()]
        self._look()
        self.leave = hub.listen(self._hear)

    async def answer(self, line: str) -> str | None:
        """Do what one program message says; return the response message without its line end, None where none."""
        path = ""
        self._answers = []
        for unit in units_of(line):
            if not unit.strip(" \t\r\0"):
                continue
            try:
                command, path = command_of(unit, path)
                said = self._do(command)
                said = said if said is None or isinstance(said, str) else await said
            except ScpiError as error:
                self.status.fail(error)
                if -199 <= error.number <= -100:
                    break  # the parser has lost its place: IEEE 488.2 gives up the rest of the message
            else:
                if said is not None:
                    self._answers.append(said)
        return ";".join(self._answers) if self._answers else None

    def _do(self, command: Command) -> Answer | Awaitable[Answer]:
        for known, action in self._actions:
            if known.fullmatch(command.header):
                return action(command.parameters)
        raise ScpiError(-113, command.header[:40])

    def _table(self) -> dict[str, Action]:
        status = self.status
        table: dict[str, Action] = {
            "*CLS": _bare(status.clear),
            "*ESE": self._set_event_enable,
            "*ESE?": _asked(lambda: status.event_enable),
            "*ESR?": _asked(self._take_event),
            "*IDN?": _asked(self._identity),
            "*OPC": _bare(self._complete),
            "*OPC?": _asked(lambda: 1),
            "*RST": _bare(lambda: None),
            "*SRE": self._set_request_enable,
            "*SRE?": _asked(lambda: status.request_enable),
            "*STB?": _asked(lambda: status.byte(bool(self._answers))),
            "*TST?": _asked(lambda: 0),
            "*WAI": _bare(lambda: None),
            "READ?": self._read,
            "FETCh?": _asked(self._fetch),
            "CONFigure?": _asked(self._configured),
            "SYSTem:ERRor[:NEXT]?": _asked(status.next_error),
            "SYSTem:ERRor:COUNt?": _asked(lambda: len(status.errors)),
            "SYSTem:VERSion?": _asked(lambda: "1999.0"),
            "STATus:PRESet": _bare(self._preset),
        }
        for name, register in (("OPERation", status.operation), ("QUEStionable", status.questionable)):
            table |= _register(name, register)
        return table

    # Common commands

    def _set_event_enable(self, parameters: tuple[str, ...]) -> None:
        self.status.event_enable = whole_number(parameters, 255)

    def _set_request_enable(self, parameters: tuple[str, ...]) -> None:
        self.status.request_enable = whole_number(parameters, 255) & ~64  # IEEE 488.2 11.3.2.3: bit 6 is not kept

    def _take_event(self) -> int:
        event, self.status.event = self.status.event, 0
        return event

    def _complete(self) -> None:
        self.status.event |= OPC  # nothing is ever pending

    def _preset(self) -> None:
        self.status.operation.enable = self.status.questionable.enable = 0

    def _identity(self) -> str:
        room = IDN_MOST - len(f"tapwright,,0,{VERSION}")
        model = re.sub(r"[^\x20-\x7e]|[,;]", "", in_ascii(self.hub.name))[:room].strip() or "0"
        return f"tapwright,{model},0,{VERSION}"

    # Readings

    async def _read(self, parameters: tuple[str, ...]) -> str:
        _no_parameters(parameters)
        self._fresh = asyncio.get_running_loop().create_future()
        try:
            moment = await asyncio.wait_for(self._fresh, self.read_wait_s)
        except TimeoutError:
            self.status.fail(ScpiError(-365, f"no frame within {self.read_wait_s:g} s"))
            return NOT_A_NUMBER
        finally:
            self._fresh = None
        return self._number(moment.reading)

    def _fetch(self) -> str:
        last = self.hub.last
        if last is None or not self.hub.is_live():
            self.status.fail(ScpiError(-230, in_ascii(self.hub.link.text)[:80]))
            return NOT_A_NUMBER
        return self._number(last.reading)

    def _number(self, reading: Reading) -> str:
        if reading.status is ReadingStatus.OVERLOAD:
            return UNDER if reading.display.startswith("-") else OVER
        if reading.status is not ReadingStatus.OK or reading.value is None:
            if reading.status is not ReadingStatus.BLANK:
                self.status.fail(ScpiError(-230, reading.status.value))
            return NOT_A_NUMBER
        unit = units.parse(reading.unit)
        return scientific(unit.to_base(reading.value) if unit.base in FUNCTIONS else reading.value)

    def _configured(self) -> str:
        last = self.hub.last
        if last is None:
            return '""'
        unit = units.parse(last.reading.unit)
        function = FUNCTIONS.get(unit.base, in_ascii(last.reading.unit))
        kind = next((word for word in last.reading.flags.split() if word in ("AC", "DC")), "")
        if kind and function in ("VOLT", "CURR"):
            function += f":{kind}"
        return '"' + function.replace('"', '""') + '"'

    # Status

    def _hear(self, kind: EventKind, event: object) -> None:
        if kind == "reading" and isinstance(event, Moment):
            self._look()
            if self._fresh is not None and not self._fresh.done():
                self._fresh.set_result(event)
        elif kind == "link":
            self._look()

    def _look(self) -> None:
        live, last = self.hub.is_live(), self.hub.last
        self.status.operation.become(MEASURING if live else 0)
        condition = 0 if live else NO_SIGNAL
        if live and last is not None:
            if last.reading.status is ReadingStatus.OVERLOAD:
                condition |= OVERLOAD
            elif last.reading.status is not ReadingStatus.OK and last.reading.status is not ReadingStatus.BLANK:
                condition |= NOT_PROVEN
        self.status.questionable.become(condition)


def scientific(value: Decimal) -> str:
    """Return a number as NR3 with the digits shown: 6.820 is `+6.820E+00` (IEEE 488.2 section 8.7.4)."""
    sign, digits, exponent = value.as_tuple()
    assert isinstance(exponent, int)
    if not any(digits):
        places = max(-exponent, 1)
        return f"+0.{'0' * places}E+00"
    text = "".join(map(str, digits)).lstrip("0")
    power = exponent + len(text) - 1
    return f"{'-' if sign else '+'}{text[0]}.{text[1:] or '0'}E{power:+03d}"


def _register(name: str, register: Register) -> dict[str, Action]:
    def set_enable(parameters: tuple[str, ...]) -> None:
        register.enable = whole_number(parameters, 65535) & 0x7FFF  # SCPI-1999: bit 15 is always 0

    return {
        f"STATus:{name}[:EVENt]?": _asked(register.take_event),
        f"STATus:{name}:CONDition?": _asked(lambda: register.condition),
        f"STATus:{name}:ENABle": set_enable,
        f"STATus:{name}:ENABle?": _asked(lambda: register.enable),
    }


def _no_parameters(parameters: tuple[str, ...]) -> None:
    if parameters:
        raise ScpiError(-108)


def _asked(what: Callable[[], int | str]) -> Action:
    def action(parameters: tuple[str, ...]) -> str:
        _no_parameters(parameters)
        return str(what())
    return action


def _bare(what: Callable[[], None]) -> Action:
    def action(parameters: tuple[str, ...]) -> None:
        _no_parameters(parameters)
        what()
    return action
