"""A reading: what the display showed, as text and as a number, and how far to trust it."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum


class Status(StrEnum):
    """How far a reading is to be trusted."""

    OK = "ok"  # every part is settled by the labels and the frame's check holds
    OVERLOAD = "overload"
    BLANK = "blank"
    UNPROVEN = "unproven"  # the frame holds something that the labels never settled
    BAD_CHECK = "bad check"
    BROKEN = "broken"


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One frame's reading.

    Parameters
    ----------
    t_s : seconds, on the capture's or the source's clock
    display : as the eye reads it, sign and point included; `?` for what is not settled
    value : the number in the shown unit; None where there is none
    unit : as shown, with its prefix (`kΩ`, `°C`); `?` where it is not settled
    flags : words separated by spaces; a `?` among them says that more may be on
    status : see `Status`
    seq : running number of the frame, from 0
    """

    t_s: float
    display: str
    value: Decimal | None
    unit: str
    flags: str
    status: Status
    seq: int = 0
