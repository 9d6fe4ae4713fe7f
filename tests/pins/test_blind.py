"""Blind instruments: the solver follows its own advice to the end on circuits that it has never seen.

The simulator is tests/pins/blind.py: it shares no code with the solver. A few seeds here; the sweep behind the figures
in the docs runs by hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.pins.blind import Instrument, Style
from tests.pins.blind_captures import PADS, invent

from tapwright.evidence.captures import read_capture
from tapwright.evidence.survey import read_survey
from tapwright.pins.find import Findings, find_pads
from tapwright.pins.gates import from_capture
from tapwright.pins.report import next_document

pytestmark = pytest.mark.slow
MOST = 120


@dataclass
class Run:
    """What became of one instrument: claims as (probability, right), pads right at the end, tests made."""

    claims: list[tuple[float, bool]]
    right: int
    pads: int
    tests: int
    exhaustive: int


def follow(seed: int, style: Style, folder: Path) -> Run:
    """Measure what `next` asks for first until it asks for nothing; the simulator refuses a load over 1 mA."""
    instrument = Instrument.invent(seed, style)
    columns = instrument.survey()
    path = folder / "survey.csv"
    claims: list[tuple[float, bool]] = []
    tests = 0
    while tests < MOST:
        path.write_text(instrument.text(columns), encoding="utf-8")
        findings = find_pads(read_survey(path), supply_v=instrument.supply_v)
        claims += judged(instrument, findings)
        asks = [ask for ask in next_document(findings) if "drive" not in ask]
        if not asks:
            break
        tests += 1
        instrument.carry_out(columns, {key: str(asks[0][key]) for key in ("pad", "state", "load")})
    right = sum(pad.role == truth.role and pad.driver == truth.driver
                for pad, truth in zip(findings.pads, instrument.pads, strict=True))
    # Every pad in every running state plain, under two loads, and both again with the module out; and ohms.
    exhaustive = len(instrument.pads) * (len(instrument.running) * 4 + 1) + len(instrument.running)
    return Run(claims, right, len(instrument.pads), tests, exhaustive)


def judged(instrument: Instrument, findings: Findings) -> list[tuple[float, bool]]:
    return [claim for pad, truth in zip(findings.pads, instrument.pads, strict=True)
            for claim in ((pad.probability, pad.role == truth.role), (pad.driver_probability, pad.driver == truth.driver))]


def test_blind_instruments_are_settled_by_following_next(tmp_path: Path) -> None:
    """Nearly all pads right at the end, in fewer than half the tests; claims of 0.95 hold as often as they say."""
    runs = [follow(seed, Style(), tmp_path) for seed in (0, 102, 104)]
    assert sum(run.right for run in runs) >= 0.96 * sum(run.pads for run in runs)
    for run in runs:
        assert run.tests < run.exhaustive / 2
    sure = [right for run in runs for share, right in run.claims if share >= 0.95]
    assert sum(sure) >= 0.95 * len(sure)


def test_gate_is_first_in_captures_of_three_repeats(tmp_path: Path) -> None:
    """The gating pad at its level comes first in 95 % of captures full of lines that move beside it."""
    first = 0
    seeds = range(40)
    for seed in seeds:
        path, data, gate, level = invent(seed, tmp_path, stops=seed % 2 == 0)
        gates, order = from_capture(read_capture(path), f"pad{data}", PADS)
        first += bool(gates) and (gates[0].pad, gates[0].level) == (gate, level)
        assert [event.delay_s for event in order if event.delay_s] == sorted(
            (event.delay_s for event in order if event.delay_s), reverse=True)
    assert first >= 0.95 * len(seeds)
