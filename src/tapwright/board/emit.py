"""What `tapwright board` does: judge the description, gather what the job folder knows, write the targets' files."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from tapwright.board.about import About, gather
from tapwright.board.tables import open_parts
from tapwright.core import registry
from tapwright.core.errors import DescriptionError, TapwrightError, UsageError
from tapwright.core.files import os_reason, write_text
from tapwright.core.instrument import Instrument

TARGETS = "tapwright.board.targets"
__all__ = ["About", "gather", "out_folder", "require_settled", "write"]


def out_folder(given: str | None, job: Path | None) -> Path:
    """Return where the files go.

    Raises
    ------
    UsageError : neither a folder nor a job was given
    """
    if given is not None:
        return Path(given)
    if job is None:
        raise UsageError("no folder given for the files", expected="--out DIR, or a job folder")
    return job / "board"


def require_settled(instrument: Instrument, path: Path, *, allow: bool) -> list[str]:
    """Return what is undetermined, in words.

    Raises
    ------
    DescriptionError : something is, and `allow` is not given
    """
    left = open_parts(instrument.reading_map)
    if left and not allow:
        raise DescriptionError(
            "parts are undetermined: " + "; ".join(left), path=path, expected="a description that labels settled",
            do="label what 'tapwright learn' asks for next, or give --allow-unproven to show these parts as unproven")
    return left


def write(instrument: Instrument, out: Path, targets: Iterable[str], about: About) -> list[Path]:
    """Write the targets' files, each whole or not at all; return their paths.

    Raises
    ------
    TapwrightError : a folder cannot be made, or a file not written
    """
    texts: dict[Path, str] = {}
    for name in targets:
        module = registry.member(TARGETS, name)
        texts |= {out / module.FOLDER / file: text for file, text in module.files(instrument, about).items()}
    for folder in dict.fromkeys(path.parent for path in texts):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as trouble:
            raise TapwrightError(os_reason(trouble), path=folder, expected="a folder that can be written") from None
    for path, text in texts.items():
        write_text(path, text)
    return list(texts)
