"""Errors about what a user gave: each says where, what was found, what was expected, what to do.

Only bad input and bad usage raise these (exit 2). Evidence that cannot decide is a result, never an error.
"""

from __future__ import annotations

from pathlib import Path


class TapwrightError(Exception):
    """Bad input or usage.

    Parameters
    ----------
    found : what is wrong, as a clause ("no column named t_s")
    path : the file concerned, None for the command line itself
    line : 1-based line in a text file
    offset : byte offset in a binary file
    place : any other place in the file ("column linked", "key cells.series")
    expected : what would have been right
    do : what to do next, imperative
    """

    def __init__(
        self,
        found: str,
        *,
        path: Path | str | None = None,
        line: int | None = None,
        offset: int | None = None,
        place: str = "",
        expected: str = "",
        do: str = "",
    ) -> None:
        self.found = found
        self.path = None if path is None else Path(path)
        self.line = line
        self.offset = offset
        self.place = place
        self.expected = expected
        self.do = do
        super().__init__(self.message())

    def message(self) -> str:
        """Return the whole message, one line."""
        where = []
        if self.path is not None:
            where.append(str(self.path))
        if self.line is not None:
            where.append(f"line {self.line}")
        if self.offset is not None:
            where.append(f"byte {self.offset}")
        if self.place:
            where.append(self.place)
        text = (", ".join(where) + ": " if where else "") + self.found
        if self.expected:
            text += f"; expected {self.expected}"
        if self.do:
            text += f". {self.do[:1].upper()}{self.do[1:]}"
        return text if text.endswith("?") else text.rstrip(".") + "."


class UsageError(TapwrightError):
    """The command line asks for something that does not fit."""


class CaptureError(TapwrightError):
    """A capture or a frames file cannot be read."""


class FrameError(TapwrightError):
    """Bytes or a frame layout do not fit together."""


class MaskError(TapwrightError):
    """A mask file is wrong, or mask and frames do not fit together."""


class LabelError(TapwrightError):
    """A labels file is wrong, or labels and captures do not fit together."""


class DescriptionError(TapwrightError):
    """An instrument description or a job file is wrong."""


class SurveyError(TapwrightError):
    """A pad survey is wrong."""


class PlanError(TapwrightError):
    """A supply plan is wrong."""


class AgreementError(TapwrightError):
    """Readings to compare, or the specification they are held against, are wrong."""


class SourceError(TapwrightError):
    """A live source or a server port cannot be used."""
