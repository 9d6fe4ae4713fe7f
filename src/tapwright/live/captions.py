"""Recorded readings as WebVTT captions for a video (W3C, WebVTT: The Web Video Text Tracks Format)."""

from __future__ import annotations

import html
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from tapwright.live.shown import stretches

if TYPE_CHECKING:
    from tapwright.live.store import Row

#: A cue is shown for at least one frame of a usual video.
SHORTEST_S = 0.04


def webvtt(rows: Iterable[Row], *, start_s: float = 0.0) -> Iterator[str]:
    """Yield the caption file in pieces, one cue for each unchanged display.

    Parameters
    ----------
    rows : a session's readings
    start_s : the video's time at the session's first reading; what falls before the video's start is left out
    """
    yield "WEBVTT\n"
    for shown in stretches(rows):
        begin, end = max(shown.start_s + start_s, 0.0), shown.end_s + start_s
        if end - begin < SHORTEST_S / 2:
            continue
        text = html.escape(shown.text, quote=False)
        yield f"\n{_stamp(begin)} --> {_stamp(end)}\n{text or '(blank)'}\n"


def _stamp(seconds: float) -> str:
    thousandths = round(seconds * 1000)
    minutes, thousandths = divmod(thousandths, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{thousandths // 1000:02d}.{thousandths % 1000:03d}"
