"""Pads of an instrument: what each one is, who drives it, which one opens the data, and what to measure next.

In: a `Survey` (volts by pad and state), the supply, what the meter's book says, and perhaps a capture. Out: `Findings`,
every claim with its probability and its evidence in words. See docs/reference/pins.md for the method.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture
from tapwright.core.errors import SurveyError, UsageError
from tapwright.evidence.survey import Survey
from tapwright.evidence.survey_cells import VOLTS
from tapwright.pins import gates as gating
from tapwright.pins.advise import Ask, advise, settled
from tapwright.pins.circuits import DATA, DRIVERS, INSTRUMENT, MODULE, ROLES, STATE_LINE, SWITCHED, circuits
from tapwright.pins.explain import evidence_words, source_ohm, why
from tapwright.pins.gates import Event, Gate
from tapwright.pins.posterior import Beliefs, Model
from tapwright.pins.signatures import Evidence, Meter, gather, infer_supply
from tapwright.pins.trials import Trial, propose

STILL = ("ground", "supply", "fixed high", "fixed low", "floating")
UNKNOWN, SURE = "unknown", 0.9
LEAST_ALTERNATIVE = 0.01
MOST_ASKS, MOST_PER_PAD = 24, 3


@dataclass(frozen=True, kw_only=True)
class Pad:
    """What is believed of one pad.

    Parameters
    ----------
    role, probability : the likeliest role
    alternatives : every other role of 0.01 or more, best first
    driver, driver_probability : the likeliest driver; `driven_by` says "unknown" where that is under 0.9
    source_ohm : what stands behind the pad, None where no load has told
    follows, level : for state lines and switched supplies: the states in which it stands at `level`
    open_drain : what it drives stiffly where it drives one way only: "low", "high", or ""
    evidence : in words
    """

    pad: str
    note: str
    role: str
    probability: float
    alternatives: tuple[tuple[str, float], ...]
    driver: str
    driver_probability: float
    source_ohm: float | None
    follows: tuple[str, ...]
    level: str | None
    open_drain: str
    evidence: tuple[str, ...]

    @property
    def driven_by(self) -> str:
        """The driver, "unknown" where it is under 0.9."""
        return self.driver if self.driver_probability >= SURE else UNKNOWN

    @property
    def is_settled(self) -> bool:
        """Whether role and driver both stand at 0.97 or more."""
        return self.probability >= 0.97 and self.driver_probability >= 0.97


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What a survey (and a capture) tell.

    Parameters
    ----------
    supply_inferred : the supply was read off the survey
    asks : what to measure next, best first, with why; empty when nothing is open or nothing helps
    trials : what would prove the gate, best first
    trial_in_next : the first trial helps enough to stand among the asks
    order : for a capture, what moved before the data started, first to last
    advice : cautions and remarks, in words
    """

    survey: Survey
    evidence: Evidence
    beliefs: Beliefs
    supply_v: float
    supply_inferred: bool
    pads: tuple[Pad, ...]
    gates: tuple[Gate, ...]
    asks: tuple[tuple[Ask, str], ...]
    trials: tuple[Trial, ...]
    order: tuple[Event, ...] = ()
    data: str = ""
    advice: tuple[str, ...] = field(default_factory=tuple)

    @property
    def is_decided(self) -> bool:
        """Whether anything is known: a role at even odds or better on some pad."""
        return any(pad.probability >= 0.5 for pad in self.pads)


def find_pads(survey: Survey, *, supply_v: float | None = None, meter: Meter | None = None,
              capture: Capture | None = None, data: str | None = None) -> Findings:
    """Find what each pad does.

    Parameters
    ----------
    supply_v : volts of the supply; None: read off the survey
    meter : accuracy and input resistance; None: 0.5 % + 2 counts, 10 Mohm
    capture, data : a capture and the name of its data channel, both or neither

    Raises
    ------
    SurveyError : no supply given and none can be read off the survey; no state in which the instrument runs
    UsageError : one of `capture` and `data` without the other, or no such channel
    """
    if (capture is None) != (data is None):
        raise UsageError("a capture and its data channel belong together", expected="--capture CAPTURE --data CHANNEL")
    if not survey.running:
        raise SurveyError("no state in which the instrument runs", path=survey.path, line=1,
                          expected="at least one plain column that is not 'off'")
    volts = supply_v if supply_v is not None else infer_supply(survey)
    evidence = gather(survey, volts, meter or Meter())
    model = Model(evidence)
    beliefs = model.solve()
    pads = tuple(_pad(survey, evidence, beliefs, p) for p in range(len(survey.pads)))
    gates = gating.from_survey(survey, evidence, beliefs)
    order: tuple[Event, ...] = ()
    if capture is not None and data is not None:
        gates, order = gating.from_capture(capture, data, survey.pads, _line_weights(survey, beliefs, gates))
    asks = advise(survey, evidence, model, beliefs)
    trials = propose(survey, evidence, beliefs, gates, gating.pad_of(data, survey.pads) if data else None)
    return Findings(
        survey=survey, evidence=evidence, beliefs=beliefs, supply_v=volts, supply_inferred=supply_v is None, pads=pads,
        gates=gates, asks=tuple((ask, why(ask, survey, beliefs)) for ask in _few(asks)), trials=trials, order=order,
        data=data or "", advice=(*_advice(survey, evidence, beliefs, pads), *_strangers(order, pads)))


def _pad(survey: Survey, evidence: Evidence, beliefs: Beliefs, p: int) -> Pad:
    role = int(beliefs.role[p].argmax())
    driver = int(beliefs.driver[p].argmax())
    others = sorted(((ROLES[r], float(beliefs.role[p, r])) for r in range(len(ROLES))
                     if r != role and beliefs.role[p, r] >= LEAST_ALTERNATIVE), key=lambda item: (-item[1], item[0]))
    level, follows = (None, ()) if role not in (STATE_LINE, SWITCHED) else _follows(evidence, beliefs, p)
    return Pad(
        pad=survey.pads[p], note=survey.notes[p], role=ROLES[role], probability=float(beliefs.role[p, role]),
        alternatives=tuple(others), driver=DRIVERS[driver], driver_probability=float(beliefs.driver[p, driver]),
        source_ohm=source_ohm(survey, evidence, beliefs, p), follows=follows, level=level,
        open_drain=_open_drain(beliefs, p), evidence=evidence_words(survey, evidence, beliefs, p))


def _follows(evidence: Evidence, beliefs: Beliefs, p: int) -> tuple[str, tuple[str, ...]]:
    """Return the level that the line has in fewer running states (a tie: high) and the states in which it has it."""
    known = ~np.isnan(evidence.plain[p])
    chance = beliefs.high[p] / np.maximum(beliefs.role[p, STATE_LINE] + beliefs.role[p, SWITCHED], 1e-9)
    sure = known | (np.abs(chance - 0.5) > 0.45)
    high = (chance > 0.5) & sure
    low = (chance <= 0.5) & sure
    chosen, level = (high, "high") if high.sum() <= low.sum() else (low, "low")
    return level, tuple(state for state, here in zip(evidence.states, chosen, strict=True) if here)


def _open_drain(beliefs: Beliefs, p: int) -> str:
    for way, circuits_so in _one_sided():
        if float(beliefs.circuit[p, circuits_so].sum()) >= SURE:
            return way
    return ""


@functools.cache
def _one_sided() -> tuple[tuple[str, NDArray[np.int64]], ...]:
    """Return the driven lines that drive low alone, and those that drive high alone."""
    all_ = circuits()
    lines = np.isin(all_.role, (STATE_LINE, DATA)) & np.isin(all_.driver, (INSTRUMENT, MODULE))
    return tuple((way, np.flatnonzero(lines & ~np.isfinite(missing)))
                 for way, missing in (("low", all_.high_ohm), ("high", all_.low_ohm)))


def _line_weights(survey: Survey, beliefs: Beliefs, gates: Sequence[Gate]) -> dict[str, float]:
    """Return how much each pad is to be believed as a gate before the capture is looked at."""
    lines = beliefs.role[:, STATE_LINE] + beliefs.role[:, SWITCHED]
    weights = {pad: 0.3 + 0.7 * float(lines[p]) for p, pad in enumerate(survey.pads)}
    for gate in gates:
        weights[gate.pad] = weights.get(gate.pad, 0.3) * (1 + 4 * gate.probability)
    return weights


def _few(asks: Sequence[Ask]) -> list[Ask]:
    """Keep the best few of each pad: a list to read, not a table of all that could be done."""
    seen: dict[str, int] = {}
    few: list[Ask] = []
    for ask in asks:
        seen[ask.pad] = seen.get(ask.pad, 0) + 1
        if seen[ask.pad] <= MOST_PER_PAD and len(few) < MOST_ASKS:
            few.append(ask)
    return few


def _advice(survey: Survey, evidence: Evidence, beliefs: Beliefs, pads: Sequence[Pad]) -> tuple[str, ...]:
    advice = []
    rails = [(pad, float(np.nanmedian(evidence.plain[p])) * evidence.supply_v) for p, pad in enumerate(pads)
             if pad.role == "supply" and not np.isnan(evidence.plain[p]).all()]
    for pad, volts in rails:
        if abs(volts / evidence.supply_v - 1) > 0.05:
            advice.append(f"Pad {pad.pad} stands at {volts:.2f} V, not at {evidence.supply_v:g} V: two supplies. "
                          "Compare levels with the thresholds of the side that reads them (--board).")
    swapped = [survey.pads[p] for p, cells in enumerate(survey.cells) if any(
        survey.columns[i].quantity == VOLTS and cell.middle < -0.1 * evidence.supply_v for i, cell in cells.items())]
    if swapped:
        advice.append(f"Pad {', '.join(swapped)} reads under ground: swapped leads, or a wrong ground? "
                      "Measure it again.")
    if any("back-fed" in word for pad in pads for word in pad.evidence):
        advice.append("Some pad sits a diode drop over a rail without supply: that is back-feeding through a chip's "
                      "clamp, not a pull. Load such a pad through 100k, not less.")
    if bool(settled(beliefs).all()):
        advice.append("Every pad's role and driver stand at 0.97 or more: nothing more needs to be measured.")
    blank = [state for k, state in enumerate(evidence.states) if not evidence.supply_up[k]]
    if blank:
        advice.append(f"Nothing stands at the supply in {', '.join(blank)}: no load is asked for there.")
    return tuple(advice)


def _strangers(order: Sequence[Event], pads: Sequence[Pad]) -> list[str]:
    """Return a remark for each channel that moves in the capture while the pad of its name does not in the survey."""
    still = {pad.pad: pad.role for pad in pads if pad.probability >= SURE and pad.role in STILL}
    moved = {event.pad: event.channel for event in order if event.moved and event.pad in still}
    return [f"Channel {channel} of the capture moves, but pad {pad} is {still[pad]} by the survey: is it that pad? A "
            "channel belongs to the pad of its name." for pad, channel in moved.items()]


def finite(value: float | None) -> float | None:
    """Return a number that JSON can hold, None for one that is not finite."""
    return value if value is not None and math.isfinite(value) else None
