"""What a job can say now: one answer a question, each with its evidence, its picture and what would settle the rest."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapwright.core.files import write_text

State = Literal["settled", "open", "none"]


@dataclass(frozen=True, kw_only=True)
class Answer:
    """The present answer to one question of the job.

    Parameters
    ----------
    id : short name, also of the picture's file
    question : as it stands on the page
    state : settled; open (an answer stands, parts of it do not); none (no evidence yet, or it decides nothing)
    answer : in a sentence or two
    evidence : what it rests on, in words
    next : what would settle the rest, best first
    files : the evidence files, relative to the job folder
    picture, picture_text : an SVG and its text alternative, empty where there is none
    seconds : time the answer took
    document : the JSON of the command that gives the same answer
    """

    id: str
    question: str
    state: State
    answer: str
    evidence: tuple[str, ...] = ()
    next: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    picture: str = ""
    picture_text: str = ""
    seconds: float = 0.0
    document: dict[str, object] | None = None


def write_found(folder: Path, answers: Iterable[Answer]) -> Path:
    """Write `report/found/found.json` and its pictures, which the readout page shows as "how this was found"."""
    place = folder / "report" / "found"
    place.mkdir(parents=True, exist_ok=True)
    answers = list(answers)
    steps = []
    for answer in answers:
        if answer.picture:
            write_text(place / f"{answer.id}.svg", answer.picture)
        steps.append({
            "id": answer.id, "question": answer.question, "state": answer.state, "answer": answer.answer,
            "evidence": list(answer.evidence), "seconds": round(answer.seconds, 3),
            "picture": f"{answer.id}.svg" if answer.picture else "", "picture_text": answer.picture_text,
        })
    first = next((answer.next[0] for answer in answers if answer.next), "")
    write_text(place / "found.json", json.dumps({"steps": steps, "next": first}, ensure_ascii=False, indent=1) + "\n")
    return place
