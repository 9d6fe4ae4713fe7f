"""A reading in its moment: when it came, on which bench, after which gap, and how all that is written as JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass
from decimal import Decimal

from tapwright.core.reading import Reading


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """One stretch of readings between the instrument's switch-on and its switch-off.

    Parameters
    ----------
    ident : name of the session, usable in a URL, unique among benches
    instrument : the instrument's name
    started : Unix seconds of the first reading
    mono_s : the same moment on the monotonic clock
    """

    ident: str
    instrument: str
    started: float
    mono_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Moment:
    """A reading as it came in.

    Parameters
    ----------
    reading : what was read; its `t_s` is the source's own clock, its `seq` the number in this run
    session : the session it belongs to
    t : Unix seconds of its arrival
    mono_s : the same on the monotonic clock
    gap_s : seconds without a frame before it, None where that is usual
    note : why it is doubted, in words
    """

    reading: Reading
    session: Session
    t: float
    mono_s: float
    gap_s: float | None = None
    note: str = ""

    @property
    def seq(self) -> int:
        """Running number in this run."""
        return self.reading.seq

    @property
    def t_s(self) -> float:
        """Seconds since the session's first reading, on the monotonic clock."""
        return self.mono_s - self.session.mono_s

    def json(self) -> str:
        """Return the reading as the one line of JSON that every client gets."""
        reading, text = self.reading, json.dumps
        return (
            f'{{"t":{self.t:.6f},"seq":{reading.seq},"display":{text(reading.display, ensure_ascii=False)},'
            f'"value":{number(reading.value)},"unit":{text(reading.unit, ensure_ascii=False)},'
            f'"flags":{text(reading.flags, ensure_ascii=False)},"status":"{reading.status.value}",'
            f'"instrument":{text(self.session.instrument, ensure_ascii=False)},"t_s":{self.t_s:.6f},'
            f'"gap_s":{"null" if self.gap_s is None else f"{self.gap_s:.3f}"},'
            f'"note":{text(self.note, ensure_ascii=False)}}}'
        )


def number(value: Decimal | None) -> str:
    """Return a decimal as a JSON number with its own digits (`6.820`), `null` where there is none."""
    if value is None or not value.is_finite():
        return "null"
    return format(value, "f")
