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
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from tapwright.core.errors import TapwrightError
from tapwright.job.answers import Answer, write_found
from tapwright.job.ask import best_next, questions
from tapwright.job.desk import Desk
from tapwright.job.journal import Journal
from tapwright.job.memory import digests, recall

LOOK_EVERY_S = 1.0


@dataclass(frozen=True)
class Shown:
    """A question as the page shows it: its answer if one is kept, and whether it is being worked out."""

    id: str
    question: str
    answer: Answer | None
    working: bool


class Bench:
    """One open job folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = Journal(folder)
        self.modules: dict[str, ModuleType] = {module.__name__.rpartition(".")[2]: module for module in questions()}
        self.working: str | None = None
        self.stopped = False
        self.trouble = ""
        self.stamp = 0
        self._seen: object = None
        self._worker: asyncio.subprocess.Process | None = None
        self._changed = asyncio.Event()
        self._heard: list[Callable[[], None]] = []

    def desk(self) -> Desk:
        """Lay the folder out anew: files may have been changed outside."""
        return Desk.open(self.folder)

    def shown(self, desk: Desk | None = None) -> list[Shown]:
        """Return all questions in order; an answer whose evidence has changed is not shown."""
        desk = desk or self.desk()
        found = []
        for name, module in self.modules.items():
            kept = recall(module, desk)
            found.append(Shown(name, module.QUESTION, None if kept is None else kept.answer,
                               self.working == name or (kept is None and not self.stopped)))
        return found

    def next_step(self, shown: list[Shown]) -> str:
        """Return the one best next step over the whole job."""
        return best_next([item.answer for item in shown if item.answer is not None])

    def stop(self) -> None:
        """End the work that is running; it begins again when evidence changes or someone asks."""
        self.stopped = True
        self._end_worker()
        self._tell()

    def go_on(self) -> None:
        """Work out again what is stale."""
        self.stopped = False
        self._changed.set()

    def listen(self, hear: Callable[[], None]) -> Callable[[], None]:
        """Call `hear` on every change; returns what ends that."""
        self._heard.append(hear)
        return lambda: self._heard.remove(hear)

    def state(self) -> dict[str, object]:
        """Return what a page needs to know to keep itself up to date."""
        return {"stamp": self.stamp, "working": self.working, "stopped": self.stopped, "trouble": self.trouble}

    async def run(self) -> None:
        """Watch the folder and keep the answers fresh, until cancelled."""
        work: asyncio.Task[None] | None = None
        try:
            while True:
                try:
                    seen = await asyncio.to_thread(self._look)
                except (TapwrightError, OSError) as error:
                    seen = self.trouble = str(error)
                if seen != self._seen:
                    self._seen = seen
                    self.stopped = False
                    self._end_worker()
                    if work is not None:
                        await work
                    self._tell()
                    work = asyncio.create_task(self._work())
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._changed.wait(), LOOK_EVERY_S)
                    self._changed.clear()
                    self._seen = None
        finally:
            self._end_worker()
            if work is not None:
                await work

    def _look(self) -> object:
        desk = self.desk()
        self.trouble = ""
        return tuple((name, tuple(digests(module, desk).items())) for name, module in self.modules.items())

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
            self.working = said.get("started")
            self._tell()
        await worker.wait()
        self.working = None
        self._tell()

    def _end_worker(self) -> None:
        if self._worker is not None and self._worker.returncode is None:
            self._worker.terminate()
        self.working = None

    def _tell(self) -> None:
        self.stamp += 1
        for hear in list(self._heard):
            hear()

    def write_found(self) -> None:
        """Write what the readout page shows as "how this was found"."""
        write_found(self.folder, [item.answer for item in self.shown() if item.answer is not None])
