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
from typing import Any

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


def recall(module: ModuleType, desk: Desk, *, at_once: bool = False) -> Kept | None:
    """Return the kept answer to a question if its evidence is unchanged, else None.

    With `at_once` no large file is read for it: one whose digest is not known yet counts as changed.
    """
    path = _place(desk.folder, module)
    try:
        kept = _read(path)
        if kept["version"] == VERSION and kept["digests"] == digests(module, desk, at_once=at_once):
            lists = {name: tuple(kept["answer"][name]) for name in ("evidence", "next", "files")}
            return Kept(answer=Answer(**{**kept["answer"], **lists}), digests=kept["digests"])
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


def digests(module: ModuleType, desk: Desk, *, at_once: bool = False) -> dict[str, str]:
    """Return the SHA-256 of every file that a question would read now, by name; job.toml is always one.

    With `at_once` it is empty for a large file that was not read yet.
    """
    try:
        files = (desk.folder / "job.toml", *desk.place(SAMPLING), *module.files(desk))
    except TapwrightError:
        files = (desk.folder / "job.toml", *desk.place("labels.csv"))
    return {desk.named(path): digest_of(path, at_once=at_once) for path in dict.fromkeys(files)}


AT_ONCE_BYTES = 8 << 20  # hashed in some 10 ms
#: (path, size, change time) -> SHA-256: a capture of many megabytes is read once.
_KNOWN: dict[tuple[str, int, int], str] = {}


def digest_of(path: Path, *, at_once: bool = False) -> str:
    """Return a file's SHA-256 as hex; with `at_once` an empty text for a large file that was not read yet."""
    key = _key(path)
    if key not in _KNOWN:
        if at_once and key[1] > AT_ONCE_BYTES:
            return ""
        with path.open("rb") as file:
            _KNOWN[key] = hashlib.file_digest(file, "sha256").hexdigest()
    return _KNOWN[key]


def know(path: Path, digest: str) -> None:
    """Remember the SHA-256 of a file that was hashed while it was written."""
    _KNOWN[_key(path)] = digest


def last(module: ModuleType, folder: Path) -> dict[str, Any]:
    """Return the document of the answer kept last, whatever has changed since; empty where there is none."""
    try:
        return dict(_read(_place(folder, module))["answer"]["document"] or {})
    except (OSError, ValueError, KeyError, TypeError):
        return {}


#: Answer files as last read, with the key that they had then: every page shows all answers.
_READ: dict[Path, tuple[tuple[str, int, int], dict[str, Any]]] = {}


def _read(path: Path) -> dict[str, Any]:
    key = _key(path)
    if path not in _READ or _READ[path][0] != key:
        _READ[path] = key, json.loads(path.read_text(encoding="utf-8"))
    return _READ[path][1]


def _key(path: Path) -> tuple[str, int, int]:
    status = path.stat()
    return str(path), status.st_size, status.st_mtime_ns


def _place(folder: Path, module: ModuleType) -> Path:
    return folder / FOLDER / "answers" / f"{module.__name__.rpartition('.')[2]}.json"


def _plain(value: object) -> object:
    return value.tolist() if hasattr(value, "tolist") else str(value)
