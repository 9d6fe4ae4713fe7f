"""Files dropped on the workbench: named safely, bounded, written beside and renamed, never over another."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import AsyncIterator
from pathlib import Path

from tapwright.core.errors import UsageError

MOST_CAPTURE_BYTES = 8 << 30
MOST_TEXT_BYTES = 64 << 20

#: What may be dropped where: kind -> folder (empty: a file of that very name in the job folder), endings.
PLACES: dict[str, tuple[str, tuple[str, ...]]] = {
    "capture": ("captures", (".vcd", ".csv", ".tsv", ".fst", ".gz", ".bin")),
    "radio": ("radio", (".csv",)),
    "survey": ("survey.csv", (".csv", ".tsv", ".txt")),
    "labels": ("labels.csv", (".csv",)),
    "proof-labels": ("labels-proof.csv", (".csv",)),
    "subtitles": ("captures", (".vtt", ".srt")),
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


async def receive(path: Path, body: AsyncIterator[bytes], *, most: int) -> int:
    """Write a body to a file in pieces; return its size. A stop in the middle leaves nothing.

    Raises
    ------
    UsageError : it holds more than `most` bytes, or nothing
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    size = 0
    try:
        with part.open("wb") as out:
            async for piece in body:
                size += len(piece)
                if size > most:
                    raise UsageError(f"more than {most >> 20} MiB", expected="a smaller file",
                                     do="put it into the folder by hand")
                out.write(piece)
        if not size:
            raise UsageError("the file is empty", expected="some content")
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
    return size
