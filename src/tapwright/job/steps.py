"""The finding steps joined: from a raw file to bytes, to frames, whatever the file holds.

Commands and the workbench both come through here, so an answer never depends on which of them asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tapwright.core.capture import Capture
from tapwright.core.errors import CaptureError
from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.line import AsyncSettings, LineBytes, LineSettings
from tapwright.decode.chain import kind_of
from tapwright.evidence.byte_rows import read_byte_rows
from tapwright.evidence.captures import read_capture
from tapwright.evidence.frame_rows import read_frame_rows
from tapwright.frames.find import FramesReport, find_frames
from tapwright.line.apply import read_line
from tapwright.line.find import find_lines
from tapwright.line.report import LineReport


@dataclass(frozen=True, kw_only=True)
class BytesFound:
    """Bytes or frames of one line, and how they were had.

    `source` is a frames file's frames as they are, else the line's bytes. `line` is None where the file held bytes
    already. `capture` and `lines` are there for raw captures.
    """

    source: LineBytes | Frames
    channel: str
    line: LineSettings | None = None
    capture: Capture | None = None
    lines: LineReport | None = None


@dataclass(frozen=True, kw_only=True)
class FramesFound:
    """Frames of one line with the layout found for them (None where none was)."""

    frames: Frames
    layout: FrameLayout | None
    report: FramesReport
    bytes_found: BytesFound


def bytes_found(path: Path, *, rate_hz: float | None = None, width: int = 8, channel: str | None = None,
                low_v: float | None = None, high_v: float | None = None) -> BytesFound:
    """Return the bytes of a file's talking line: of a capture by finding its settings first.

    Raises
    ------
    CaptureError : the file is wrong, the named channel is not there, or nothing in it talks
    """
    kind = kind_of(path)
    if kind == "frames":
        frames = read_frame_rows(path)
        return BytesFound(source=frames, channel=frames.channel)
    if kind == "bytes":
        rows = _chosen(read_byte_rows(path), path, channel)
        return BytesFound(source=rows, channel=rows.channel)
    capture = read_capture(path, rate_hz=rate_hz, width=width, low_v=low_v, high_v=high_v)
    report = find_lines(capture, channels=[channel] if channel else None)
    for finding in report.channels:
        if finding.settings is not None and finding.name in report.talking[:1]:
            settings: AsyncSettings = finding.settings
            rows = read_line(capture, finding.name, settings)
            return BytesFound(source=rows, channel=finding.name, line=settings, capture=capture, lines=report)
    if report.pairs and report.pairs[0].settings is not None:
        from tapwright.line.apply import read_clocked

        clocked = report.pairs[0].settings
        rows = read_clocked(capture, clocked)
        return BytesFound(source=rows, channel=rows.channel, line=clocked, capture=capture, lines=report)
    seen = ", ".join(f"{finding.name} is {finding.kind}" for finding in report.channels[:12])
    raise CaptureError(f"no line in it talks ({seen})", path=path, expected="a channel that carries bytes",
                       do="see 'tapwright line' for what each channel is, and 'tapwright pins' for what opens the data")


def frames_found(path: Path, *, rate_hz: float | None = None, width: int = 8, channel: str | None = None,
                 low_v: float | None = None, high_v: float | None = None) -> FramesFound:
    """Return the frames of a file's talking line, the layout found from the bytes alone; errors as `bytes_found`."""
    found = bytes_found(path, rate_hz=rate_hz, width=width, channel=channel, low_v=low_v, high_v=high_v)
    report = find_frames(found.source)
    return FramesFound(frames=report.frames, layout=report.layout, report=report, bytes_found=found)


def _chosen(lines: list[LineBytes], path: Path, channel: str | None) -> LineBytes:
    if channel is not None:
        fits = [line for line in lines if channel in (line.channel, line.channel.rpartition(".")[2])]
        if not fits:
            raise CaptureError(f"no channel called '{channel}'", path=path,
                               expected="one of " + ", ".join(line.channel for line in lines))
        return fits[0]
    if not lines:
        raise CaptureError("no bytes in it", path=path, expected="a row a byte")
    return max(lines, key=len)
