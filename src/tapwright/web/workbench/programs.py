"""The commands that the workbench starts: each a process of its own, so that pages stay quick and a stop ends them."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import urllib.request
from pathlib import Path
from typing import Any

from tapwright.core.errors import UsageError

FIRST_LINE_S = 20.0
ANSWER_S = 2.0


Ran = tuple[int, dict[str, Any], str]  # exit code, document, what it said on standard error


async def tapwright(*argv: str, folder: Path) -> Ran:
    """Run a command with `--json` in a job folder."""
    return await _run(["-m", "tapwright", argv[0], "--json", *argv[1:]], folder)


async def keep_map(folder: Path) -> Ran:
    """Learn the reading map of a job folder and write it as instrument.toml."""
    return await _run(["-m", "tapwright.job.worker", str(folder), "--keep-map"], folder)


async def _run(argv: list[str], folder: Path) -> Ran:
    process = await asyncio.create_subprocess_exec(
        sys.executable, *argv, cwd=folder,
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE)
    try:
        out, errors = await process.communicate()
    except asyncio.CancelledError:
        process.terminate()
        raise
    document = json.loads(out) if out.strip() else {}
    return process.returncode or 0, document, errors.decode("utf-8", "replace").strip()


class Live:
    """A live page run beside the workbench: `tapwright serve` on a port of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.url = ""
        self.source = ""
        self._process: asyncio.subprocess.Process | None = None

    @property
    def on(self) -> bool:
        """Whether it runs."""
        return self._process is not None and self._process.returncode is None

    async def start(self, source: str) -> None:
        """Serve readings of a source.

        Raises
        ------
        UsageError : the service refuses to start; the message is its own
        """
        await self.stop()
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tapwright", "serve", "--json", "--port", "0", "--source", source, cwd=self.folder,
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE)
        self._process, self.source = process, source
        assert process.stdout is not None
        assert process.stderr is not None
        text = ""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(FIRST_LINE_S):
                async for line in process.stdout:
                    text += line.decode()
                    with contextlib.suppress(json.JSONDecodeError):
                        self.url = str(json.loads(text)["url"])
                        return
                said = (await process.stderr.read()).decode("utf-8", "replace").strip().removeprefix("tapwright: ")
                raise UsageError(said or "the live page ended at once", expected="a source such as "
                                 "serial:///dev/ttyUSB0, tcp://HOST:PORT or replay:captures/FILE")
        await self.stop()
        raise UsageError("the live page did not start in time", expected="an address")

    async def reading(self) -> dict[str, Any]:
        """Return the newest reading, as its own page gives it; `{"on": False}` where nothing runs."""
        if not self.on or not self.url:
            return {"on": False}

        def ask() -> dict[str, Any]:
            with urllib.request.urlopen(f"{self.url}api/reading", timeout=ANSWER_S) as answer:
                return dict(json.loads(answer.read(1 << 16)))

        try:
            return {"on": True, **await asyncio.to_thread(ask)}
        except (OSError, ValueError):
            return {"on": True}

    async def stop(self) -> None:
        """End it."""
        if self._process is not None and self._process.returncode is None:
            self._process.terminate()
            await self._process.wait()
        self._process, self.url = None, ""
