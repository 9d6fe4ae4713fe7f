"""The way from a file to readings by a description that is known: line, frames, mask, map, each step applied.

Nothing is inferred here; where the description has no line or layout of its own, only files that hold bytes or
frames already can be read.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from tapwright.core.errors import CaptureError, DescriptionError
from tapwright.core.files import read_bytes
from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.instrument import Instrument
from tapwright.core.line import AsyncSettings, ClockedSettings, LineBytes
from tapwright.evidence.byte_rows import read_byte_rows
from tapwright.evidence.captures import read_capture
from tapwright.evidence.frame_rows import read_frame_rows
from tapwright.frames.apply import split
from tapwright.line.apply import read_line
from tapwright.mapping.apply import Decoder, Readings

FileKind = Literal["capture", "bytes", "frames"]


def kind_of(path: Path) -> FileKind:
    """Say what a file holds by its ending and, for .csv and .tsv, its heading.

    Raises
    ------
    CaptureError : the file cannot be read
    """
    if path.suffix.lower() not in (".csv", ".tsv", ".txt"):
        return "capture"
    # A heading holds plain words; anything odder is for the reader of that kind to refuse, by file and line.
    head = read_bytes_head(path).partition("\r")[0].replace("\t", ",").replace(";", ",")
    cells = {cell.strip(' "').lower() for cell in head.split(",")}
    if "hex" not in cells:
        return "capture"
    return "bytes" if "error" in cells else "frames"


def read_bytes_head(path: Path) -> str:
    """Return the first line of a text file, at most 4096 bytes of it, undecodable bytes replaced."""
    if path.is_dir() or not path.exists():
        read_bytes(path, error=CaptureError)
    try:
        with path.open("rb") as file:
            return file.readline(4096).decode("utf-8-sig", "replace").strip()
    except OSError as trouble:
        raise CaptureError(str(trouble.strerror).lower(), path=path, expected="a file that can be read") from None


def frames_of(path: Path, instrument: Instrument, *, rate_hz: float | None = None, width: int = 8,
              channel: str | None = None) -> Frames:
    """Return the frames in a file, as received (still masked), by an instrument's line and layout.

    Parameters
    ----------
    path : a capture, a bytes file or a frames file
    rate_hz, width : for packed samples (.bin)
    channel : the line to read; left out: the description's, else the only one

    Raises
    ------
    CaptureError : the file is wrong
    DescriptionError : the description lacks what this kind of file needs
    """
    kind = kind_of(path)
    if kind == "frames":
        return read_frame_rows(path)
    if kind == "bytes":
        return split(_one(read_byte_rows(path), path, channel or instrument.channel), _layout(instrument, path))
    capture = read_capture(path, rate_hz=rate_hz, width=width)
    settings = instrument.line
    layout = _layout(instrument, path)
    if settings is None:
        raise DescriptionError("the instrument description has no [line], and this is a capture of levels", path=path,
                               expected="a frames file, or a description with its line settings")
    if isinstance(settings, ClockedSettings):
        from tapwright.line.apply import read_clocked

        return split(read_clocked(capture, settings), layout)
    name = _line_name(capture.path, [line.name for line in capture.channels], channel or instrument.channel)
    return split(read_line(capture, name, settings), layout)


def readings_of(path: Path, instrument: Instrument, *, rate_hz: float | None = None, width: int = 8,
                channel: str | None = None) -> Readings:
    """Return the readings in a file; arguments and errors as `frames_of`."""
    return Decoder(instrument).read(frames_of(path, instrument, rate_hz=rate_hz, width=width, channel=channel))


def character_s(instrument: Instrument) -> float:
    """Return the length of one character on the instrument's line, 0 where it is not known."""
    return instrument.line.character_s if isinstance(instrument.line, AsyncSettings) else 0.0


def _layout(instrument: Instrument, path: Path) -> FrameLayout:
    if instrument.layout is None:
        raise DescriptionError("the instrument description has no [frame], and this file holds no frames yet",
                               path=path, expected="a frames file, or a description with its frame layout")
    return instrument.layout


def _one(lines: list[LineBytes], path: Path, channel: str | None) -> LineBytes:
    return next(line for line in lines if line.channel == _line_name(path, [line.channel for line in lines], channel))


def _line_name(path: Path, names: list[str], wanted: str | None) -> str:
    if wanted:
        # A description learned on one capture is used on others, whose channels may have other names.
        fits = [name for name in names if wanted in (name, name.rpartition(".")[2])]
        fits = fits or [name for name in names if name.rpartition(".")[2] == wanted.rpartition(".")[2]]
        if fits:
            return fits[0]
    if len(names) == 1:
        return names[0]
    raise CaptureError(
        f"no channel called '{wanted}'" if wanted else "several channels", path=path,
        expected="one of " + ", ".join(names[:20]), do="name the line with --channel",
    )
