"""Do the levels fit? A line's levels at fresh and worn cells against the thresholds of the side that reads them.

In: an instrument's supply at fresh and worn cells, the receiving side's `Family` or own numbers. Out: `Fit` entries:
direct, series resistor, divider or level shifter, with the margins in volts and E-series values.

Source of the families: JESD8C.01 (3.3 V), JESD8-5A.01 (2.5 V), JESD8-7A (1.8 V), JESD8-11A.01 (1.5 V), JESD8-12A.01
(1.2 V), normal range; "5v ttl" and "5v cmos" are conventions of the trade, no standard.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tapwright.core.errors import UsageError

#: Into an input's clamp: common practice's limit for a steady current, and the drop of the clamp.
CLAMP_A, CLAMP_DROP_V = 1e-3, 0.6
OUTPUT_SHARE = (0.1, 0.9)  # an unknown output is taken to reach these shares of its supply under light load
E24 = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5,
       8.2, 9.1)  # IEC 60063


@dataclass(frozen=True, kw_only=True)
class Family:
    """Thresholds of an input and limits of an output, volts, at one supply."""

    name: str
    supply_v: float
    low_max_v: float
    high_min_v: float
    out_low_v: float
    out_high_v: float
    standard: str


def _share(name: str, supply: float, out_low: float, out_high: float, standard: str) -> Family:
    return Family(name=name, supply_v=supply, low_max_v=round(0.35 * supply, 4), high_min_v=round(0.65 * supply, 4),
                  out_low_v=out_low, out_high_v=out_high, standard=standard)


FAMILIES = {family.name: family for family in (
    Family(name="3.3v", supply_v=3.3, low_max_v=0.8, high_min_v=2.0, out_low_v=0.4, out_high_v=2.4,
           standard="JESD8C.01"),
    Family(name="2.5v", supply_v=2.5, low_max_v=0.7, high_min_v=1.7, out_low_v=0.4, out_high_v=2.0,
           standard="JESD8-5A.01"),
    _share("1.8v", 1.8, 0.45, 1.35, "JESD8-7A"),
    _share("1.5v", 1.5, 0.375, 1.125, "JESD8-11A.01"),
    _share("1.2v", 1.2, 0.3, 0.9, "JESD8-12A.01"),
    Family(name="5v ttl", supply_v=5.0, low_max_v=0.8, high_min_v=2.0, out_low_v=0.4, out_high_v=2.4,
           standard="convention"),
    Family(name="5v cmos", supply_v=5.0, low_max_v=1.5, high_min_v=3.5, out_low_v=0.5, out_high_v=4.5,
           standard="convention"),
)}


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How one line meets the board.

    Parameters
    ----------
    pad : the pad's name
    way : "board reads" or "board drives"
    how : "direct", "series resistor", "divider" or "level shifter"
    high_margin_v, low_margin_v : what is left over the thresholds at worst; negative where it does not fit
    over_v : how far the line stands above the reading side's supply at fresh cells
    series_ohm, upper_ohm, lower_ohm : E24 values where one is needed
    why : in words
    """

    pad: str
    way: str
    how: str
    high_margin_v: float
    low_margin_v: float
    over_v: float
    why: str
    series_ohm: float | None = None
    upper_ohm: float | None = None
    lower_ohm: float | None = None


def family(name: str, *, supply_v: float | None = None, low_max_v: float | None = None,
           high_min_v: float | None = None) -> Family:
    """Return a family by name, with a part's own numbers in place of its where they are given.

    Raises
    ------
    UsageError : no such family, or numbers that contradict each other
    """
    base = FAMILIES.get(" ".join(name.split()).casefold())
    if base is None:
        raise UsageError(f"no logic family named '{name}'", expected="one of " + ", ".join(FAMILIES),
                         do="or give the nearest one and the part's own --vil and --vih")
    volts = base.supply_v if supply_v is None else supply_v
    low = base.low_max_v if low_max_v is None else low_max_v
    high = base.high_min_v if high_min_v is None else high_min_v
    if not 0 <= low < high <= volts:
        raise UsageError(f"thresholds {low:g} V and {high:g} V at a supply of {volts:g} V",
                         expected="0 <= VIL < VIH <= the board's supply")
    own = low_max_v is not None or high_min_v is not None or supply_v is not None
    return Family(name=base.name, supply_v=volts, low_max_v=low, high_min_v=high, out_low_v=base.out_low_v,
                  out_high_v=base.out_high_v if supply_v is None else volts - (base.supply_v - base.out_high_v),
                  standard="the part's own numbers" if own else base.standard)


def board_reads(pad: str, board: Family, *, fresh_v: float, worn_v: float, source_ohm: float = 1e3,
                low_v: float | None = None) -> Fit:
    """Return how a line of the instrument meets an input of the board.

    Parameters
    ----------
    fresh_v, worn_v : the line's high level at fresh and at worn cells
    source_ohm : what stands behind the line; a divider must be well above it
    low_v : the line's low level, a tenth of the worn high where not known
    """
    low = OUTPUT_SHARE[0] * worn_v if low_v is None else low_v
    high_margin, low_margin = worn_v - board.high_min_v, board.low_max_v - low
    over = fresh_v - board.supply_v
    common = {"pad": pad, "way": "board reads", "over_v": round(over, 3)}
    if high_margin < 0 or low_margin < 0:
        why = (f"{worn_v:g} V at worn cells is under the {board.high_min_v:g} V that the input needs for high"
               if high_margin < 0 else f"{low:g} V is over the {board.low_max_v:g} V that the input takes for low")
        return Fit(how="level shifter", high_margin_v=round(high_margin, 3), low_margin_v=round(low_margin, 3),
                   why=why, **common)  # type: ignore[arg-type]
    if over <= 0.3:
        return Fit(how="direct", high_margin_v=round(high_margin, 3), low_margin_v=round(low_margin, 3), why=(
            "fits; when the board may be off while the instrument runs, put a series resistor of 1k to 10k so that "
            "the line does not feed it through its clamp"), **common)  # type: ignore[arg-type]
    series = e24_at_least(max(over - CLAMP_DROP_V, 0.05) / (CLAMP_A / 2))
    upper, lower = divider(fresh_v, board.supply_v, source_ohm)
    ratio = lower / (upper + lower + source_ohm)
    if worn_v * ratio >= board.high_min_v:
        return Fit(how="divider", high_margin_v=round(worn_v * ratio - board.high_min_v, 3),
                   low_margin_v=round(board.low_max_v - low * ratio, 3), upper_ohm=upper, lower_ohm=lower,
                   why=f"{fresh_v:g} V is {over:.2f} V over the input's supply: divide it", **common)  # type: ignore[arg-type]
    return Fit(how="series resistor", high_margin_v=round(high_margin, 3), low_margin_v=round(low_margin, 3),
               series_ohm=max(series, 1000.0), why=(
                   f"a divider would leave worn cells under {board.high_min_v:g} V; the resistor keeps the current "
                   "into the input's clamp under 0.5 mA at fresh cells"), **common)  # type: ignore[arg-type]


def board_drives(pad: str, board: Family, *, fresh_v: float, worn_v: float) -> Fit:
    """Return how an output of the board meets an input of the instrument, whose thresholds nobody has published.

    The instrument's input is taken as 0.3 and 0.7 of its own supply (the convention for CMOS inputs).
    """
    high_margin = board.out_high_v - 0.7 * fresh_v
    low_margin = 0.3 * worn_v - board.out_low_v
    over = board.supply_v - worn_v
    common = {"pad": pad, "way": "board drives", "over_v": round(over, 3), "high_margin_v": round(high_margin, 3),
              "low_margin_v": round(low_margin, 3)}
    if high_margin < 0 or low_margin < 0:
        return Fit(how="level shifter", why=(
            f"the board's {board.out_high_v:g} V high does not surely reach 0.7 of {fresh_v:g} V"
            if high_margin < 0 else "the board's low does not surely reach 0.3 of the worn supply"),
            **common)  # type: ignore[arg-type]
    series = e24_at_least(max(over - CLAMP_DROP_V, 0.5) / (CLAMP_A / 2))
    if over > 0.3:
        upper, lower = divider(board.supply_v, worn_v, 100.0)
        ratio = lower / (upper + lower)
        if board.out_high_v * ratio >= 0.7 * fresh_v:
            common |= {"high_margin_v": round(board.out_high_v * ratio - 0.7 * fresh_v, 3),
                       "low_margin_v": round(0.3 * worn_v - board.out_low_v * ratio, 3)}
            return Fit(how="divider", upper_ohm=upper, lower_ohm=lower,
                       why=f"the board stands {over:.2f} V over the worn supply: divide it", **common)  # type: ignore[arg-type]
    return Fit(how="series resistor", series_ohm=max(series, 1000.0), why=(
        "the resistor keeps the current under 0.5 mA if both should drive, or one side is off"),
        **common)  # type: ignore[arg-type]


def divider(top_v: float, limit_v: float, source_ohm: float) -> tuple[float, float]:
    """Return E24 (upper, lower) that bring `top_v` just to `limit_v` or under, stiff against stray loads."""
    lower = e24_at_least(max(10e3, 20 * source_ohm) * 0.999)
    upper = e24_at_least(max(lower * (top_v / limit_v - 1) - source_ohm, 1.0) * 0.999999)
    return upper, lower


def e24_at_least(ohm: float) -> float:
    """Return the smallest E24 value of at least `ohm`."""
    decade = 10.0 ** math.floor(math.log10(ohm))
    for value in (*E24, 10.0):
        if value * decade >= ohm * 0.9999999:
            return float(f"{value * decade:.3g}")
    raise AssertionError("ten times the decade is at least as large")
