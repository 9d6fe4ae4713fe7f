"""What the pages show of a link's or the recording's trouble, said in words on the terminal too: each change once."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from tapwright.live.hub import EventKind, Hub
from tapwright.live.link import LinkState

if TYPE_CHECKING:
    from tapwright.live.sinks.recorder import Recorder

_TROUBLE = (LinkState.WAITING, LinkState.LOST)


def tell_link(hub: Hub, say: Callable[[str], None]) -> Callable[[], None]:
    """Say what the source of a hub waits for, and when frames come again; returns what ends that.

    Silence is not said: an instrument that is switched off is no trouble.
    """
    said = ""

    def hear(kind: EventKind, event: object) -> None:
        nonlocal said
        link = hub.link
        if kind == "reading" and said:
            said = ""
            say(f"{hub.name}: frames arrive")
        elif kind == "link" and link.state in _TROUBLE and link.text and link.text != said:
            said = link.text
            say(f"{hub.name}: {link.text}" + (f"; it waits for {link.waits_for}" if link.waits_for else ""))

    return hub.listen(hear)


def tell_recording(hub: Hub, recorder: Recorder, say: Callable[[str], None]) -> Callable[[], None]:
    """Say that recording has stopped and why, and that it goes on; `hub` is any of the recorder's."""
    stopped = ""

    def hear(kind: EventKind, event: object) -> None:
        nonlocal stopped
        if kind != "recording":
            return
        if recorder.state == "stopped" and recorder.text != stopped:
            stopped = recorder.text
            say(stopped)
        elif recorder.state == "recording" and stopped:
            stopped = ""
            say("recording goes on")

    return hub.listen(hear)
