"""The tap sheet: which wires to solder, with which part between, which to leave, and what not to connect while.

In: `Findings`, perhaps the board's logic family. Out: a `Sheet`, in words here and as a picture in `draw`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tapwright.evidence.survey import ohm_text
from tapwright.pins.advise import SETTLED
from tapwright.pins.circuits import GROUND
from tapwright.pins.find import Findings, Pad
from tapwright.pins.levels import Family, Fit, board_drives, board_reads

SERIES_OHM = 1e3
NO_WIRE = "nothing yet"
CAUTIONS = (
    "Take the cells out before soldering; the first power-up goes through a current limit (100 mA).",
    "Opening the case ends its insulation and its measurement category (IEC 61010 series): after that extra-low "
    "voltage only, unless a qualified person has assessed it. Local rules come first.",
    "The radio was also the isolation: the case's inner ground is at the COM lead. Never connect USB, a programmer, a "
    "capture lead or a scope's ground while the probes touch anything, mains above all.",
)


@dataclass(frozen=True, kw_only=True)
class Wire:
    """One wire: from a pad to the board, with a part between, and why."""

    pad: str
    to: str
    part: str
    why: str
    is_sure: bool


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What to solder, what to leave (pad, why), and the cautions."""

    wires: tuple[Wire, ...]
    leave: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    fits: tuple[Fit, ...]


def tap_sheet(findings: Findings, *, board: Family | None = None, fresh_v: float | None = None,
              worn_v: float | None = None) -> Sheet:
    """Return the tap sheet.

    Parameters
    ----------
    board : the receiving side's thresholds; None: no levels are checked, 1k stands in every signal wire
    fresh_v, worn_v : the instrument's supply at fresh and worn cells; None: the supply as measured, and 0.8 of it
    """
    fresh = findings.supply_v if fresh_v is None else fresh_v
    worn = 0.8 * findings.supply_v if worn_v is None else worn_v
    fits: list[Fit] = []
    wires: list[Wire] = []
    taken: set[str] = set()
    ground = _ground(findings)
    if ground is not None:
        wires.append(Wire(pad=ground.pad, to="board ground", part="a plain wire",
                          why="first on, last off: every other level counts from it",
                          is_sure=ground.role == "ground" and ground.is_settled))
        taken.add(ground.pad)
    pad = _best(findings.pads, "supply")
    if pad is not None:
        wires.append(Wire(pad=pad.pad, to=NO_WIRE, part="see 'tapwright supply'", is_sure=pad.is_settled, why=(
            "the cells' side; whether they carry the board is the supply plan's answer, not this sheet's")))
        taken.add(pad.pad)
    for pad in (one for one in findings.pads if one.role == "data"):
        fit = _fit(findings, pad, board, fresh, worn, drives=False)
        fits += [fit] if fit else []
        wires.append(Wire(pad=pad.pad, to="an input of the board", part=_part(fit), is_sure=pad.is_settled,
                          why=f"data, sent by the {pad.driven_by}" if pad.driven_by != "unknown" else
                          "data; which side sends it is not known yet"))
        taken.add(pad.pad)
    for gate in findings.gates[:1]:
        pad = next((one for one in findings.pads if one.pad == gate.pad and one.pad not in taken), None)
        if pad is None:
            continue
        if pad.driven_by == "instrument":
            fit = _fit(findings, pad, board, fresh, worn, drives=False)
            to, why = "an input of the board", f"tells when data flows ({gate.level}); the instrument drives it"
        else:
            fit = _fit(findings, pad, board, fresh, worn, drives=True)
            to = "an output of the board, once the module is out"
            why = (f"data flows at {gate.level} ({shown(gate.probability)}); never while the module is in place "
                   "and drives it too: two drivers would fight")
        fits += [fit] if fit else []
        wires.append(Wire(pad=pad.pad, to=to, part=_part(fit), why=why,
                          is_sure=pad.is_settled and gate.probability >= 0.9))
        taken.add(pad.pad)
    leave = tuple((one.pad, _leave(one)) for one in findings.pads if one.pad not in taken)
    return Sheet(wires=tuple(wires), leave=leave, cautions=CAUTIONS, fits=tuple(fits))


def sheet_text(sheet: Sheet) -> str:
    """Return the tap sheet as text."""
    lines = ["Tap sheet", ""]
    for wire in sheet.wires:
        mark = "" if wire.is_sure else "  NOT SETTLED, measure first"
        through = f": {wire.part}" if wire.to == NO_WIRE else f", through {wire.part}"
        lines.append(f"  pad {wire.pad} -> {wire.to}{through}{mark}")
        lines.append(f"      {wire.why}")
    lines += ["", "Leave alone"]
    lines += [f"  pad {pad}: {why}" for pad, why in sheet.leave] or ["  none"]
    if sheet.fits:
        lines += ["", "Levels"]
        for fit in sheet.fits:
            lines.append(f"  pad {fit.pad}, {fit.way}: {fit.how}; margins {fit.high_margin_v:+.2f} V high, "
                         f"{fit.low_margin_v:+.2f} V low. {fit.why[:1].upper()}{fit.why[1:]}.")
    lines += ["", "Before a lead goes inside the case", *(f"  ! {caution}" for caution in sheet.cautions)]
    return "\n".join(lines) + "\n"


def shown(probability: float) -> str:
    """Return a probability with two digits, never one that reads as certain."""
    return "over 0.99" if probability > 0.995 else f"{probability:.2f}"


def _best(pads: Sequence[Pad], role: str) -> Pad | None:
    fits = [pad for pad in pads if pad.role == role]
    return max(fits, key=lambda pad: pad.probability, default=None)


def _ground(findings: Findings) -> Pad | None:
    """Return the likeliest ground, also where it is not yet known to be one."""
    chance = findings.beliefs.role[:, GROUND]
    best = int(chance.argmax())
    return findings.pads[best] if chance[best] >= 0.1 else None


def _fit(findings: Findings, pad: Pad, board: Family | None, fresh: float, worn: float, *, drives: bool) -> Fit | None:
    if board is None:
        return None
    if drives:
        return board_drives(pad.pad, board, fresh_v=fresh, worn_v=worn)
    return board_reads(pad.pad, board, fresh_v=fresh, worn_v=worn, source_ohm=pad.source_ohm or 1e3)


def _part(fit: Fit | None) -> str:
    if fit is None:
        return f"{ohm_text(SERIES_OHM)} in series"
    if fit.how == "divider" and fit.upper_ohm and fit.lower_ohm:
        return f"a divider, {ohm_text(fit.upper_ohm)} in series and {ohm_text(fit.lower_ohm)} to ground"
    if fit.how == "series resistor" and fit.series_ohm:
        return f"{ohm_text(fit.series_ohm)} in series"
    if fit.how == "level shifter":
        return "a level shifter"
    return f"{ohm_text(SERIES_OHM)} in series"


def _leave(pad: Pad) -> str:
    if pad.role in ("ground", "supply"):
        return f"{pad.role}: one wire of it is enough"
    if pad.probability < SETTLED:
        return f"{pad.role} {shown(pad.probability)}, not settled; not needed to listen"
    if not pad.is_settled:
        return f"{pad.role}, who drives it is not settled; not needed to listen"
    return f"{pad.role}: not needed to listen"
