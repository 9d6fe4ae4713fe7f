"""What a job can say now: one answer a question, each with its evidence, its picture and what would settle the rest."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapwright.core.files import write_text

State = Literal["settled", "open", "none"]

#: The way from a closed case to a proven reading. An open answer holds up what comes after it only where that needs it:
#: pads until a line talks, the map and the proof always. Supply and agreement can wait; the radio is not in every job.
_WAY = ("pads", "line", "frames", "map", "coverage")
_HOLDS_UP_WHILE_OPEN = ("map", "coverage")
_EVERY = frozenset((*_WAY, "mask", "supply", "agreement"))
DONE = "all is settled: start the live reading, write the board's files and the dossier"


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


def best_next(answers: Iterable[Answer]) -> Answer | None:
    """Return the answer whose first `next` is the one best step over the whole job; None where none asks for anything.

    Nothing is said to be next while a question before it is still being worked out (left out of `answers`).
    """
    by_id = {answer.id: answer for answer in answers}
    for name in _WAY:
        answer = by_id.get(name)
        if answer is None:
            return None
        line = by_id.get("line")
        needed = name in _HOLDS_UP_WHILE_OPEN or (name == "pads" and (line is None or line.state == "none"))
        if answer.next and (answer.state == "none" or (answer.state == "open" and needed)):
            return answer
    for state, names in (("none", ("supply", "agreement")), ("open", tuple(by_id))):
        for name in names:
            if name in by_id and by_id[name].state == state and by_id[name].next:
                return by_id[name]
    return None


def step_words(answers: Iterable[Answer]) -> str:
    """Return the best next step in words; empty while it is being worked out."""
    answers = tuple(answers)
    answer = best_next(answers)
    if answer is not None:
        return answer.next[0]
    if not {item.id for item in answers} >= _EVERY:
        return ""  # some are still being worked out, and may ask for something
    settled = {item.id for item in answers if item.state == "settled"}
    return DONE if settled.issuperset(("map", "coverage")) else ""


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
    document = {"steps": steps, "next": step_words(answers)}
    write_text(place / "found.json", json.dumps(document, ensure_ascii=False, indent=1) + "\n")
    return place
