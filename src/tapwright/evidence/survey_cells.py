"""One cell of a survey: volts, a range, ohms, hertz, overload or nothing, as people write them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapwright.core.errors import SurveyError

VOLTS, OHMS, AC, HZ = "volts", "ohms", "ac", "hz"
MOST_VOLTS = 1000.0
LEAST = 1.0  # ohms, volts or hertz under zero that shorted leads may show

_BLANK = frozenset(["", "-", "--", "–", "—"])
_NUMBER = r"[-+−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_CELL = re.compile(rf"[~≈]?\s*({_NUMBER})\s*(?:(?:\.\.\.?|…|–|\bto\b)\s*({_NUMBER}))?\s*(\D*)$")
_PLAIN = re.compile(r"-?\d{1,9}(?:\.\d{0,9})?$", re.A)
_COUNTS = tuple(10.0**-k for k in range(10))
_MINUS_RANGE = re.compile(rf"({_NUMBER})\s*-\s*({_NUMBER})\s*(\D*)$")
_VOLTS_TWICE = re.compile(rf"({_NUMBER})\s*V\s*(?:\.\.\.?|…|–|to\b)\s*({_NUMBER})\s*V?$", re.I)
_VOLT_UNITS = {"": 1.0, "v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "vdc": 1.0, "v dc": 1.0}
_AC_UNITS = {**_VOLT_UNITS, "vac": 1.0, "v ac": 1.0, "mvac": 1e-3}
_HZ_UNITS = {"": 1.0, "hz": 1.0, "khz": 1e3, "mhz": 1e6}
_OHM_UNITS = {"": 1.0, "ω": 1.0, "ohm": 1.0, "ohms": 1.0, "r": 1.0, "k": 1e3, "kω": 1e3, "kohm": 1e3, "kohms": 1e3,
              "m": 1e6, "mω": 1e6, "mohm": 1e6, "mohms": 1e6}
_OVER = frozenset(["ol", "o.l", "0l", "o.l.", "over", "inf", "∞", "open"])


@dataclass(frozen=True)
class Cell:
    """One measurement: `low` to `high` in volts, ohms or hertz (equal where it stood still; inf: overload).

    `count` is one count of the last digit shown, in the same unit.
    """

    low: float
    high: float
    count: float

    @property
    def middle(self) -> float:
        """The middle of what was seen."""
        return self.low if self.low == self.high else (self.low + self.high) / 2

    @property
    def span(self) -> float:
        """How far it wandered."""
        return 0.0 if self.low == self.high else self.high - self.low


def read_cell(text: str, quantity: str, *, path: Path, line: int, place: str) -> Cell | None:
    """Return what a cell says, None for a blank.

    Raises
    ------
    SurveyError : it is no reading of that quantity, with the place
    """
    text = text.strip()
    if text in _BLANK:
        return None
    if _PLAIN.match(text) and -LEAST <= (value := float(text)) <= MOST_VOLTS:  # nearly every cell of a large survey
        return Cell(value, value, _COUNTS[len(text.partition(".")[2])])
    text = " ".join(text.split())
    units, what = {OHMS: (_OHM_UNITS, "ohms, as 0.3, 47k or OL"), HZ: (_HZ_UNITS, "hertz, as 50 or 1.2 kHz"),
                   AC: (_AC_UNITS, "volts, as 0.98"),
                   VOLTS: (_VOLT_UNITS, "volts, as 2.98, 2.98 V or 0.4..1.9, or a blank")}[quantity]
    if quantity == OHMS and text.casefold().replace(" ", "").rstrip("ωhms") in _OVER:
        return Cell(math.inf, math.inf, math.inf)
    if quantity == VOLTS and (twice := _VOLTS_TWICE.match(text)):  # 0.4 V..1.9 V
        text = f"{twice[1]}..{twice[2]}"
    found = _CELL.match(text) or _MINUS_RANGE.match(text)
    unit = found.group(3).strip() if found else ""
    scale = units.get(unit.casefold()) if found else None
    if scale is None and unit == "M" and quantity == OHMS:
        scale = 1e6
    values = [_float(part) for part in found.groups()[:2] if part is not None] if found else []
    if found is None or scale is None or not all(math.isfinite(value) for value in values):
        raise SurveyError(f"'{text}' in a cell of {quantity}", path=path, line=line,
                          place=place, expected=what)
    values = sorted(value * scale for value in values)
    if quantity != VOLTS and values[0] < -LEAST:
        raise SurveyError(f"'{text}' is under zero", path=path, line=line,
                          place=place, expected=what,
                          do="measure again: volts left on the pad spoil ohms" if quantity == OHMS else "")
    if max(abs(value) for value in values) > (MOST_VOLTS if quantity in (VOLTS, AC) else 1e12):
        raise SurveyError(f"'{text}' is no reading of a meter", path=path, line=line,
                          place=place, expected=what)
    return Cell(values[0], values[-1], scale * 10.0 ** -_decimals(found.group(1)))


def with_counts(meters: Sequence[tuple[str, str]], cells: Sequence[dict[int, Cell]]) -> list[dict[int, Cell]]:
    """Give each cell the count of the meter's range, not of a number whose last zeros were dropped.

    Parameters
    ----------
    meters : quantity and meter of each column
    cells : of each pad, by column

    A meter shows as many digits for 3.0 as for 2.98: the finest count among readings of at least half the size holds.
    """
    result: list[dict[int, Cell]] = [{} for _ in cells]
    groups: dict[tuple[str, str], list[tuple[float, int, int]]] = {}
    for row, pad in enumerate(cells):
        for i, cell in pad.items():
            groups.setdefault(meters[i], []).append((abs(cell.middle), row, i))
    for group in groups.values():
        group.sort(key=lambda item: -item[0])
        finest = [math.inf] * (len(group) + 1)
        for k, (_, row, i) in enumerate(group):
            finest[k + 1] = min(finest[k], cells[row][i].count)
        reach = 0
        for size, row, i in group:
            while reach < len(group) and group[reach][0] >= size / 2:
                reach += 1
            cell = cells[row][i]
            result[row][i] = Cell(cell.low, cell.high, min(cell.count, finest[reach]))
    return result


def _float(text: str) -> float:
    try:
        return float(text.replace(",", ".").replace("−", "-"))
    except (ValueError, OverflowError):
        return math.nan


def _decimals(text: str) -> int:
    mantissa, _, power = text.replace(",", ".").lower().partition("e")
    return len(mantissa.partition(".")[2]) - (int(power) if power else 0)
