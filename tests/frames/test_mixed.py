"""Streams of several kinds of frames, lines and odd checks: framed, guarded, and nothing claimed beyond."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from tests.frames import mixed

from tapwright.core.frame import FrameLayout, Frames
from tapwright.frames.apply import check_ok
from tapwright.frames.find import FramesReport, find_frames

Sent = tuple[mixed.Instrument, list[bytes], set[int], FramesReport]


def framed(seed: int, *, with_check: bool | None = None, form: str | None = None) -> Sent:
    """Send 60 to 300 frames in a way drawn by the seed and frame what arrives."""
    maker = mixed.instrument(seed, form=form, with_check=with_check)
    rng = random.Random(seed)
    frames = [maker.make() for _ in range(rng.choice([60, 90, 150, 300]))]
    how = "gaps" if maker.form in ("gap", "lengths") else rng.choice(["gaps", "packed", "bursts"])
    damage, mid = rng.choice([0.0, 0.0, 0.02, 0.05]), rng.random() < 0.4
    if how == "packed" and frames[0].endswith(b"\xee"):
        mid = False  # an end byte before a start byte swaps roles where the recording begins within a frame
    rows, spoilt = mixed.on_line(frames, seed, how=how, damage=damage, mid=mid)
    return maker, frames, spoilt, find_frames(rows)


def is_exact(frames: list[bytes], spoilt: set[int], report: FramesReport) -> bool:
    """Say whether all but 2 % of the undamaged frames are found, and nothing that was not sent."""
    good = Counter(frame for i, frame in enumerate(frames) if i not in spoilt)
    found = Counter(report.whole)
    return bool((good - found).total() <= 0.02 * good.total()
                and (found - Counter(frames)).total() <= len(spoilt) + 1)


@pytest.mark.slow
def test_several_kinds_of_frames() -> None:
    """Types by length and by type byte, length fields, lines, closed frames; packed, in bursts, damaged."""
    exact = 0
    seeds = range(60_000, 60_020)
    for seed in seeds:
        maker, frames, spoilt, report = framed(seed)
        if not is_exact(frames, spoilt, report):
            continue
        exact += 1
        if maker.guard is None:
            assert report.checks == (), seed
        maker.still[0] = False
        lengths = set(report.whole.lengths.tolist())
        unseen = [frame for frame in (maker.make() for _ in range(300)) if len(frame) in lengths]
        for one in report.checks:
            rows = Frames.of(unseen, [0.0] * len(unseen))
            assert check_ok(rows, FrameLayout(length="gap", checks=(one.check,))).all(), (seed, one.check)
    assert exact >= 0.98 * len(seeds) - 1  # of 20, one miss is within the 2 % at this size


@pytest.mark.slow
def test_no_check_where_there_is_none() -> None:
    """Readings that barely move, fillers, counters, toggles, several kinds: nothing is claimed."""
    for seed in (*range(61_000, 61_010), 31023, 31041, 31059, 31088, 31115, 31124, 31137):
        *_, report = framed(seed, with_check=False)
        assert report.checks == (), (seed, report.checks[0].check)


@pytest.mark.parametrize("seed", [1007, 1009, 1022, 2037, 2075, 2094, 3019, 3045, 10047, 30014, 30019, 30023,
                                  30055, 930_035, 950_075, 90089, 90090, 950_091, 950_115])
@pytest.mark.slow
def test_streams_that_were_once_cut_wrong(seed: int) -> None:
    """Bursts, kinds in a fixed order, fillers, closing bytes beside starts, lengths that a byte has by chance."""
    _, frames, spoilt, report = framed(seed)
    assert is_exact(frames, spoilt, report)


@pytest.mark.parametrize("seed", [910_024, 930_035, 930_077, 930_105, 57_009, 57_016, 57_029, 80_032, 80_082,
                                  80_086, 80_099, 80_104, 80_130, 80_177, 80_220, 81_003, 81_111, 83_047, 83_082,
                                  96_013, 541_075, 551_010, 660_009, 660_228, 660_232])
@pytest.mark.slow
def test_streams_without_a_check_that_were_once_cut_wrong(seed: int) -> None:
    """A start within a kind, a display that stood still, a recording begun behind a start's first bytes, a damaged next
    frame, a damaged length byte, a line end that equals a length, two kinds in turn, a number with one more digit, kinds
    whose lengths differ by one.
    """
    _, frames, spoilt, report = framed(seed, with_check=False)
    assert is_exact(frames, spoilt, report)


@pytest.mark.parametrize("seed", [97_019, 97_055, 552_047, 562_117])
@pytest.mark.slow
def test_streams_with_a_check_that_were_once_cut_wrong(seed: int) -> None:
    """A check from the start's second byte on, and a byte of the start that stands elsewhere in the frame too."""
    _, frames, spoilt, report = framed(seed, with_check=True)
    assert is_exact(frames, spoilt, report)
    assert report.checks


def test_a_frame_s_first_byte_that_rests_on_use_is_said() -> None:
    """Back to back and begun within a frame, a constant byte may begin a frame or end it: said; with pauses it is not."""
    rng = random.Random(5)
    frames = [b"\xaa" + rng.randbytes(6) + b"\x31" for _ in range(80)]
    for how, said in (("packed", True), ("gaps", False)):
        rows, _ = mixed.on_line(frames, 5, how=how, damage=0.0, mid=True)
        report = find_frames(rows)
        assert report.layout is not None
        assert any("no pause shows where a frame begins" in note for note in report.evidence) is said


def test_a_damaged_frame_shorter_than_a_type_byte_s_place() -> None:
    """Pieces of one or two bytes at a recording's end are weighed like any other damage."""
    rng = random.Random(3)
    frames = [b"\xaa" + bytes([rng.choice([1, 2])]) + rng.randbytes(rng.choice([4, 7])) for _ in range(80)]
    frames = [frame + bytes([sum(frame) & 0xFF]) for frame in frames]
    frames[40], frames[-1] = b"\xaa", b"\xaa\x01"
    rows, _ = mixed.on_line(frames, 3, how="gaps", damage=0.0, mid=False)
    found = Counter(find_frames(rows).whole)
    assert all(found[frame] for frame in frames[:40])
