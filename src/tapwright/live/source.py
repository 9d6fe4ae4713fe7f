"""What a live source is: one module in `sources/` named as its URL scheme, found by that name.

A member gives two functions:

    options(url: SourceUrl) -> Options            # a frozen dataclass of its own; UsageError for a wrong URL
    packets(options, context) -> AsyncIterator[Packet]

`packets` opens the source once and yields what arrives. It returns when nothing can ever come again (a replay's end),
and raises `SourceGone` when the source is not there or went away; whoever follows it tries again (`follow.py`).
A member may also give `check(options, instrument)`: what the description must hold for this source, asked before the
server starts.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field
from types import ModuleType
from typing import Protocol
from urllib.parse import parse_qsl, urlsplit

from tapwright.core import registry
from tapwright.core.errors import DescriptionError, UsageError
from tapwright.core.instrument import Instrument
from tapwright.live.clock import Clock

PACKAGE = "tapwright.live.sources"
_DEVICE = re.compile(r"//[0-9A-Fa-f]{2}(?::[0-9A-Fa-f]{2}){5}/?")


@dataclass(frozen=True, slots=True)
class Packet:
    """A piece of what a source sent.

    Parameters
    ----------
    data : the bytes, in order
    mono_s : when the last of them arrived, on the monotonic clock
    whole : exactly one frame, cut already (a notification, a row of a frames file); else a piece of a byte stream
    broken : of a whole frame: the line lost or damaged a byte of it
    """

    data: bytes
    mono_s: float
    whole: bool = False
    broken: bool = False


class SourceGone(Exception):
    """The source is not there, or went away.

    `text` says what is wrong in words, `waits_for` what would bring it back.
    """

    def __init__(self, text: str, waits_for: str) -> None:
        super().__init__(text)
        self.text = text
        self.waits_for = waits_for


@dataclass(frozen=True, kw_only=True)
class SourceUrl:
    """A source's URL taken apart; `text` is it as given, `place` all between the scheme and the query."""

    text: str
    scheme: str
    host: str
    port: int | None
    path: str
    place: str
    query: Mapping[str, str] = field(default_factory=dict)

    def only(self, *known: str) -> None:
        """Raise a UsageError for a query key that is not in `known`."""
        for key in self.query:
            if key not in known:
                raise UsageError(f"'{key}' is no option of the source {self.text}",
                                 expected="one of " + ", ".join(known) if known else "no options")


@dataclass(frozen=True, kw_only=True)
class Context:
    """What a source is told and may call.

    Parameters
    ----------
    instrument : the description (its line settings open a port; a replay needs all of it)
    clock : the only clock a source may read
    opened : to be called when the source is open, before the first packet
    say : puts a remark on the page ("joining, attempt 2"); for what lasts, not for errors
    """

    instrument: Instrument
    clock: Clock
    opened: Callable[[], None]
    say: Callable[[str], None]


class Source(Protocol):
    """The face of a source module."""

    def options(self, url: SourceUrl) -> object:
        """Return this source's options from a URL; raise UsageError where it is wrong."""

    def packets(self, options: object, context: Context) -> AsyncIterator[Packet]:
        """Open the source and yield what arrives."""


@dataclass(frozen=True)
class Opened:
    """A source chosen by its URL: the member and its options, ready to be followed."""

    url: str
    module: ModuleType
    options: object

    def check(self, instrument: Instrument) -> None:
        """Raise DescriptionError or UsageError where the description lacks what this source needs."""
        if hasattr(self.module, "check"):
            self.module.check(self.options, instrument)

    def packets(self, context: Context) -> AsyncIterator[Packet]:
        """Open it once."""
        stream: AsyncIterator[Packet] = self.module.packets(self.options, context)
        return stream


def source_of(url: str) -> Opened:
    """Return the source that a URL names.

    Raises
    ------
    UsageError : no such scheme, or the URL is wrong
    """
    taken = take_apart(url)
    schemes = registry.names(PACKAGE)
    if taken.scheme not in schemes:
        raise UsageError(f"no source of the kind '{taken.scheme}' in '{url}'" if taken.scheme
                         else f"'{url}' names no kind of source",
                         expected="one of " + ", ".join(f"{name}:" for name in schemes),
                         do="a serial port is written serial:///dev/ttyUSB0")
    module = registry.member(PACKAGE, taken.scheme)
    return Opened(url, module, module.options(taken))


def needs_layout(instrument: Instrument) -> None:
    """Raise DescriptionError where frames cannot be told apart in plain bytes."""
    if instrument.layout is None:
        raise DescriptionError("the instrument description has no [frame], and this source sends plain bytes",
                               expected="a description with its frame layout, or a source of whole frames")


def take_apart(url: str) -> SourceUrl:
    """Split a source's URL; a replay's path may hold any characters up to the last `?`."""
    scheme, colon, rest = url.partition(":")
    if not colon or not scheme.isalnum():
        return SourceUrl(text=url, scheme="", host="", port=None, path=url, place=url)
    # Not urlsplit's query: a `#` in a file's name must stay.
    place, mark, query = rest.rpartition("?")
    if not mark:
        place, query = rest, ""
    host, port, path = "", None, place
    # A radio device's address has colons of its own (ble://AA:BB:CC:DD:EE:FF): no host with a port.
    if place.startswith("//") and not _DEVICE.fullmatch(place):
        try:
            parts = urlsplit(f"x:{place}")
            host, port, path = parts.hostname or "", parts.port, parts.path
        except ValueError as trouble:
            raise UsageError(f"'{url}' is no URL: {trouble}", expected="host:port after //") from None
    return SourceUrl(text=url, scheme=scheme.lower(), host=host, port=port, path=path,
                     place=place.removeprefix("//"), query=dict(parse_qsl(query, keep_blank_values=True)))
