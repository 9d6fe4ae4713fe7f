"""Value change dumps (.vcd, IEEE 1364-2005 section 18): scopes, vectors as bits, x and z as unknown stretches."""

from __future__ import annotations

from tapwright.core.capture import Capture, Channel
from tapwright.evidence.captures._source import ReadOptions, Source
from tapwright.evidence.captures._vcd_header import Header, read_header
from tapwright.evidence.captures._vcd_values import PIECE_BYTES, Lines, by_words, compiled, in_order

SUFFIXES = (".vcd",)
MOST_SMALL = 1 << 26
MOST_HEADER = 1 << 28
COMPILED_FROM = 4 << 20  # bytes; below, loading machine code costs more than it saves
_SPACE = b" \t\r\n\v\f"


def matches(head: bytes) -> bool:
    """Return whether this looks like a value change dump."""
    return head.lstrip(_SPACE).startswith((b"$date", b"$version", b"$comment", b"$timescale", b"$scope", b"$var"))


def read(source: Source, options: ReadOptions) -> Capture:
    """Read a value change dump.

    Raises
    ------
    CaptureError : not a dump, a declaration or a value that makes no sense, times that go back
    """
    if source.size < COMPILED_FROM and not source.compressed:
        data = source.everything(MOST_SMALL)
        header = read_header(source, data)
        return as_capture(source, header, in_order(header, by_words(source, data, header)))
    with source.opened() as file:
        data = b""
        while b"$enddefinitions" not in data or data.find(b"$end", data.find(b"$enddefinitions") + 15) < 0:
            piece = file.read(PIECE_BYTES)
            if not piece or len(data) > MOST_HEADER:
                break
            data += piece
        if source.compressed and len(data) < COMPILED_FROM:
            while len(data) < COMPILED_FROM and (piece := file.read(PIECE_BYTES)):
                data += piece
        header = read_header(source, data)
        if source.compressed and len(data) < COMPILED_FROM:
            return as_capture(source, header, in_order(header, by_words(source, data, header)))
        return as_capture(source, header, compiled(source, data, header, file, options))


def as_capture(source: Source, header: Header, found: Lines) -> Capture:
    """Return declared lines with their changes as a capture."""
    channels = []
    for name, bit, width in zip(header.names, header.bit_of_name, header.widths, strict=True):
        first, edges, unknown = found.lines[bit]
        channels.append(Channel(name=name, first_level=first, edge_ticks=edges, unknown_ticks=unknown, width=width))
    notes = []
    if header.ignored:
        names = sorted(header.ignored.values())
        more = "" if len(names) <= 3 else f" and {len(names) - 3} more"
        notes.append(f"not levels, left out: {', '.join(names[:3])}{more}")
    if source.suffix == ".vcd" and not _ends_in_line(source):
        notes.append("the file ends inside a line; its last change may be missing")
    return Capture(path=source.path, tick_s=header.tick_s, start_tick=found.first_tick, end_tick=found.last_tick,
                   sample_ticks=0, channels=tuple(channels), notes=tuple(notes))


def _ends_in_line(source: Source) -> bool:
    """Return whether a plain file ends with a line end (compressed files are taken to)."""
    if source.compressed:
        return True
    with source.path.open("rb") as file:
        file.seek(-1, 2)
        return file.read(1) in _SPACE
