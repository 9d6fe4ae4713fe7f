"""A job: one instrument to be opened up, and what its dial and display offer that must all be seen."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path

SHOWS = ("negative", "overload", "blank")


@dataclass(frozen=True, kw_only=True)
class Range:
    """One range of the instrument, by its greatest reading.

    Parameters
    ----------
    text : the greatest reading as displayed, without unit ("599.9")
    unit : as shown, with its prefix
    """

    text: str
    unit: str

    @property
    def greatest(self) -> Decimal:
        """The greatest reading in the shown unit."""
        return Decimal(self.text)

    @property
    def decimals(self) -> int:
        """Digits after the point."""
        return len(self.text.partition(".")[2])


@dataclass(frozen=True, kw_only=True)
class Demands:
    """What must be covered before the case is closed; all empty where no job says.

    Parameters
    ----------
    functions : positions of the dial, in words
    units : as shown, with their prefixes
    flags : words of the display
    shows : any of `SHOWS`
    ranges : each range by its greatest reading
    """

    functions: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    shows: tuple[str, ...] = ()
    ranges: tuple[Range, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Job:
    """A job folder's `job.toml`."""

    folder: Path
    name: str = ""
    supply_v: float | None = None
    demands: Demands = field(default_factory=Demands)
