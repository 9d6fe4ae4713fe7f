"""A process of its own that works out a job's stale answers: `python -m tapwright.job.worker FOLDER [ID]...`.

It prints a JSON line before and after each question, so that a page can show what is being worked on, and it can be
ended at any moment: an answer is written whole or not at all.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from tapwright.core.errors import TapwrightError
from tapwright.job.ask import questions
from tapwright.job.desk import Desk
from tapwright.job.memory import recall, work_out


def main(argv: list[str]) -> int:
    """Work out the named questions, or all that are stale, in order."""
    wanted = set(argv[1:])
    try:
        desk = Desk.open(Path(argv[0]))
    except TapwrightError as error:
        _tell({"error": error.message()})
        return 2
    for module in questions():
        name = module.__name__.rpartition(".")[2]
        if (wanted and name not in wanted) or (not wanted and recall(module, desk) is not None):
            continue
        _tell({"started": name})
        kept = work_out(module, desk)
        _tell({"done": name, "state": kept.answer.state, "seconds": kept.answer.seconds})
    return 0


def _tell(what: dict[str, object]) -> None:
    print(json.dumps(what), flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
