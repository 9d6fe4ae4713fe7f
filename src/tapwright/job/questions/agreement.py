"""Does it still agree?"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

from tapwright.agreement import draw, report
from tapwright.agreement.compare import compare
from tapwright.agreement.readings import read_readings
from tapwright.agreement.spec import load_spec
from tapwright.job.answers import Answer
from tapwright.job.desk import Desk

ORDER = 8
QUESTION = "Does it still agree?"
FIRST = "once it is closed again: read the same points with a reference and with this instrument, and write both down"


def files(desk: Desk) -> tuple[Path, ...]:
    """Return the reference's readings and the instrument's; the specification where there is one."""
    pair = (*desk.place("agreement/reference.csv"), *desk.place("agreement/meter.csv"))
    return (*pair, *desk.place("agreement/spec.toml")) if len(pair) == 2 else ()


def answer(desk: Desk) -> Answer:
    """Answer from paired readings."""
    given = files(desk)
    spec = load_spec(given[2]) if len(given) > 2 else None
    found = compare(read_readings(given[0]), read_readings(given[1]), spec=spec)
    document = cast(dict[str, Any], report.document(found))
    low, high = document["bias_ci"]
    said = report.answer(found)
    return Answer(
        id="agreement", question=QUESTION, state="settled" if document["verdict"] in ("pass", "fail") else "open",
        files=tuple(desk.named(path) for path in given), document=document,
        answer=f"{said} Bias {document['bias']:.4g} {document['unit']} (95 %: {_plain(low)} to {_plain(high)}).",
        evidence=(f"{document['pairs']} pairs of readings",), next=found.advice,
        picture=draw.sheet(found), picture_text="Differences against the reference, with their limits",
    )


def _plain(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.4g}"
