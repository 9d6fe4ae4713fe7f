"""`replay:FILE[?speed=X]`: the frames of a capture, bytes or frames file, in their own time.

`speed` is how many times as fast (`max`: as fast as it goes), `loop=yes` begins again at the end, `channel`, `rate`
and `width` are those of `read`.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from tapwright.core.errors import SourceError, UsageError
from tapwright.core.frame import Frames
from tapwright.live.source import Context, Packet, SourceUrl

#: At speed=max the loop is given to others after so many frames.
AT_ONCE = 64


@dataclass(frozen=True, kw_only=True)
class Options:
    """What to replay; `speed` 0 is as fast as it goes."""

    path: Path
    speed: float = 1.0
    loop: bool = False
    channel: str | None = None
    rate_hz: float | None = None
    width: int = 8


def options(url: SourceUrl) -> Options:
    """Return the options in a URL; raise UsageError where it is wrong, SourceError where the file is not there."""
    url.only("speed", "loop", "channel", "rate", "width")
    query = dict(url.query)
    if not url.place:
        raise UsageError(f"'{url.text}' names no file", expected="replay:FILE")
    speed = query.get("speed", "1")
    width = query.get("width", "8")
    if width not in ("8", "16"):
        raise UsageError(f"width={width}", expected="8 or 16 channels a sample")
    path = Path(url.place)
    found = Options(path=path, speed=0.0 if speed == "max" else _positive("speed", speed),
                    loop=query.get("loop", "no") in ("yes", "1", "true"), channel=query.get("channel"),
                    rate_hz=_positive("rate", query["rate"]) if "rate" in query else None, width=int(width))
    if not path.is_file():
        raise SourceError("no such file to replay", path=path, expected="a capture, bytes or frames file")
    return found


async def packets(options: Options, context: Context) -> AsyncIterator[Packet]:
    """Read the file (in a thread: it may be large) and yield its frames at their times."""
    context.say(f"reading {options.path.name}")
    frames = await asyncio.to_thread(_frames, options, context)
    context.opened()
    if not len(frames):
        return
    t_s = frames.t_s.tolist()
    period_s = (t_s[-1] - t_s[0]) / max(len(t_s) - 1, 1)
    start = context.clock.mono()
    while True:
        for i, (at_s, frame) in enumerate(zip(t_s, frames, strict=True)):
            if options.speed:
                due = start + (at_s - t_s[0]) / options.speed
                await asyncio.sleep(max(due - context.clock.mono(), 0))
            elif i % AT_ONCE == 0:
                await asyncio.sleep(0)
            yield Packet(frame, context.clock.mono(), whole=True, broken=bool(frames.broken[i]))
        if not options.loop:
            return
        start += (t_s[-1] - t_s[0] + period_s) / options.speed if options.speed else 0.0
        # A file of one frame, or of one moment, must not spin.
        await asyncio.sleep(0.001 if period_s > 0 else 0.1)


def _frames(options: Options, context: Context) -> Frames:
    from tapwright.decode.chain import frames_of

    return frames_of(options.path, context.instrument, rate_hz=options.rate_hz, width=options.width,
                     channel=options.channel)


def _positive(name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{name}={text}", expected=f"a number above 0{' or max' if name == 'speed' else ''}")
    return value
