"""Ask a job all its questions, in their order."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from types import ModuleType

from tapwright.core import registry
from tapwright.core.errors import TapwrightError
from tapwright.job.answers import Answer
from tapwright.job.desk import Desk

PACKAGE = "tapwright.job.questions"


def questions() -> list[ModuleType]:
    """Return the question modules in the order of the page."""
    return sorted(registry.members(PACKAGE).values(), key=lambda module: module.ORDER)


def ask(module: ModuleType, desk: Desk) -> Answer:
    """Return the present answer to one question; bad evidence is told in the answer, it stops no other question."""
    name = module.__name__.rpartition(".")[2]
    started = time.perf_counter()
    try:
        given = module.files(desk)
        if not given:
            return Answer(id=name, question=module.QUESTION, state="none", answer="No evidence yet.",
                          next=(module.FIRST,) if hasattr(module, "FIRST") else ())
        found: Answer = module.answer(desk)
    except TapwrightError as error:
        return Answer(id=name, question=module.QUESTION, state="none", answer=error.message(),
                      next=(f"mend {error.path.name if error.path else 'the evidence'}: what is wrong with it stands "
                            "under this question",))
    return replace(found, seconds=time.perf_counter() - started)


def ask_all(desk: Desk, *, say: Callable[[Answer], None] = lambda answer: None) -> list[Answer]:
    """Return all answers; `say` hears each as it comes."""
    answers = []
    for module in questions():
        answer = ask(module, desk)
        say(answer)
        answers.append(answer)
    return answers
