"""A process of its own that works out a job's stale answers: `python -m tapwright.job.worker FOLDER [ID]...`.

With `--keep-map` it learns the reading map instead and writes `instrument.toml`, printing what was learned.

It prints a JSON line before and after each question, so that a page can show what is being worked on, and it can be
ended at any moment: an answer is written whole or not at all.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import ModuleType

from tapwright.core.errors import TapwrightError
from tapwright.job.ask import questions
from tapwright.job.desk import Desk
from tapwright.job.learning import fingerprint, learn_job
from tapwright.job.memory import recall, work_out


def main(argv: list[str]) -> int:
    """Work out the named questions, or all that are stale, in order; or keep the reading map."""
    folder, wanted = Path(argv[0]), set(argv[1:])
    try:
        if "--keep-map" in wanted:
            return _keep_map(folder)
        desk = Desk.open(folder)
    except TapwrightError as error:
        if "--keep-map" in wanted:
            print(f"tapwright: {error.message()}", file=sys.stderr)
        else:
            _tell({"error": error.message()})
        return 2
    stale = [module for module in questions()
             if (_name(module) in wanted if wanted else recall(module, desk) is None)]
    for i, module in enumerate(stale):
        _tell({"started": _name(module), "done": i, "of": len(stale)})
        kept = work_out(module, desk)
        _tell({"state": kept.answer.state, "seconds": kept.answer.seconds})
    return 0


def _keep_map(folder: Path) -> int:
    learned = learn_job(folder)
    _tell({**learned.report.document(), "description": fingerprint(learned.instrument)})
    return 0 if learned.instrument is not None else 1


def _name(module: ModuleType) -> str:
    return module.__name__.rpartition(".")[2]


def _tell(what: dict[str, object]) -> None:
    print(json.dumps(what), flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
