"""Will the cells carry it?"""

from __future__ import annotations

from pathlib import Path

from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.supply.ask import ask
from tapwright.supply.draw import run_picture
from tapwright.supply.words import lasts

ORDER = 7
QUESTION = "Will the cells carry it?"
FIRST = "write the parts' published numbers into supply.toml (the page begins one)"


def files(desk: Desk) -> tuple[Path, ...]:
    """Return the supply plan."""
    return desk.place("supply.toml")


def answer(desk: Desk) -> Answer:
    """Compute the plan."""
    report = ask(files(desk)[0])
    found = report.answer
    said = {"works": "Yes", "marginal": "Barely", "fails": "No"}[found.verdict]
    failing = ", ".join(check.name for check in found.failing)
    return Answer(
        id="supply", question=QUESTION, state="settled", files=(desk.named(files(desk)[0]),),
        answer=f"{said}: " + (f"it fails at {failing}." if failing else
                              f"switched on it lasts {lasts(found.run.hours, found.run.because)}."),
        evidence=(f"{len(found.checks)} checks for the cells as they are now",), next=(report.next,),
        document=report.document(), picture=run_picture(found), picture_text="The cells' volts over hours switched on",
    )
