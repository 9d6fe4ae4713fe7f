"""Stretches of unchanged frames: counters and checks aside, gaps end them, rows are added without touching others."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.job.stretches import stretches

PERIOD_S = 0.25


def recording(holds: list[int], *, counter: bool, seed: int = 1) -> tuple[Frames, list[tuple[float, float]]]:
    """Frames that hold a random body for so many periods each, with a counter and a sum; and the true stretches."""
    rng = random.Random(seed)
    rows, times, truth, t = [], [], [], 1.0
    for hold in holds:
        body = bytes(rng.randrange(256) for _ in range(5))
        truth.append((t, t + hold * PERIOD_S))
        for _ in range(hold):
            raw = b"\x5a" + body + bytes([len(rows) & 0xFF if counter else 7])
            rows.append(raw + bytes([sum(raw) & 0xFF]))
            times.append(t)
            t += PERIOD_S
    return Frames.of(rows, times), truth


LAYOUT = FrameLayout(length="fixed", n_bytes=8, start=b"\x5a", checks=(Check(kind="sum8", first=0, last=6, at=7),))


@pytest.mark.parametrize("counter", [False, True])
def test_every_hold_is_a_stretch_whatever_counts_along(counter: bool) -> None:
    """Nine holds of one to three seconds come back with their true times; a counter and its check change nothing."""
    frames, truth = recording([8, 4, 12, 6, 9, 5, 7, 10, 8], counter=counter)
    found = stretches(frames, LAYOUT, least_s=0.9)
    assert len(found) == len(truth)
    assert np.array([(s.start_s, s.end_s) for s in found]) == pytest.approx(np.array(truth))


def test_short_holds_are_left_out_and_gaps_end_a_stretch() -> None:
    """Two frames are no stretch of a second; nobody knows what was shown in a silence of more than three periods."""
    frames, _ = recording([2, 12, 2], counter=False)
    assert [s.n_frames for s in stretches(frames, LAYOUT, least_s=1.0)] == [12]
    times = frames.t_s.copy()
    times[8:] += 5.0
    torn = Frames(times, frames.data, frames.offsets)
    assert [s.n_frames for s in stretches(torn, LAYOUT, least_s=1.0)] == [6, 6]
    assert stretches(torn.take(np.zeros(0, np.int64)), LAYOUT) == ()


def frames_file(path: Path) -> Path:
    """A frames file of three holds."""
    frames, _ = recording([8, 8, 8], counter=True)
    path.write_text("t_s,hex\n" + "".join(f"{t:.3f},{row.hex()}\n" for t, row in zip(frames.t_s.tolist(), frames, strict=True)))
    return path


def label(*argv: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the command."""
    return subprocess.run([sys.executable, "-m", "tapwright", "label", *argv], capture_output=True, text=True, cwd=cwd,
                          check=False, timeout=60)


@pytest.mark.slow
def test_rows_are_added_and_others_stay_as_they_are(tmp_path: Path) -> None:
    """An existing labels file keeps its own column order, its rows and a column of the user's."""
    frames_file(tmp_path / "a.csv")
    (tmp_path / "labels.csv").write_text("capture;start_s;end_s;display;unit;flags;remark\nb.csv;1;2;6.8;mg/L;;by hand\n")
    done = label("a.csv", "--out", "labels.csv", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    lines = (tmp_path / "labels.csv").read_text().splitlines()
    assert lines[:2] == ["capture;start_s;end_s;display;unit;flags;remark", "b.csv;1;2;6.8;mg/L;;by hand"]
    assert lines[2:] == ["a.csv;1;3;;;;", "a.csv;3;5;;;;", "a.csv;5;7;;;;"]


@pytest.mark.slow
def test_captions_fill_the_rows(tmp_path: Path) -> None:
    """WebVTT captions become rows of the capture; a spoken remark is left out and named."""
    frames_file(tmp_path / "a.csv")
    (tmp_path / "v.vtt").write_text("WEBVTT\n\n00:00:01.000 --> 00:00:02.500\n6.82 mg/L AUTO\n\n00:00:03.000 --> 00:00:04.000\n"
                                    "and now I stir the tank a little\n")
    done = label("a.csv", "--from-subtitles", "v.vtt", "--json", cwd=tmp_path)
    document = json.loads(done.stdout)
    assert document["labels"] == [{"capture": "a.csv", "start_s": 1.0, "end_s": 2.5, "display": "6.82", "unit": "mg/L",
                                   "flags": "AUTO"}]
    assert "line 7: 'and now I stir the tank a little' reads like no display" in done.stderr


@pytest.mark.slow
def test_what_cannot_be_read_is_refused(tmp_path: Path) -> None:
    """Missing file, captions without times: exit 2, nothing on standard output, nothing written."""
    done = label("gone.vcd", "--out", "labels.csv", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "gone.vcd" in done.stderr
    frames_file(tmp_path / "a.csv")
    (tmp_path / "v.srt").write_text("hello\n")
    done = label("a.csv", "--from-subtitles", "v.srt", "--out", "labels.csv", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert not (tmp_path / "labels.csv").exists()
