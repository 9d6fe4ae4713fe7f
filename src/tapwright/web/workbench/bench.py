"""The state behind the workbench's pages: the job, its answers as far as they are worked out, the worker.

Answers are worked out by a process of their own (`job/worker.py`), so that no page ever waits and a stop button can end
it. What is shown is what was kept for exactly the evidence that lies in the folder now; anything else is stale and says
so.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from tapwright.core.errors import TapwrightError
from tapwright.job.answers import DONE, Answer, best_next, step_words, write_found
from tapwright.job.ask import questions
from tapwright.job.desk import Desk
from tapwright.job.journal import Journal
from tapwright.job.memory import digests, recall

LOOK_EVERY_S = 1.0
Seen = dict[str, tuple[tuple[str, str], ...]]  # question -> its files with their digests


@dataclass(frozen=True)
class Shown:
    """A question as the page shows it: its answer if one is kept, and whether it is being worked out."""

    id: str
    question: str
    answer: Answer | None
    working: bool


@dataclass(frozen=True)
class Step:
    """The one best next step, and the question that it belongs to (empty for the job as a whole)."""

    words: str
    id: str


class Bench:
    """One open job folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = Journal(folder)
        self.modules: dict[str, ModuleType] = {module.__name__.rpartition(".")[2]: module for module in questions()}
        self.working: str | None = None
        self.share = (0, 0)  # of the stale questions: done, all
        self.since = 0.0
        self.doing = ""  # a command that a button started
        self.stopped = False
        self.trouble = ""
        self.stamp = 0
        self._seen: Seen = {}
        self._tried: Seen | None = None
        self._worker: asyncio.subprocess.Process | None = None
        self._changed = asyncio.Event()
        self._heard: list[Callable[[], None]] = []

    def desk(self) -> Desk:
        """Lay the folder out anew: files may have been changed outside."""
        return Desk.open(self.folder)

    def shown(self, desk: Desk | None = None) -> list[Shown]:
        """Return all questions in order, at once; an answer whose evidence has changed is not shown."""
        desk = desk or self.desk()
        found = []
        for name, module in self.modules.items():
            kept = recall(module, desk, at_once=True)
            found.append(Shown(name, module.QUESTION, None if kept is None else kept.answer,
                               self.working == name or (kept is None and not self.stopped)))
        return found

    def next_step(self, shown: list[Shown]) -> Step | None:
        """Return the one best next step over the whole job; None while it is being worked out."""
        answers = [item.answer for item in shown if item.answer is not None]
        best = best_next(answers)
        if best is not None:
            # A step that names another question ("keep the reading map under ...") is done there.
            named = next((item.id for item in shown if f"'{item.question}'" in best.next[0]), best.id)
            return Step(best.next[0], named)
        return Step(DONE, "") if step_words(answers) == DONE else None

    def stop(self) -> None:
        """End the work that is running; it begins again when evidence changes or someone asks."""
        self.stopped = True
        self._end_worker()
        self.tell()

    def go_on(self) -> None:
        """Look at the folder now, and work out again what is stale."""
        self.stopped, self._tried = False, None
        self._changed.set()

    def listen(self, hear: Callable[[], None]) -> Callable[[], None]:
        """Call `hear` on every change; returns what ends that."""
        self._heard.append(hear)
        return lambda: self._heard.remove(hear)

    def state(self) -> dict[str, object]:
        """Return what a page needs to know to keep itself up to date."""
        return {"stamp": self.stamp, "working": self.working, "done": self.share[0], "of": self.share[1],
                "seconds": round(time.monotonic() - self.since, 1) if self.working else 0.0, "doing": self.doing,
                "stopped": self.stopped, "trouble": self.trouble}

    async def run(self) -> None:
        """Watch the folder and keep the answers fresh, until cancelled."""
        work: asyncio.Task[None] | None = None
        try:
            while True:
                seen, stale = await asyncio.to_thread(self._look)
                if seen != self._seen:
                    # What is being worked out goes on where its own evidence is as it was: somebody may be typing
                    # labels while a large capture is read.
                    if self.working is None or seen.get(self.working) != self._seen.get(self.working):
                        self._end_worker()
                    self._seen, self.stopped = seen, False
                    self.tell()
                # Tried once for one state of the folder: a worker that cannot answer is not started for ever.
                if stale and not self.stopped and seen != self._tried and (work is None or work.done()):
                    self._tried = seen
                    work = asyncio.create_task(self._work())
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._changed.wait(), LOOK_EVERY_S)
                self._changed.clear()
        finally:
            self._end_worker()
            if work is not None:
                await work

    def _look(self) -> tuple[Seen, bool]:
        try:
            desk = self.desk()
            seen = {name: tuple(digests(module, desk).items()) for name, module in self.modules.items()}
            stale = any(recall(module, desk) is None for module in self.modules.values())
        except (TapwrightError, OSError) as error:
            self.trouble = str(error)
            return {"": (("trouble", self.trouble),)}, False
        self.trouble = ""
        return seen, stale

    async def _work(self) -> None:
        self._worker = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tapwright.job.worker", str(self.folder), stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL, limit=1 << 20)
        worker = self._worker
        assert worker.stdout is not None
        async for line in worker.stdout:
            said = json.loads(line)
            if "error" in said:
                self.trouble = said["error"]
            self.working, self.since = said.get("started"), time.monotonic()
            self.share = (said["done"], said["of"]) if "started" in said else self.share
            self.tell()
        await worker.wait()
        self.working = None
        self._changed.set()  # what is stale now was not when it began
        self.tell()

    def _end_worker(self) -> None:
        if self._worker is not None and self._worker.returncode is None:
            self._worker.terminate()
        self.working = None

    def tell(self) -> None:
        """Let every page know that something has changed."""
        self.stamp += 1
        for hear in list(self._heard):
            hear()

    def write_found(self) -> None:
        """Write what the readout page shows as "how this was found"."""
        write_found(self.folder, [item.answer for item in self.shown() if item.answer is not None])
