"""How evidence comes in and goes out: dropped, pointed to, taken out, taken back."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from typing import Any

from starlette.requests import Request

from tapwright.core.errors import UsageError
from tapwright.core.files import os_reason
from tapwright.job.journal import Entry
from tapwright.job.memory import know
from tapwright.web.workbench import editors
from tapwright.web.workbench.bench import Bench
from tapwright.web.workbench.uploads import MOST_CAPTURE_BYTES, MOST_TEXT_BYTES, receive, target

#: Kinds that a file is added for, whatever its size; the others replace the file of their usual place.
ADDED = ("capture", "radio", "subtitles")
#: Kinds whose reader must be content before they replace anything, by the name of their editor.
CHECKED = {"job": "job", "supply": "supply", "reference": "reference", "meter": "meter", "spec": "spec"}
GRIDS = {"survey": "survey", "labels": "labels", "proof-labels": "labels-proof"}


class Intake:
    """Takes evidence for one job folder."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.folder = bench.folder

    async def drop(self, request: Request) -> dict[str, Any]:
        """Take a dropped file; its name is in the query, its content is the body."""
        kind = request.path_params["kind"]
        path = target(self.folder, kind, request.query_params.get("name", ""))
        if kind not in ADDED:
            return await self._replaced(request, kind, path)
        file = path.relative_to(self.folder).as_posix()
        if kind == "subtitles" and path.is_file():
            return await self._replaced(request, kind, path)  # corrected against the video, and dropped again
        if path.exists() or path.is_symlink():
            raise UsageError(f"there is a {file} already", expected="another name", do="take the old one out first")
        taken = await receive(path, request.stream(), most=MOST_CAPTURE_BYTES if kind == "capture" else MOST_TEXT_BYTES,
                              announced=_announced(request))
        know(path, taken.digest)
        entry = self.bench.journal.added(file, f"dropped {path.name}", digest=taken.digest)
        self.bench.go_on()
        return {"file": file, "bytes": taken.size, "number": entry.number}

    async def _replaced(self, request: Request, kind: str, path: Path) -> dict[str, Any]:
        coming = path.with_name(f".{path.name}.dropped")
        try:
            taken = await receive(coming, request.stream(), most=MOST_TEXT_BYTES, announced=_announced(request))
            content = await asyncio.to_thread(coming.read_bytes)
        finally:
            coming.unlink(missing_ok=True)
        complaint = ""
        words = content.decode("utf-8-sig", "replace")
        if kind in CHECKED:
            editors.text(CHECKED[kind], {"text": words})
        elif kind in GRIDS:
            complaint = await asyncio.to_thread(editors.complaint_of, GRIDS[kind], words)
            if complaint and path.is_file():
                # A table that cannot be read is kept to be mended where nothing is lost by it, and only there.
                raise UsageError(complaint, expected=f"a table for {path.name}",
                                 do=f"nothing was changed: the {path.name} that is here stays")
        file = path.relative_to(self.folder).as_posix()
        entry = self.bench.journal.write(file, content, f"dropped {request.query_params.get('name', '')[:80]}")
        self.bench.go_on()
        return {"file": file, "bytes": taken.size, "number": entry.number, "complaint": complaint}

    async def point(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Use a capture where it lies on this machine: a link to it is put into captures/."""
        text = str(asked.get("path", "")).strip()
        if not text or "\0" in text:
            raise UsageError("no path is given", expected="the full path of a capture on this machine")
        source = Path(text).expanduser()
        # A path may be written relative to the job folder too, like captures/first.vcd.
        source = source if source.is_absolute() else self.folder / source
        if not source.is_file():
            raise UsageError("no such file on this machine", path=source, expected="the full path of a capture")
        source = source.resolve()
        path = target(self.folder, "capture", source.name)
        if source == path:
            raise UsageError(f"captures/{path.name} lies in the folder already", expected="a file that does not",
                             do="nothing: it is used")
        if path.exists() or path.is_symlink():
            raise UsageError(f"there is a {path.name} already", expected="another name",
                             do="take the old one out first")
        path.parent.mkdir(exist_ok=True)
        try:
            os.symlink(source, path)
        except OSError as trouble:
            raise UsageError(f"no link can be made ({os_reason(trouble)})", path=path,
                             expected="a folder that takes links", do="drop the file instead") from None
        entry = await asyncio.to_thread(self.bench.journal.added, f"captures/{path.name}", f"pointed to {source}")
        know(path, entry.after)
        self.bench.go_on()
        return {"file": f"captures/{path.name}", "number": entry.number}

    async def remove(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Take an evidence file out of the folder; the journal keeps it."""
        file = str(asked.get("file", ""))
        if file not in editors.removable(self.bench.desk()):
            raise UsageError(f"'{file[:80]}' is no evidence file of this job",
                             expected="a capture, a recording or a table")
        entry = await asyncio.to_thread(self.bench.journal.remove, file, f"took out {file}")
        self.bench.go_on()
        return {"removed": file, "number": entry.number}

    async def undo(self, number: int) -> dict[str, Any]:
        """Take a change back; that is a change too."""
        entry: Entry = await asyncio.to_thread(self.bench.journal.undo, number)
        self.bench.go_on()
        return {"file": entry.file, "what": entry.what, "number": entry.number}


def _announced(request: Request) -> int | None:
    text = request.headers.get("content-length", "")
    return int(text) if text.isdecimal() and len(text) < 20 else None
