"""Files dropped on the workbench: named safely, bounded, written beside and renamed, never over another."""

from __future__ import annotations

import asyncio
import hashlib
import os
import re
import secrets
import shutil
import unicodedata
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from tapwright.core.errors import UsageError
from tapwright.core.files import os_reason

MOST_CAPTURE_BYTES = 8 << 30
MOST_TEXT_BYTES = 64 << 20
PIECE_BYTES = 1 << 20
SPARE_BYTES = 64 << 20  # left free on the disk for answers and the journal

#: What may be dropped where: kind -> folder (empty: a file of that very name in the job folder), endings.
PLACES: dict[str, tuple[str, tuple[str, ...]]] = {
    "capture": ("captures", (".vcd", ".csv", ".tsv", ".fst", ".gz", ".bin")),
    "radio": ("radio", (".csv",)),
    "survey": ("survey.csv", (".csv", ".tsv", ".txt")),
    "labels": ("labels.csv", (".csv",)),
    "proof-labels": ("labels-proof.csv", (".csv",)),
    "subtitles": ("captures", (".vtt", ".srt")),
    "job": ("job.toml", (".toml",)),
    "supply": ("supply.toml", (".toml",)),
    "reference": ("agreement/reference.csv", (".csv",)),
    "meter": ("agreement/meter.csv", (".csv",)),
    "spec": ("agreement/spec.toml", (".toml",)),
}
_ODD = re.compile(r"[^\w.+ ()-]")


def safe_name(name: str) -> str:
    """Return a file name without folders, controls or odd signs; it never begins with a dot.

    Raises
    ------
    UsageError : nothing is left of it
    """
    name = unicodedata.normalize("NFC", name).replace("\\", "/").rpartition("/")[2]
    name = _ODD.sub("_", name).strip(" .")
    if not name or len(name.encode()) > 200:
        raise UsageError("this file name cannot be used", expected="a name of letters, digits, dots and dashes")
    return name


def target(folder: Path, kind: str, name: str) -> Path:
    """Return where a dropped file goes.

    Raises
    ------
    UsageError : the kind or the ending does not fit
    """
    if kind not in PLACES:
        raise UsageError(f"'{kind}' is no kind of evidence", expected="one of " + ", ".join(PLACES))
    place, endings = PLACES[kind]
    name = safe_name(name)
    if not name.lower().endswith(endings):
        raise UsageError(f"'{name}' ends otherwise", expected=f"a file ending in {', '.join(endings)}",
                         do="drop it where its kind belongs, or give it the right ending")
    return folder / place if "." in place else folder / place / name


@dataclass(frozen=True)
class Received:
    """A file that was taken: its size in bytes and its SHA-256 as hex."""

    size: int
    digest: str


async def receive(path: Path, body: AsyncIterator[bytes], *, most: int, announced: int | None = None) -> Received:
    """Write a body to a file in pieces, off the event loop; a stop in the middle leaves nothing.

    Parameters
    ----------
    most : bytes allowed
    announced : bytes that the sender says will come, None where it does not

    Raises
    ------
    UsageError : it holds more than `most` bytes or nothing, or the disk does not take it
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if announced is not None:
        _fits(announced, most)
        free = shutil.disk_usage(path.parent).free
        if announced + SPARE_BYTES > free:
            raise UsageError(f"{announced >> 20} MiB do not fit: {free >> 20} MiB are free on the job folder's disk",
                             expected="room for it", do="make room, or name the file where it lies on this machine")
    part = path.with_name(f".{secrets.token_hex(8)}.part")
    size, digest = 0, hashlib.sha256()
    try:
        with part.open("xb") as out:
            async for piece in _pieces(body):
                size += len(piece)
                _fits(size, most)
                # Hashing and writing let go of the interpreter lock, so pages are answered meanwhile.
                await asyncio.to_thread(_put, out, digest, piece)
        if not size:
            raise UsageError("the file is empty", expected="some content")
        os.replace(part, path)
    except OSError as trouble:
        raise UsageError(f"it cannot be written ({os_reason(trouble)})", path=path, expected="a disk with room"
                         ) from None
    finally:
        part.unlink(missing_ok=True)
    return Received(size, digest.hexdigest())


def _fits(size: int, most: int) -> None:
    if size > most:
        raise UsageError(f"more than {most >> 20} MiB", expected="a smaller file",
                         do="name it where it lies on this machine, or put it into the folder by hand")


async def _pieces(body: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    """Gather small pieces into larger ones: a change of thread each 64 KiB would cost more than the writing."""
    gathered: list[bytes] = []
    size = 0
    async for piece in body:
        gathered.append(piece)
        size += len(piece)
        if size >= PIECE_BYTES:
            yield b"".join(gathered)
            gathered, size = [], 0
    if size:
        yield b"".join(gathered)


def _put(out: IO[bytes], digest: Any, piece: bytes) -> None:
    out.write(piece)
    digest.update(piece)
