"""What was on the display, and from when to when: recorded readings joined to stretches, for captions and images."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tapwright.core.reading import Status

if TYPE_CHECKING:
    from tapwright.live.store import Row

#: After a silence of more than so long, or three usual periods where that is longer, the display is not known.
SILENT_S = 1.0
PERIODS_MISSED = 3


@dataclass(frozen=True, kw_only=True)
class Shown:
    """One stretch of an unchanged display, seconds on the session's clock; `live` is False where nothing came."""

    start_s: float
    end_s: float
    display: str
    unit: str
    flags: str
    status: Status
    live: bool = True

    @property
    def text(self) -> str:
        """The stretch as a line of text; what is no measurement says so."""
        if not self.live:
            return "no signal"
        shown = " ".join(part for part in (self.display.strip(), self.unit, self.flags) if part)
        return shown if self.status in (Status.OK, Status.OVERLOAD) else f"{shown} ({self.status.value})".strip()


def stretches(rows: Iterable[Row]) -> Iterator[Shown]:
    """Yield what was shown, in time order and without holes; a stretch without frames is one that is not live."""
    current: Shown | None = None
    last_s, period_s = 0.0, 0.0
    for _, _, t_s, display, _, unit, flags, status in rows:
        gap_s = t_s - last_s
        if current is not None:
            if gap_s > max(SILENT_S, PERIODS_MISSED * period_s):
                yield _ended(current, last_s + period_s)
                yield Shown(start_s=last_s + period_s, end_s=t_s, display="", unit="", flags="", status=Status.BLANK,
                            live=False)
                current = None
            else:
                # A running mean that follows within some ten frames.
                period_s = gap_s if not period_s else period_s + 0.1 * (gap_s - period_s)
        same = current is not None and (display, unit, flags, status) == (
            current.display, current.unit, current.flags, current.status.value)
        if not same:
            if current is not None:
                yield _ended(current, t_s)
            current = Shown(start_s=t_s, end_s=t_s, display=display, unit=unit, flags=flags, status=Status(status))
        last_s = t_s
    if current is not None:
        yield _ended(current, last_s + (period_s or 0.5))


def _ended(shown: Shown, end_s: float) -> Shown:
    return Shown(start_s=shown.start_s, end_s=max(end_s, shown.start_s), display=shown.display, unit=shown.unit,
                 flags=shown.flags, status=shown.status)
