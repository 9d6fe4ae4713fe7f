"""Frames files: what is written is read back, and a mistake is named by its place."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapwright.core.errors import CaptureError, TapwrightError, UsageError
from tapwright.core.frame import Frames
from tapwright.evidence import frame_rows
from tapwright.evidence.frame_rows import is_byte_rows, is_frame_rows, read_frame_rows, write_frame_rows

TIMES = st.lists(st.floats(0, 1e6, allow_nan=False), min_size=1, max_size=20).map(sorted)


@pytest.mark.slow
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(times=TIMES, data=st.data(), large=st.booleans(), channel=st.sampled_from(["", "tx", 'a "b", c']))
def test_round_trip(tmp_path: Path, times: list[float], data: st.DataObject, large: bool, channel: str) -> None:
    """Frames come back as written, by the row reader and by the column reader alike."""
    rows = [data.draw(st.binary(min_size=1, max_size=9)) for _ in times]
    frames = Frames.of(rows, times, channel=channel)
    unsettled = np.array(data.draw(st.lists(st.booleans(), min_size=len(frames.data), max_size=len(frames.data))))
    frames = Frames(frames.t_s, np.where(unsettled, 0, frames.data).astype(np.uint8), frames.offsets,
                    unsettled=unsettled, channel=channel)
    path = tmp_path / "f.csv"
    write_frame_rows(path, frames)
    kept = frame_rows.LARGE_BYTES
    frame_rows.LARGE_BYTES = 0 if large else kept
    try:
        back = read_frame_rows(path)
    finally:
        frame_rows.LARGE_BYTES = kept
    assert list(back) == list(frames)
    assert back.t_s.tolist() == times
    assert back.channel == channel
    assert (back.unsettled is None) == (not unsettled.any())
    if back.unsettled is not None:
        assert back.unsettled.tolist() == unsettled.tolist()


def test_written_file_is_plain_csv(tmp_path: Path) -> None:
    """Python's own csv and bytes.fromhex read what is written (the outside check of the form)."""
    path = tmp_path / "f.csv"
    write_frame_rows(path, Frames.of([b"\x5a\xa5\x01", b"\xff"], [0.25, 1.5], channel="rx"))
    rows = list(csv.DictReader(io.StringIO(path.read_text())))
    assert [(float(r["t_s"]), bytes.fromhex(r["hex"]), r["channel"]) for r in rows] == [
        (0.25, b"\x5a\xa5\x01", "rx"), (1.5, b"\xff", "rx")]


@pytest.mark.parametrize(("text", "message"), [
    ("", "{p}: the file is empty; expected a heading t_s,hex and a row a frame."),
    ("t_s,hex\n", "{p}: a heading but no rows; expected a row a frame."),
    ("time,hex\n0,5A\n", "{p}, line 1: the heading is 'time,hex'; expected columns t_s and hex, and channel where there "
                         "are several lines."),
    ("t_s,hex\n0,5A\n1,5A5\n", "{p}, line 3, column hex: 3 hex digits, an odd number in '5A5'; expected two hex digits a "
                               "byte (or ?? for one not settled)."),
    ("t_s,hex\n0,5G\n", "{p}, line 2, column hex: 'G' is no hex digit in '5G'; expected two hex digits a byte (or ?? for "
                        "one not settled)."),
    ("t_s,hex\n0,5?\n", "{p}, line 2, column hex: half a byte is '?' in '5?'; expected two hex digits a byte (or ?? for "
                        "one not settled)."),
    ("t_s,hex\n0,\n", "{p}, line 2, column hex: no bytes; expected two hex digits a byte (or ?? for one not settled)."),
    ("t_s,hex\nx,5A\n", "{p}, line 2, column t_s: 'x' is no time; expected seconds as a number."),
    ("t_s,hex\nnan,5A\n", "{p}, line 2, column t_s: 'nan' is no time; expected seconds as a number."),
    ("t_s,hex\n1,5A\n0.5,5A\n", "{p}, line 3, column t_s: time goes back from 1 to 0.5 s; expected rows in order of "
                                "time. Sort the rows by t_s."),
    ("t_s,hex\n1\n", "{p}, line 2: 1 cells; expected 2, as the heading."),
])
@pytest.mark.parametrize("large", [False, True])
def test_mistakes_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, message: str,
                            large: bool) -> None:
    """Each mistake gives its file, line, what was found and what was expected; large files the same."""
    path = tmp_path / "f.csv"
    path.write_text(text)
    if large:
        monkeypatch.setattr(frame_rows, "LARGE_BYTES", 0)
    with pytest.raises(CaptureError) as caught:
        read_frame_rows(path)
    assert str(caught.value) == message.format(p=path)


def test_several_channels_need_a_name(tmp_path: Path) -> None:
    """Frames of two lines are never mixed."""
    path = tmp_path / "f.csv"
    path.write_text("t_s,hex,channel\n0,01,a.rx\n0.5,0203,a.tx\n1,04,a.rx\n")
    assert list(read_frame_rows(path, channel="rx")) == [b"\x01", b"\x04"]
    with pytest.raises(UsageError, match=r"frames of 2 channels: a\.rx, a\.tx"):
        read_frame_rows(path)
    with pytest.raises(UsageError, match="no frames of channel 'z'"):
        read_frame_rows(path, channel="z")


def test_spaces_and_lower_case_are_read(tmp_path: Path) -> None:
    """`5a a5 ??` is three bytes, the last one not settled."""
    path = tmp_path / "f.csv"
    path.write_text("\ufefft_s,hex\r\n0, 5a a5 ?? \r\n\r\n")
    frames = read_frame_rows(path)
    assert list(frames) == [b"\x5a\xa5\x00"]
    assert frames.unsettled is not None
    assert frames.unsettled.tolist() == [False, False, True]
    assert is_frame_rows(path)
    assert not is_byte_rows(path)


@pytest.mark.slow
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=120))
def test_any_file_is_read_or_refused(tmp_path: Path, data: bytes) -> None:
    """Whatever the bytes, the reader answers with frames or with its own error."""
    path = tmp_path / "any.csv"
    path.write_bytes(b"t_s,hex\n0,5AA5\n" + data)
    try:
        n_frames = len(read_frame_rows(path))
    except TapwrightError as error:
        n_frames = 1 if str(path) in str(error) else 0
    assert n_frames >= 1
