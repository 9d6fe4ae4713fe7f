"""Bytes -> length, start, check, and what each byte of a frame does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.line import LineBytes
from tapwright.frames.anatomy import ByteColumn, columns, constant_run
from tapwright.frames.apply import check_ok, split
from tapwright.frames.framing import common_end, common_start, find_framings, length_field, shortest_closing

Progress = Callable[[float, str], None]


@dataclass(frozen=True, kw_only=True)
class FoundCheck:
    """A check that the frames show to be one.

    Parameters
    ----------
    failed : frames in which it does not hold
    same_as : settings that no frame so far tells apart
    false_finds : how many such finds chance alone would give, expected
    more_frames : further frames (with other contents, or of another length) that would settle `same_as`
    """

    check: Check
    failed: int
    same_as: tuple[Check, ...] = ()
    false_finds: float = 0.0
    more_frames: int = 0
    evidence: str = ""


@dataclass(frozen=True, kw_only=True)
class FramesReport:
    """What is known of the frames in a stream.

    Parameters
    ----------
    layout : None where no framing stands
    frames : every frame received, cut ones too with `broken` set
    bytes_outside : bytes in no whole frame
    period_s : usual time from frame to frame, None under two frames
    """

    layout: FrameLayout | None
    frames: Frames
    n_bytes: int
    bytes_outside: int
    probability: float
    period_s: float | None = None
    checks: tuple[FoundCheck, ...] = ()
    bytes_: tuple[ByteColumn, ...] = ()
    evidence: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()

    @property
    def whole(self) -> Frames:
        """The frames that were not cut."""
        return self.frames.take(np.flatnonzero(~self.frames.broken))

    def document(self) -> dict[str, object]:
        """Return the JSON document of the contract."""
        from tapwright.frames.report import document

        return document(self)


def find_frames(source: LineBytes | Frames, *, progress: Progress | None = None) -> FramesReport:
    """Find how a stream divides into frames, and what each byte of them does.

    Parameters
    ----------
    source : the bytes of one line, or frames as they came (a radio's notifications)
    progress : told how far the work is
    """
    if isinstance(source, Frames):
        layout = _layout_of_frames(source)
        return _report(source, layout, len(source.data), 1.0 if layout else 0.0, ())
    found = find_framings(source)
    if not found:
        empty = Frames.of([], [], channel=source.channel)
        return FramesReport(layout=None, frames=empty, n_bytes=len(source), bytes_outside=len(source), probability=0.0,
                            evidence=("no framing describes these bytes better than no framing at all",))
    layout = found[0].layout
    frames = split(source, layout)
    return _report(frames, layout, len(source), 0.99, ())


def _layout_of_frames(frames: Frames) -> FrameLayout | None:
    if not len(frames):
        return None
    rows = list(frames)
    lengths = {len(row) for row in rows}
    if len(lengths) == 1:
        return FrameLayout(length="fixed", n_bytes=lengths.pop())
    field = length_field(rows)
    if field is not None:
        return FrameLayout(length="field", field_at=field[0], field_add=field[1], start=common_start(rows)[:field[0]])
    tail = shortest_closing(rows, common_end(rows))
    return FrameLayout(length="delimited", end=tail) if tail else FrameLayout(length="gap")


def _report(frames: Frames, layout: FrameLayout | None, n_bytes: int, probability: float,
            evidence: tuple[str, ...]) -> FramesReport:
    whole = frames.take(np.flatnonzero(~frames.broken))
    if layout is not None and layout.checks:
        good = whole.take(np.flatnonzero(check_ok(whole, layout)))
    else:
        good = whole
    found = columns(good, strict=layout is not None and bool(layout.checks))
    if layout is not None:
        end = layout.end if layout.length == "delimited" else constant_run(found, tail=True)
        layout = replace(layout, start=constant_run(found), end=end)
        if layout.start and len(layout.start) == layout.n_bytes:
            layout = replace(layout, end=b"")
    steps = np.diff(whole.t_s)
    return FramesReport(
        layout=layout, frames=frames, n_bytes=n_bytes, bytes_outside=n_bytes - len(whole.data),
        probability=probability, period_s=float(np.median(steps)) if len(steps) else None, bytes_=found,
        evidence=evidence)
