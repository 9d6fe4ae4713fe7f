"""Value change dumps (.vcd, IEEE 1364-2005 section 18): scopes, vectors as bits, x and z as unknown stretches."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.errors import CaptureError
from tapwright.evidence.captures._source import ReadOptions, Source

SUFFIXES = (".vcd",)
MOST_BITS = 65_536
MOST_BYTES = 16 << 30
LAST_TICK = 2**62
UNITS_S = {"s": 0, "ms": -3, "us": -6, "ns": -9, "ps": -12, "fs": -15}
_SPACE = b" \t\r\n\v\f"
_TIMESCALE = re.compile(rb"(1|10|100)\s*(s|ms|us|ns|ps|fs)")
_RANGE = re.compile(r"\[(-?\d+)(?::(-?\d+))?\]")
# IEEE 1364-2005 18.2.3.8 and IEEE 1800; kinds whose values are no levels
_NOT_LEVELS = frozenset({"real", "realtime", "shortreal", "string", "real_parameter", "event"})
_ENDED = frozenset({b"$comment", b"$date", b"$version"})


@dataclass
class Header:
    """What a dump declares: bits in order of declaration; `first_bit` and `width` by identifier code."""

    tick_s: Fraction
    end: int
    names: list[str] = field(default_factory=list)
    bit_of_name: list[int] = field(default_factory=list)
    widths: list[int] = field(default_factory=list)
    first_bit: dict[bytes, int] = field(default_factory=dict)
    width: dict[bytes, int] = field(default_factory=dict)
    ignored: dict[bytes, str] = field(default_factory=dict)
    n_bits: int = 0


def matches(head: bytes) -> bool:
    """Return whether this looks like a value change dump."""
    return head.lstrip(_SPACE).startswith((b"$date", b"$version", b"$comment", b"$timescale", b"$scope", b"$var"))


def read(source: Source, options: ReadOptions) -> Capture:
    """Read a value change dump.

    Raises
    ------
    CaptureError : not a dump, a declaration or a value that makes no sense, times that go back
    """
    data = source.everything(MOST_BYTES)
    header = read_header(source, data)
    changes = _values(source, data, header)
    return _capture(source, header, changes)


def read_header(source: Source, data: bytes) -> Header:
    """Read the declarations up to `$enddefinitions $end`."""
    cut = data.find(b"$enddefinitions")
    if cut < 0:
        what = "a zero byte, so this is no text" if b"\0" in data[:4096] else "no $enddefinitions"
        raise CaptureError(what, path=source.path, expected="a value change dump (IEEE 1364)",
                           do="record or export the capture again; this file is cut short or of another kind")
    end = data.find(b"$end", cut + 15)
    if end < 0:
        raise CaptureError("$enddefinitions has no $end", path=source.path, line=_line(data, cut),
                           expected="$end after it")
    return _declarations(source, data, cut, end + 4)


def _declarations(source: Source, data: bytes, cut: int, end: int) -> Header:
    header = Header(Fraction(0), end)
    scopes: list[str] = []
    words = data[:cut].split()
    i = 0
    while i < len(words):
        word = words[i]
        try:
            stop = words.index(b"$end", i)
        except ValueError:
            raise CaptureError(f"{_show(word)} has no $end", path=source.path, line=_line_of(data, word),
                               expected="$end after it") from None
        body = words[i + 1:stop]
        if word == b"$timescale":
            header.tick_s = _timescale(source, data, b" ".join(body))
        elif word == b"$scope":
            scopes.append(_text(body[1]) if len(body) > 1 else "")
        elif word == b"$upscope":
            if scopes:
                scopes.pop()
        elif word == b"$var":
            _variable(source, data, header, scopes, body)
        elif not word.startswith(b"$"):
            raise CaptureError(f"{_show(word)} among the declarations", path=source.path, line=_line_of(data, word),
                               expected="a keyword such as $var or $scope",
                               do="check that this is a value change dump")
        i = stop + 1
    if not header.tick_s:
        raise CaptureError("no $timescale", path=source.path, expected="$timescale 1 ns $end or the like",
                           do="add the line if you know the time of one step")
    if not header.names:
        raise CaptureError("no line is declared" if not header.ignored else "only real numbers, no line of levels",
                           path=source.path, expected="at least one $var", do="dump the lines of interest too")
    return header


def _timescale(source: Source, data: bytes, body: bytes) -> Fraction:
    match = _TIMESCALE.fullmatch(body.strip())
    if not match:
        raise CaptureError(f"a timescale of '{_show(body)}'", path=source.path, line=_line_of(data, b"$timescale"),
                           expected="1, 10 or 100 of s, ms, us, ns, ps or fs")
    return Fraction(int(match[1])) * Fraction(10) ** UNITS_S[match[2].decode()]


def _variable(source: Source, data: bytes, header: Header, scopes: list[str], body: list[bytes]) -> None:
    line = _line_of(data, b"$var " + b" ".join(body[:3]))
    if len(body) < 4 or not body[1].isdigit():
        raise CaptureError(f"a declaration '$var {_show(b' '.join(body))}'", path=source.path, line=line,
                           expected="$var KIND BITS CODE NAME $end")
    kind, width, code = body[0].decode("latin-1"), int(body[1]), body[2]
    name = ".".join([*scopes, _text(body[3])])
    rest = _text(b"".join(body[4:]))
    if kind in _NOT_LEVELS:
        header.ignored[code] = name
        return
    if width < 1 or header.n_bits + width > MOST_BITS:
        raise CaptureError(f"more than {MOST_BITS} lines are declared" if width else "a vector of 0 bits",
                           path=source.path, line=line, expected=f"1 to {MOST_BITS} lines",
                           do="dump only the lines of interest")
    if header.width.setdefault(code, width) != width:
        raise CaptureError(f"code '{_show(code)}' is declared with {header.width[code]} and with {width} bits",
                           path=source.path, line=line, expected="one width a code")
    if code not in header.first_bit:
        header.first_bit[code] = header.n_bits
        header.n_bits += width
    _name_bits(header, name, rest, header.first_bit[code], width)
    if len(header.names) > MOST_BITS:
        raise CaptureError(f"more than {MOST_BITS} lines are declared", path=source.path, line=line,
                           expected=f"at most {MOST_BITS}", do="dump only the lines of interest")


def _name_bits(header: Header, name: str, rest: str, first: int, width: int) -> None:
    """Name the bits of one variable, most significant first as values are written."""
    if "[" in name and not rest:
        name, bracket, tail = name.partition("[")
        rest = bracket + tail
    bounds = _RANGE.fullmatch(rest)
    if width == 1:
        header.names.append(name + (rest if bounds else ""))
        header.bit_of_name.append(first)
        header.widths.append(1)
        return
    high, low = (int(bounds[1]), int(bounds[2])) if bounds and bounds[2] else (width - 1, 0)
    step = -1 if high >= low else 1
    for i in range(width):
        header.names.append(f"{name}[{high + step * i}]")
        header.bit_of_name.append(first + i)
        header.widths.append(width)


@dataclass(frozen=True)
class Changes:
    """Value changes: bit index, tick and new value (0, 1, 2 for x or z), in file order; first and last tick."""

    bit: NDArray[np.int32]
    tick: NDArray[np.int64]
    value: NDArray[np.int8]
    first_tick: int
    last_tick: int


_VALUE = {48: 0, 49: 1, 120: 2, 88: 2, 122: 2, 90: 2, 117: 2, 85: 2, 119: 2, 87: 2, 45: 2, 104: 1, 72: 1, 108: 0, 76: 0}


def _values(source: Source, data: bytes, header: Header) -> Changes:
    """Read the value changes word by word: for files too small to win back the start of compiled code."""
    bits: list[int] = []
    ticks: list[int] = []
    values: list[int] = []
    known = [-1] * header.n_bits
    now, first_tick = 0, -1
    words = iter(data[header.end:].split())
    first_bit, widths, ignored, value_of = header.first_bit, header.width, header.ignored, _VALUE
    for word in words:
        lead = word[0]
        if lead in value_of and lead != 45:
            bit = first_bit.get(word[1:])
            if bit is None:
                if word[1:] in ignored:
                    continue
                raise _bad_word(source, data, header, word)
            value = value_of[lead]
            if known[bit] != value:
                known[bit] = value
                bits.append(bit)
                ticks.append(now)
                values.append(value)
        elif lead == 35:
            if not word[1:].isdigit() or len(word) > 20 or int(word[1:]) > LAST_TICK:
                raise _bad_word(source, data, header, word)
            tick = int(word[1:])
            if tick < now:
                raise CaptureError(f"time goes back from #{now} to #{tick}", path=source.path,
                                   line=_line_of(data, word, header.end), expected="times that never fall",
                                   do="record or export the capture again")
            now = tick
            if first_tick < 0:
                first_tick = tick
        elif lead in b"bB":
            code = next(words, b"")
            if code in ignored:
                continue
            if code not in first_bit or len(word) < 2:
                raise _bad_word(source, data, header, word + b" " + code)
            width, bit = widths[code], first_bit[code]
            for i, letter in enumerate(_extended(word[1:], width)):
                value = value_of.get(letter, -1)
                if value < 0:
                    raise _bad_word(source, data, header, word)
                if known[bit + i] != value:
                    known[bit + i] = value
                    bits.append(bit + i)
                    ticks.append(now)
                    values.append(value)
        elif lead in b"rRsS":
            if next(words, None) is None:
                raise _bad_word(source, data, header, word)
        elif lead == 36:
            if word in _ENDED:
                for skipped in words:
                    if skipped == b"$end":
                        break
        else:
            raise _bad_word(source, data, header, word)
    return Changes(np.array(bits, np.int32), np.array(ticks, np.int64), np.array(values, np.int8),
                   max(first_tick, 0), now)


def _extended(text: bytes, width: int) -> bytes:
    """Return a vector's value left-extended to its width (IEEE 1364-2005 table 18-1: 0 and 1 by 0, x by x, z by z)."""
    if len(text) >= width:
        return text[len(text) - width:]
    return (text[:1] if text[:1] in (b"x", b"X", b"z", b"Z") else b"0") * (width - len(text)) + text


def _capture(source: Source, header: Header, changes: Changes) -> Capture:
    order = np.argsort(changes.bit, kind="stable")
    cuts = np.searchsorted(changes.bit[order], np.arange(header.n_bits + 1))
    start, end = changes.first_tick, changes.last_tick
    parts: dict[int, tuple[int, NDArray[np.int64], NDArray[np.int64]]] = {}
    for bit in set(header.bit_of_name):
        mine = order[cuts[bit]:cuts[bit + 1]]
        parts[bit] = levels_of(changes.tick[mine], changes.value[mine], start, end)
    channels = []
    for name, bit, width in zip(header.names, header.bit_of_name, header.widths, strict=True):
        first, edges, unknown = parts[bit]
        channels.append(Channel(name=name, first_level=first, edge_ticks=edges, unknown_ticks=unknown, width=width))
    notes = []
    if header.ignored:
        names = sorted(header.ignored.values())
        more = "" if len(names) <= 3 else f" and {len(names) - 3} more"
        notes.append(f"not levels, left out: {', '.join(names[:3])}{more}")
    if not data_ends_in_line(source):
        notes.append("the file ends inside a line; its last change may be missing")
    return Capture(path=source.path, tick_s=header.tick_s, start_tick=start, end_tick=end, sample_ticks=0,
                   channels=tuple(channels), notes=tuple(notes))


def data_ends_in_line(source: Source) -> bool:
    """Return whether a plain file ends with a line end (compressed files are taken to)."""
    if source.compressed:
        return True
    with source.path.open("rb") as file:
        file.seek(-1, 2)
        return file.read(1) in _SPACE


def levels_of(
    ticks: NDArray[np.int64], values: NDArray[np.int8], start: int, end: int,
) -> tuple[int, NDArray[np.int64], NDArray[np.int64]]:
    """Return first level, edges and unknown stretches of one line from its changes (value 2 is unknown).

    Changes at one tick are one change to the last of them, as a simulator means it.
    """
    if not len(ticks):
        return 0, np.empty(0, np.int64), np.array([[start, end + 1]], np.int64)
    last = np.append(ticks[1:] != ticks[:-1], True)
    ticks, values = ticks[last], values[last]
    if ticks[0] > start:  # nothing is said before the first change
        ticks, values = np.insert(ticks, 0, start), np.insert(values, 0, np.int8(2))
    is_known = values != 2
    begins = np.flatnonzero(~is_known)
    stretches = np.empty((0, 2), np.int64)
    if len(begins):
        ends = np.append(ticks, end + 1)[begins + 1]
        stretches = _joined(np.stack([ticks[begins], ends], 1))
    known_ticks, known = ticks[is_known], values[is_known]
    if not len(known):
        return 0, np.empty(0, np.int64), stretches
    flips = np.flatnonzero(known[1:] != known[:-1]) + 1
    return int(known[0]), known_ticks[flips], stretches


def _joined(stretches: NDArray[np.int64]) -> NDArray[np.int64]:
    """Join stretches that touch (x then z)."""
    opens = np.append(True, stretches[1:, 0] > stretches[:-1, 1])
    closes = np.append(opens[1:], True)
    return np.stack([stretches[opens, 0], stretches[closes, 1]], 1)


def _bad_word(source: Source, data: bytes, header: Header, word: bytes) -> CaptureError:
    return CaptureError(f"'{_show(word)}' among the values", path=source.path,
                        line=_line_of(data, word, header.end),
                        expected="a time (#12), a value with a declared code (1! or b01 !)",
                        do="record or export the capture again if it was cut short")


def _line_of(data: bytes, word: bytes, begin: int = 0) -> int:
    return _line(data, max(data.find(word, begin), 0))


def _line(data: bytes, offset: int) -> int:
    return data.count(b"\n", 0, offset) + 1


def _text(word: bytes) -> str:
    return word.decode("utf-8", "replace")


def _show(word: bytes) -> str:
    return word[:40].decode("ascii", "backslashreplace")
