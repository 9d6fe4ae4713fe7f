"""Captions typed against a video of the display -> label rows. WebVTT (W3C) and SubRip text.

A caption reads as the display did: `6.82 mg/L AUTO HOLD`, `-06.8 °C`, `OL`, `blank`. Other words are not taken.
"""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from pathlib import Path

from tapwright.core import units
from tapwright.core.errors import LabelError
from tapwright.core.files import read_text
from tapwright.evidence.labels import MOST_DISPLAY, Label, is_number, is_overload, normal_display

_TIMING = re.compile(r"^\s*(\S+)\s*-->\s*(\S+)(?:\s.*)?$")
_TIME = re.compile(r"(?:(\d{1,4}):)?(\d{1,2}):(\d{1,2})[.,](\d{1,3})")
_TAG = re.compile(r"<[^>]*>|\{\\[^}]*\}")
_BLANK = frozenset({"blank", "(blank)", "[blank]", "empty", "nothing"})
_SHORT_TEXT = re.compile(r"[-A-Za-z.]{1,6}")


@dataclass(frozen=True)
class Captions:
    """Label rows made of captions, and the captions that say no display (line, text)."""

    labels: tuple[Label, ...]
    not_taken: tuple[tuple[int, str], ...]


def read_subtitles(path: Path, *, capture: str) -> Captions:
    """Read a .vtt or .srt file; every row names `capture`.

    Raises
    ------
    LabelError : the file cannot be read, a time is wrong (with its line), or it holds no caption
    """
    lines = read_text(path, error=LabelError, most=16_000_000).split("\n")
    labels: list[Label] = []
    left: list[tuple[int, str]] = []
    at = 0
    while at < len(lines):
        timing = _TIMING.match(lines[at])
        if not timing:
            at += 1
            continue
        start_s = _seconds(path, at + 1, timing.group(1))
        end_s = _seconds(path, at + 1, timing.group(2))
        if end_s <= start_s:
            raise LabelError(f"the caption ends at {timing.group(2)}, before it begins", path=path, line=at + 1,
                             expected="a later end")
        first = at + 1
        at = first
        while at < len(lines) and lines[at].strip():
            at += 1
        text = " ".join(html.unescape(_TAG.sub("", line)).strip() for line in lines[first:at])
        shown = parse_caption(text)
        if shown is None:
            left.append((first + 1, text))
        else:
            labels.append(Label(row=len(labels) + 1, capture=capture, start_s=start_s, end_s=end_s, display=shown[0],
                                unit=shown[1], flags=shown[2]))
    if not labels:
        raise LabelError("no caption that reads like a display", path=path,
                         expected="captions such as '6.82 mg/L AUTO' below times '00:00:12.000 --> 00:00:15.000'")
    return Captions(tuple(labels), tuple(left))


def parse_caption(text: str) -> tuple[str, str, tuple[str, ...]] | None:
    """Return display, unit and sorted flags of a caption; None where it does not begin with a display."""
    words = text.split()
    if not words:
        return None
    if words[0].lower() in _BLANK:
        return "", *_unit_and_flags(words[1:])
    display, unit = normal_display(words[0])
    if len(display) > MOST_DISPLAY:
        return None
    if not (is_number(display) or is_overload(display) or (len(words) <= 3 and _SHORT_TEXT.fullmatch(words[0]))):
        return None
    if unit:
        return display, units.normal(unit), tuple(sorted(set(words[1:])))
    return display, *_unit_and_flags(words[1:])


def _unit_and_flags(words: list[str]) -> tuple[str, tuple[str, ...]]:
    if not words:
        return "", ()
    unit = units.normal(words[0])
    known = units.parse(unit).base in units.SCALED | units.PLAIN or unit in units.PLAIN
    # An upper-case word that is no unit is a flag; anything else in the unit's place is taken for one.
    if known or not (words[0].isupper() and len(words[0]) > 1):
        return unit, tuple(sorted(set(words[1:])))
    return "", tuple(sorted(set(words)))


def _seconds(path: Path, line: int, text: str) -> float:
    match = _TIME.fullmatch(text)
    if not match:
        raise LabelError(f"'{text}' is no time", path=path, line=line, expected="a time like 00:01:02.500")
    hours, minutes, seconds, parts = match.groups()
    return int(hours or 0) * 3600 + int(minutes) * 60 + int(seconds) + int(parts.ljust(3, "0")) / 1000
