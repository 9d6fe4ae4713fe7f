"""The trial that would prove a gate: hold the line at its level through a resistor and see whether the data starts.

In: the pads' beliefs and the gates. Out: `Trial` entries, best first. Trials are made with the module out: with it in
place two drivers would fight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapwright.evidence.survey import Survey, ohm_text
from tapwright.evidence.survey import Trial as TrialHeading
from tapwright.pins.advise import COST, LEAST_BITS, load_ohms
from tapwright.pins.circuits import DATA, INSTRUMENT, MODULE
from tapwright.pins.gates import Gate
from tapwright.pins.posterior import Beliefs
from tapwright.pins.signatures import Evidence


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A proof to make: `state` includes "module out"; `watch` is the data pad."""

    pad: str
    state: str
    drive: str
    through_ohm: float
    watch: str
    expect: str
    why: str
    safe: str
    bits: float
    cost: float

    @property
    def gain_bits(self) -> float:
        """Bits over cost."""
        return self.bits / self.cost

    @property
    def column(self) -> str:
        """The heading under which the result is written."""
        return f"{self.state} / {TrialHeading(self.pad, self.drive, self.through_ohm).text}"


def propose(survey: Survey, evidence: Evidence, beliefs: Beliefs, gates: Sequence[Gate],
            watched: str | None) -> tuple[Trial, ...]:
    """Return the trials that could tell, best first: at most three, none that the survey holds."""
    data = _watched(survey, beliefs, watched)
    if data is None:
        return ()
    ohm = max(value for value in load_ohms(evidence.supply_v) if value < 1e5)
    state = _state(survey, evidence, beliefs, data)
    before = any(column.module_out for column in survey.columns)
    made = {(column.trial.pad, column.trial.drive) for column in survey.columns if column.trial is not None}
    trials = []
    for gate in gates:
        if gate.pad not in survey.pads or gate.probability < 0.05 or (gate.pad, gate.level) in made or state is None:
            continue
        p = survey.pads.index(gate.pad)
        # A line that the instrument drives itself cannot be held, and the module's data is gone with the module.
        if beliefs.driver[p, INSTRUMENT] > 0.5 or beliefs.driver[data, MODULE] > 0.5:
            continue
        trials.append(Trial(
            pad=gate.pad, state=f"{state} / module out", drive=gate.level, through_ohm=ohm, watch=survey.pads[data],
            expect=_expect(evidence, beliefs, data),
            why=f"data flows when pad {gate.pad} is {gate.level} ({gate.probability * 100:.0f} %): holding it there "
                "proves it",
            safe=f"at worst {evidence.supply_v:g} V over {ohm_text(ohm)} is {evidence.supply_v / ohm * 1e3:.2g} mA, "
                 "under 1 mA; the module is out, so no second driver fights. Cells out while it is unsoldered.",
            bits=_entropy(gate.probability), cost=COST["out load again" if before else "out load"]))
    return tuple(sorted(trials, key=lambda trial: -trial.gain_bits)[:3])


def worth_asking(trial: Trial) -> bool:
    """Return whether a trial adds enough to stand among what is to be measured next."""
    return trial.bits >= LEAST_BITS


def _watched(survey: Survey, beliefs: Beliefs, watched: str | None) -> int | None:
    if watched is not None:
        return survey.pads.index(watched)
    best = int(beliefs.role[:, DATA].argmax())
    return best if beliefs.role[best, DATA] >= 0.5 else None


def _state(survey: Survey, evidence: Evidence, beliefs: Beliefs, data: int) -> str | None:
    """Return a state to try it in: one in which the data flows with the module in place and the supply is up."""
    order = np.argsort(-beliefs.sending[data])
    return next((evidence.states[int(k)] for k in order if evidence.supply_up[k]), None)


def _expect(evidence: Evidence, beliefs: Beliefs, data: int) -> str:
    flows = evidence.plain[data][beliefs.sending[data] > 0.5]
    seen = float(np.nanmedian(flows)) * evidence.supply_v if len(flows) and not np.isnan(flows).all() else math.nan
    if math.isnan(seen):
        return "the meter leaves the idle level for an average between the levels, if this line opens the data"
    return f"the meter leaves the idle level for about {seen:.2f} V, if this line opens the data"


def _entropy(p: float) -> float:
    q = 1 - p
    return -sum(x * math.log2(x) for x in (p, q) if x > 0)
