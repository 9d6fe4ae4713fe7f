"""What does each pad do?"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

from tapwright.core.errors import TapwrightError
from tapwright.evidence.survey import read_survey
from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.pins.draw import voltage_map
from tapwright.pins.find import find_pads
from tapwright.pins.report import document
from tapwright.pins.sheet import shown, tap_sheet

ORDER = 1
QUESTION = "What does each pad do?"
FIRST = ("write down what a meter reads on each pad, in each state of the instrument (a grid here, survey.csv in the "
         "folder)")


def files(desk: Desk) -> tuple[Path, ...]:
    """Return the survey, and the captures that may show which line moves before the data."""
    survey = desk.place("survey.csv")
    return (*survey, *_gating(desk)) if survey else ()


def answer(desk: Desk) -> Answer:
    """Answer from the survey; a capture with the data and other lines tells what opens it."""
    survey = read_survey(files(desk)[0])
    capture, data = None, None
    used: tuple[str, ...] = ()
    for path in _gating(desk):
        try:
            found = desk.frames(path).bytes_found
        except TapwrightError:
            continue  # the line's own question says what is wrong with it
        if found.capture is not None and any(len(channel.edge_ticks) for channel in found.capture.channels
                                             if channel.name != found.channel):
            capture, data, used = found.capture, found.channel, (desk.named(path),)
            break
    findings = find_pads(survey, supply_v=desk.job.supply_v, capture=capture, data=data)
    told = cast(dict[str, Any], document(findings, tap_sheet(findings)))
    settled = sum(pad.is_settled for pad in findings.pads)
    gate = told["gates_data"][0] if told["gates_data"] and told["gates_data"][0]["probability"] >= 0.5 else None
    opens = (f"pad {gate['pad']} at {gate['level']} opens the data (probability {shown(gate['probability'])})" if gate
             else "what opens the data is open")
    all_settled = settled == len(findings.pads)
    return Answer(
        id="pads", question=QUESTION, state="settled" if all_settled and gate else "open",
        files=(desk.named(files(desk)[0]), *used), document=told,
        answer=f"{settled} of {len(findings.pads)} pads are settled in role and driver; {opens}.",
        evidence=(f"supply {findings.supply_v:g} V", *(f"pad {pad.pad}: {pad.role} ({shown(pad.probability)})"
                                                      for pad in findings.pads if pad.probability >= 0.9)),
        next=tuple(_measure(entry) for entry in told["next"]), picture=voltage_map(findings),
        picture_text="Volts of each pad by state, with the roles",
    )


def _gating(desk: Desk) -> tuple[Path, ...]:
    """Return captures that no label names: those were made to see lines move, not to read a display."""
    return tuple(path for path in desk.captures if path.name not in desk.named_by_labels)[:3]


def _measure(entry: dict[str, Any]) -> str:
    why = f": {entry['why']}"
    if "drive" in entry:
        return (f"in '{entry['state']}', hold pad {entry['pad']} {entry['drive']} through {entry['through_ohm']:g} ohm "
                f"and watch pad {entry['watch']}{why}")
    if entry["load"] == "module out":
        return f"lift the module off and measure every pad in '{entry['state']}'{why}"
    how = f" with a resistor of {entry['load'].replace('k to', ' kΩ to')}" if entry["load"] else ""
    if entry["state"] == "cells out":
        return f"cells out, module in: measure pad {entry['pad']} to ground in ohms{why}"
    return f"read the volts of pad {entry['pad']} in '{entry['state']}'{how}{why}"
