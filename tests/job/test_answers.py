"""The one next step over the whole job, and what a wrong file of one question does to the others."""

from __future__ import annotations

from pathlib import Path

from tapwright.job.answers import DONE, Answer, State, step_words
from tapwright.job.ask import ask
from tapwright.job.desk import Desk
from tapwright.job.folder import start_job
from tapwright.job.questions import pads

EVERY = ("pads", "line", "frames", "mask", "map", "coverage", "supply", "agreement")


def answers(**states: State) -> list[Answer]:
    return [Answer(id=name, question=name, state=states.get(name, "settled"), answer="",
                   next=() if states.get(name, "settled") == "settled" else (f"do {name}",)) for name in EVERY]


def test_nothing_is_all_settled_while_a_question_is_worked_out() -> None:
    """An answer that is not there yet may ask for something."""
    whole = answers()
    assert step_words(whole) == DONE
    for missing in EVERY:
        assert step_words([one for one in whole if one.id != missing]) == ""
    assert step_words(answers(pads="open")) == "do pads"
    assert step_words(answers(agreement="none", pads="open")) == "do agreement"


def test_wrong_labels_do_not_silence_the_pads(tmp_path: Path) -> None:
    """A labels file that is none is its own question's matter."""
    start_job(tmp_path, name="meter")
    (tmp_path / "survey.csv").write_text("pad,off,on\n1,0,0\n2,0,2.9\n3,0,2.9\n")
    (tmp_path / "labels.csv").write_text("pad,on\n1,0\n")
    answer = ask(pads, Desk.open(tmp_path))
    assert answer.state == "open"
    assert "pads are settled" in answer.answer
