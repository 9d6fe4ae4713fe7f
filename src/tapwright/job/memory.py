"""Answers kept beside the evidence that they rest on: asked again only when that evidence has changed.

`journal/answers/ID.json` holds the newest answer with the digests of its files; whoever opens the folder later sees at
once what is still true. Traceable: each answer names the exact content it came from.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from types import ModuleType

from tapwright import VERSION
from tapwright.core.errors import TapwrightError
from tapwright.core.files import write_text
from tapwright.job.answers import Answer
from tapwright.job.ask import ask
from tapwright.job.desk import SAMPLING, Desk
from tapwright.job.journal import FOLDER


@dataclass(frozen=True, kw_only=True)
class Kept:
    """An answer with what it came from: file name -> SHA-256."""

    answer: Answer
    digests: dict[str, str]


def recall(module: ModuleType, desk: Desk) -> Kept | None:
    """Return the kept answer to a question if its evidence is unchanged, else None."""
    path = _place(desk.folder, module)
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        lists = {name: tuple(kept["answer"][name]) for name in ("evidence", "next", "files")}
        answer = Answer(**{**kept["answer"], **lists})
        if kept["version"] == VERSION and kept["digests"] == digests(module, desk):
            return Kept(answer=answer, digests=kept["digests"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return None


def work_out(module: ModuleType, desk: Desk) -> Kept:
    """Ask a question now and keep the answer."""
    seen = digests(module, desk)
    answer = ask(module, desk)
    path = _place(desk.folder, module)
    path.parent.mkdir(parents=True, exist_ok=True)
    document = {"version": VERSION, "digests": seen, "answer": asdict(answer)}
    write_text(path, json.dumps(document, ensure_ascii=False, default=_plain))
    return Kept(answer=answer, digests=seen)


def digests(module: ModuleType, desk: Desk) -> dict[str, str]:
    """Return the SHA-256 of every file that a question would read now, by name; job.toml is always one."""
    try:
        files = (desk.folder / "job.toml", *desk.place(SAMPLING), *module.files(desk))
    except TapwrightError:
        files = (desk.folder / "job.toml", *desk.place("labels.csv"))
    return {desk.named(path): _digest(path) for path in dict.fromkeys(files)}


#: (path, size, change time) -> SHA-256: a capture of many megabytes is read once.
_KNOWN: dict[tuple[str, int, int], str] = {}


def _digest(path: Path) -> str:
    status = path.stat()
    key = (str(path), status.st_size, status.st_mtime_ns)
    if key not in _KNOWN:
        with path.open("rb") as file:
            _KNOWN[key] = hashlib.file_digest(file, "sha256").hexdigest()
    return _KNOWN[key]


def _place(folder: Path, module: ModuleType) -> Path:
    return folder / FOLDER / "answers" / f"{module.__name__.rpartition('.')[2]}.json"


def _plain(value: object) -> object:
    return value.tolist() if hasattr(value, "tolist") else str(value)
