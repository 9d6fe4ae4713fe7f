"""What every command shares: the outcome it returns, progress, JSON, and the job folder's usual places."""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from tapwright.core.errors import UsageError

EXIT_DONE, EXIT_NO, EXIT_BAD_INPUT = 0, 1, 2


@dataclass(frozen=True)
class Outcome:
    """What a command answers.

    Parameters
    ----------
    document : the JSON document that `--json` prints (floats that are not finite become null)
    text : the same for people
    exit_code : 0 done, 1 the answer is no or wholly undecided
    said : the command has printed its answer itself (a server says at its start where it is)
    """

    document: dict[str, object]
    text: str
    exit_code: int = EXIT_DONE
    said: bool = False


class Command(Protocol):
    """The face of a command module: `tapwright/cli/<name>.py`. Heavy libraries are imported inside `run`."""

    HELP: str

    def configure(self, parser: argparse.ArgumentParser) -> None:
        """Add the command's own arguments (`--json` and `--job` are there already)."""

    def run(self, args: argparse.Namespace) -> Outcome:
        """Do the work; raise `TapwrightError` on bad input."""


def from_job(args: argparse.Namespace, given: str | None, usual: str, what: str) -> Path:
    """Return the file a command should read: the one given, else its usual place in the job folder.

    Raises
    ------
    UsageError : none was given and there is no job folder, or the file is not in it
    """
    if given is not None:
        return Path(given)
    folder = job_folder(args)
    if folder is None:
        raise UsageError(
            f"no {what} given, and no job.toml in {args.job or 'the current folder'}",
            expected=f"{what}, or a job folder that holds {usual}",
            do="name the file, or start a job folder with 'tapwright new DIR'",
        )
    path = folder / usual
    if not path.exists():
        raise UsageError(f"no {what} given, and the job folder has no {usual}", path=path, expected="that file")
    return path


def job_folder(args: argparse.Namespace) -> Path | None:
    """Return the job folder (`--job DIR`, else the current folder), None where it holds no job.toml.

    Raises
    ------
    UsageError : `--job` names a folder without job.toml
    """
    named = getattr(args, "job", None)
    folder = Path(named) if named else Path()
    if (folder / "job.toml").is_file():
        return folder
    if named:
        raise UsageError("no job.toml in this folder", path=folder, expected="a job folder",
                         do="start one with 'tapwright new DIR'")
    return None


def as_json(document: object) -> str:
    """Return a document as JSON text; numpy numbers become plain ones, floats that are not finite become null."""
    return json.dumps(plain(document), ensure_ascii=False, indent=2, allow_nan=False)


def plain(value: object) -> object:
    """Return a value made of dict, list, str, bool, int, float and None only."""
    if value is None or isinstance(value, (str, bool)):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in value]
    if hasattr(value, "item") and getattr(value, "ndim", None) == 0:
        return plain(value.item())
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    return str(value)


class Progress:
    """One line on standard error that says what is being done; silent where that is no terminal.

    Use: `with Progress("reading", total=n) as progress: progress.at(done)`.
    """

    SHOW_AFTER_S, EVERY_S = 0.5, 0.1

    def __init__(self, what: str, total: float = 0) -> None:
        self.what, self.total = what, total
        self.on = sys.stderr.isatty() and not os.environ.get("NO_PROGRESS")
        self.started = self.shown = time.monotonic()
        self.width = 0

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        if self.width:
            sys.stderr.write("\r" + " " * self.width + "\r")
            sys.stderr.flush()

    def at(self, done: float, note: str = "") -> None:
        """Say how far the work is (`done` of `total`, or just alive where the total is not known)."""
        now = time.monotonic()
        if not self.on or now - self.started < self.SHOW_AFTER_S or now - self.shown < self.EVERY_S:
            return
        self.shown = now
        share = f" {min(done / self.total, 1):4.0%}" if self.total else ""
        text = f"{self.what}{share} {now - self.started:.0f} s {note}".rstrip()[:110]
        sys.stderr.write("\r" + text.ljust(self.width))
        sys.stderr.flush()
        self.width = len(text)


def warn(text: str) -> None:
    """Print a warning on standard error."""
    print(f"note: {text}", file=sys.stderr)


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """Return rows as plain text in aligned columns, two spaces apart."""
    if not rows:
        return ""
    every = [head, *rows]
    widths = [max(len(row[i]) for row in every) for i in range(len(head))]
    return "\n".join("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
                     for row in every)
