"""Whether a file may be written or read as a recording, found out without opening a database."""

from __future__ import annotations

from pathlib import Path

from tapwright.core.errors import TapwrightError
from tapwright.core.files import os_reason

SQLITE_HEAD = b"SQLite format 3\0"


class StoreError(TapwrightError):
    """A recording that was named cannot be read, or is none."""


def refuse_other_file(path: Path, *, must_exist: bool = False) -> None:
    """Raise StoreError where a file is there that is no SQLite database, or its folder is missing."""
    if path.is_dir():
        raise StoreError("this is a folder", path=path, expected="a recording (.sqlite)")
    if not path.exists():
        if must_exist:
            raise StoreError("no such file", path=path, expected="a recording (.sqlite) made by 'tapwright serve'")
        if not path.absolute().parent.is_dir():
            raise StoreError("the folder for it does not exist", path=path, do="make the folder first")
        return
    try:
        with path.open("rb") as file:
            head = file.read(len(SQLITE_HEAD))
    except OSError as trouble:
        raise StoreError(os_reason(trouble), path=path, expected="a file that can be read") from None
    if head and head != SQLITE_HEAD:
        raise StoreError("this is no SQLite file", path=path, offset=0, expected="a recording (.sqlite)")
