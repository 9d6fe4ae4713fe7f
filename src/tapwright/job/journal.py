"""A job folder's journal: every change of evidence or description is kept, and any can be undone.

`journal/entries.jsonl` has a line a change; the content before it lies beside, named by its SHA-256. Nothing is ever
removed from it. Large captures are not copied: an added file's "before" is its absence, and undoing it moves the file
into the journal.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import shutil
import threading
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from tapwright.core.errors import DescriptionError, UsageError
from tapwright.core.files import write_bytes

FOLDER = "journal"
_ENTRIES = "entries.jsonl"


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One change.

    Parameters
    ----------
    number : from 1
    at : time of day, ISO 8601 with zone
    file : relative to the job folder
    what : in words
    before, after : SHA-256 of the content, empty where the file was not there
    undoes : number of the entry that this one takes back, 0 for none
    """

    number: int
    at: str
    file: str
    what: str
    before: str
    after: str
    undoes: int = 0


class Journal:
    """The journal of one job folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.place = folder / FOLDER
        self._numbering = threading.Lock()  # a command's files are noted off the event loop, edits on it

    def entries(self) -> list[Entry]:
        """Return all entries, oldest first.

        Raises
        ------
        DescriptionError : a line is no entry
        """
        path = self.place / _ENTRIES
        if not path.is_file():
            return []
        found = []
        for number, line in enumerate(path.read_text(encoding="utf-8").split("\n"), 1):
            if not line:
                continue
            try:
                found.append(Entry(**json.loads(line)))
            except (ValueError, TypeError):
                raise DescriptionError("no journal entry", path=path, line=number, expected="a JSON object a line",
                                       do="take that line out") from None
        return found

    def write(self, file: str, content: bytes, what: str, *, undoes: int = 0) -> Entry:
        """Write a file of the folder, its content before kept."""
        path = self._inside(file)
        before = path.read_bytes() if path.is_file() else None
        self._keep(before)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_bytes(path, content)
        return self._add(file, what, _digest(before), _digest(content), undoes)

    def changed(self, file: str, before: bytes | None, what: str) -> Entry | None:
        """Note a change that a command made to a file; None where it left the content as it was."""
        path = self._inside(file)
        after = path.read_bytes() if path.is_file() else None
        if after == before:
            return None
        self._keep(before)
        self._keep(after)
        return self._add(file, what, _digest(before), _digest(after), 0)

    def written(self, files: Iterable[str], before: Mapping[str, bytes], what: str) -> list[Entry]:
        """Note files that a command wrote or took away; `before` holds the content of those that were there."""
        return [entry for file in sorted({*files, *before})
                if (entry := self.changed(file, before.get(file), what)) is not None]

    def added(self, file: str, what: str, *, digest: str = "") -> Entry:
        """Note a file that was put into the folder by other means (a dropped capture); its SHA-256 if it is known."""
        path = self._inside(file)
        return self._add(file, what, "", digest or _file_digest(path), 0)

    def remove(self, file: str, what: str, *, undoes: int = 0) -> Entry:
        """Take a file out of the folder; its content is moved into the journal."""
        path = self._inside(file)
        if not path.is_file() and not path.is_symlink():
            raise UsageError("no such file", path=path, expected="a file of the job")
        # A link to a file that is gone has no content; its own text names it then.
        digest = _file_digest(path) if path.is_file() else _digest(os.readlink(path).encode("utf-8", "replace"))
        self.place.mkdir(exist_ok=True)
        os.replace(path, self.place / digest)
        return self._add(file, what, digest, "", undoes)

    def undo(self, number: int) -> Entry:
        """Put back what a file held before an entry.

        Raises
        ------
        UsageError : there is no such entry, or the file has changed since (undo the later change first)
        """
        entries = self.entries()
        entry = next((item for item in entries if item.number == number), None)
        if entry is None:
            raise UsageError(f"no change number {number}", expected=f"1 to {len(entries)}")
        path = self._inside(entry.file)
        now = _file_digest(path) if path.is_file() else ""
        if now != entry.after:
            raise UsageError(f"{entry.file} has changed since", expected="the content that this change left",
                             do="undo the later changes of that file first")
        what = f"undo: {entry.what}"
        if not entry.before:
            return self.remove(entry.file, what, undoes=number)
        kept = self.place / entry.before
        if entry.after:
            return self.write(entry.file, kept.read_bytes(), what, undoes=number)
        # Taken out: put back in pieces, however large; a link stays a link.
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f".{path.name}.{os.getpid()}.part")
        shutil.copyfile(kept, part, follow_symlinks=False)
        os.replace(part, path)
        return self._add(entry.file, what, "", entry.before, number)

    def _keep(self, content: bytes | None) -> None:
        self.place.mkdir(exist_ok=True)
        if content is not None:
            kept = self.place / _digest(content)
            if not kept.exists():
                write_bytes(kept, content)

    def _add(self, file: str, what: str, before: str, after: str, undoes: int) -> Entry:
        self.place.mkdir(exist_ok=True)
        at = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        with self._numbering:
            number = len(self.entries()) + 1
            entry = Entry(number=number, at=at, file=file, what=what, before=before, after=after, undoes=undoes)
            with (self.place / _ENTRIES).open("a", encoding="utf-8") as out:
                out.write(json.dumps(asdict(entry), ensure_ascii=False) + "\n")
                out.flush()
                os.fsync(out.fileno())
        return entry

    def _inside(self, file: str) -> Path:
        # The last part is not followed: a capture may be a link to where it lies on this machine.
        asked = self.folder / file
        path = asked.parent.resolve() / asked.name
        inside = path.is_relative_to(self.folder.resolve()) and asked.name not in ("", "..")
        if not inside or path.is_relative_to(self.place.resolve()):
            raise UsageError(f"'{file}' is not a file of this job", path=self.folder,
                             expected="a name inside the folder")
        return path


def _digest(content: bytes | None) -> str:
    return "" if content is None else hashlib.sha256(content).hexdigest()


def _file_digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
