"""The declarations of a value change dump: time step, scopes, variables as bits."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction

from tapwright.core.errors import CaptureError
from tapwright.evidence.captures._source import Source

MOST_BITS = 65_536
UNITS_S = {"s": 0, "ms": -3, "us": -6, "ns": -9, "ps": -12, "fs": -15}
_TIMESCALE = re.compile(rb"(1|10|100)\s*(s|ms|us|ns|ps|fs)")
_RANGE = re.compile(r"\[(-?\d+)(?::(-?\d+))?\]")
# IEEE 1364-2005 18.2.3.8 and IEEE 1800; kinds whose values are no levels
_NOT_LEVELS = frozenset({"real", "realtime", "shortreal", "string", "real_parameter", "event"})


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
            raise CaptureError(f"{show(word)} has no $end", path=source.path, line=line_of(data, word),
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
            raise CaptureError(f"{show(word)} among the declarations", path=source.path, line=line_of(data, word),
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
        raise CaptureError(f"a timescale of '{show(body)}'", path=source.path, line=line_of(data, b"$timescale"),
                           expected="1, 10 or 100 of s, ms, us, ns, ps or fs")
    return Fraction(int(match[1])) * Fraction(10) ** UNITS_S[match[2].decode()]


def _variable(source: Source, data: bytes, header: Header, scopes: list[str], body: list[bytes]) -> None:
    def line() -> int:  # looked for only where something is wrong: a search of the whole header
        return line_of(data, b"$var " + b" ".join(body[:3]))

    if len(body) < 4 or not body[1].isdigit():
        raise CaptureError(f"a declaration '$var {show(b' '.join(body))}'", path=source.path, line=line(),
                           expected="$var KIND BITS CODE NAME $end")
    kind, width, code = body[0].decode("latin-1"), int(body[1]), body[2]
    if not all(33 <= letter <= 126 for letter in code):  # IEEE 1364-2005 18.2.3.8: printable ASCII
        raise CaptureError(f"an identifier code '{show(code)}'", path=source.path, line=line(),
                           expected="printable ASCII characters", do="record or export the capture again")
    name = ".".join([*scopes, _text(body[3])])
    rest = _text(b"".join(body[4:]))
    if kind in _NOT_LEVELS:
        header.ignored[code] = name
        return
    if width < 1 or header.n_bits + width > MOST_BITS:
        raise CaptureError(f"more than {MOST_BITS} lines are declared" if width else "a vector of 0 bits",
                           path=source.path, line=line(), expected=f"1 to {MOST_BITS} lines",
                           do="dump only the lines of interest")
    if header.width.setdefault(code, width) != width:
        raise CaptureError(f"code '{show(code)}' is declared with {header.width[code]} and with {width} bits",
                           path=source.path, line=line(), expected="one width a code")
    if code not in header.first_bit:
        header.first_bit[code] = header.n_bits
        header.n_bits += width
    _name_bits(header, name, rest, header.first_bit[code], width)
    if len(header.names) > MOST_BITS:
        raise CaptureError(f"more than {MOST_BITS} lines are declared", path=source.path, line=line(),
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


def line_of(data: bytes, word: bytes, begin: int = 0) -> int:
    return _line(data, max(data.find(word, begin), 0))


def _line(data: bytes, offset: int) -> int:
    return data.count(b"\n", 0, offset) + 1


def _text(word: bytes) -> str:
    return word.decode("utf-8", "replace")


def show(word: bytes) -> str:
    return word[:40].decode("ascii", "backslashreplace")
