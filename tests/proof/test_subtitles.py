"""Captions become label rows; the formats are checked against a general-purpose WebVTT library."""

from __future__ import annotations

from pathlib import Path

import pytest
import webvtt
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.errors import LabelError
from tapwright.evidence.subtitles import parse_caption, read_subtitles


def stamp(ms: int) -> str:
    """A WebVTT time stamp."""
    return f"{ms // 3600000:02}:{ms // 60000 % 60:02}:{ms // 1000 % 60:02}.{ms % 1000:03}"


cues = st.lists(st.tuples(st.integers(0, 4_000_000), st.integers(1, 9000), st.integers(-9999, 9999)), min_size=1, max_size=8)


@pytest.mark.slow
@given(cues=cues)
@settings(max_examples=40, deadline=None)
def test_rows_agree_with_a_webvtt_library(cues: list[tuple[int, int, int]], tmp_path_factory: pytest.TempPathFactory) -> None:
    """Written by webvtt-py as VTT and as SRT: the same times and texts come back (W3C WebVTT)."""
    folder = tmp_path_factory.mktemp("captions")
    book = webvtt.WebVTT()
    for start, length, count in cues:
        book.captions.append(webvtt.Caption(stamp(start), stamp(start + length), f"{count / 100:.2f} mg/L AUTO"))
    for ending in ("vtt", "srt"):
        path = folder / f"display.{ending}"
        book.save(str(path)) if ending == "vtt" else book.save_as_srt(str(path))
        rows = read_subtitles(path, capture="a.vcd").labels
        assert [(round(r.start_s * 1000), round(r.end_s * 1000)) for r in rows] == [(s, s + n) for s, n, _ in cues]
        assert [(r.display, r.unit, r.flags) for r in rows] == [(f"{c / 100:.2f}", "mg/L", ("AUTO",)) for _, _, c in cues]


@pytest.mark.parametrize(("text", "shown"), [
    ("6.82 mg/L AUTO", ("6.82", "mg/L", ("AUTO",))), ("-06.8 °C", ("-06.8", "°C", ())), ("OL", ("OL", "", ())),
    ("O.L mS/cm", ("O.L", "mS/cm", ())), ("blank", ("", "", ())), ("4.7kohm", ("4.7", "kΩ", ())),
    ("12 HOLD MIN", ("12", "", ("HOLD", "MIN"))), ("now I turn the dial to the right", None), ("", None),
])
def test_captions_are_read_as_a_person_means_them(text: str, shown: object) -> None:
    """Displays are taken, other words are not."""
    assert parse_caption(text) == shown


@pytest.mark.parametrize(("content", "message"), [
    ("WEBVTT\n\n00:00:01.000 --> 00:00:xx\n1.0 V\n", r"line 3: '00:00:xx' is no time; expected a time like 00:01:02\.500\.$"),
    ("WEBVTT\n\n00:00:03.000 --> 00:00:02.000\n1.0 V\n", r"line 3: the caption ends at 00:00:02\.000, before it begins; "
                                                       r"expected a later end\.$"),
    ("WEBVTT\n", r"no caption that reads like a display; expected captions such as"),
])
def test_bad_captions_are_named_with_their_line(tmp_path: Path, content: str, message: str) -> None:
    """File, line, found, expected."""
    path = tmp_path / "a.vtt"
    path.write_text(content)
    with pytest.raises(LabelError, match=message):
        read_subtitles(path, capture="a.vcd")
