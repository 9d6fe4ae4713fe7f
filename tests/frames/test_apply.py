"""Splitting and checking: the same frames however a stream is chopped, and published checks hold."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import anycrc
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.line import LineBytes
from tapwright.frames.apply import Splitter, check_ok, split
from tapwright.frames.gf2 import common_divisor, power_of_x, product, remainder, solve

GOLDEN = Path(__file__).parents[1] / "golden"
SUM = Check(kind="sum8", first=0, last=-2, at=-1)
LAYOUTS = (
    FrameLayout(length="fixed", n_bytes=6, start=b"\x5a\xa5"),
    FrameLayout(length="fixed", n_bytes=6, start=b"\x5a\xa5", checks=(SUM,)),
    FrameLayout(length="fixed", n_bytes=6, checks=(SUM,)),
    FrameLayout(length="fixed", n_bytes=6, start=b"\x5a\xa5", end=b"\x0d", gap_s=0.005),
    FrameLayout(length="field", field_at=1, field_add=3, start=b"\x5a", checks=(SUM,)),
    FrameLayout(length="field", field_at=2, field_add=0, start=b"\x5a"),
    FrameLayout(length="delimited", start=b"\x5a", end=b"\x0d\x0a"),
    FrameLayout(length="delimited", end=b"\x0d", checks=(SUM,)),
    FrameLayout(length="gap", start=b"\x5a", gap_s=0.005),
    FrameLayout(length="fixed", n_bytes=6, start=b"\x5a\x01", variants=(
        FrameLayout(length="fixed", n_bytes=9, start=b"\x5a\x02"),)),
)
# Bytes that frames of the layouts above are made of, so that drawn streams hold whole, cut and false frames.
PIECES = st.lists(st.one_of(
    st.sampled_from([b"\x5a\xa5\x01\x02\x03\x05", b"\x5a\xa5\x01\x02\x03\x04", b"\x5a\xa5\x01\x02\x03\x0d",
                     b"\x5a\x02\x01\x02\xbf", b"\x5a\x04\x01\x02\x0d\x0a", b"\x5a\xa5", b"\x5a", b"\x0d\x0a", b"\x5a\x01"]),
    st.binary(min_size=1, max_size=7)), min_size=1, max_size=14)
CHARACTER_S = 0.001


@pytest.mark.slow
@settings(max_examples=120, deadline=None)
@given(pieces=PIECES, pauses=st.lists(st.booleans(), min_size=14, max_size=14), which=st.sampled_from(LAYOUTS),
       seed=st.integers(0, 1000))
def test_any_chopping_gives_the_same_frames(pieces: list[bytes], pauses: list[bool], which: FrameLayout,
                                            seed: int) -> None:
    """`Splitter` fed in random pieces gives what `split` gives on the whole stream, times and all."""
    times, t_s = [], 0.0
    for piece, pause in zip(pieces, pauses, strict=False):
        times += [t_s + i * CHARACTER_S for i in range(len(piece))]
        t_s += len(piece) * CHARACTER_S + (0.02 if pause else 0.0)
    raw = b"".join(pieces)
    rows = LineBytes(channel="", t_s=np.array(times), values=np.frombuffer(raw, np.uint8).astype(np.uint64),
                     errors=np.zeros(len(raw), np.uint8), character_s=CHARACTER_S)
    frames = split(rows, which)
    rng = random.Random(seed)
    splitter, got, at = Splitter(which, CHARACTER_S), [], 0
    while at < len(raw):
        size = rng.randint(1, 9)
        # A piece never holds a pause: it is what arrived together.
        while size > 1 and any(times[i + 1] - times[i] > 2 * CHARACTER_S for i in range(at, min(at + size, len(raw)) - 1)):
            size -= 1
        got += splitter.feed(raw[at:at + size], times[at])
        at += size
    got += splitter.flush(t_s)
    assert [(frame, broken) for _, frame, broken in got] == list(zip(frames, frames.broken.tolist(), strict=True))
    assert np.allclose([at_s for at_s, _, _ in got], frames.t_s, atol=1e-9)


def test_buffer_stays_bounded_in_noise() -> None:
    """A million bytes of noise leave no more in the buffer than one frame's worth of bytes."""
    noise = np.random.default_rng(1).integers(0, 256, 1_000_000, dtype=np.uint8).tobytes()
    for layout in LAYOUTS[:2] + LAYOUTS[4:5] + LAYOUTS[6:7]:
        splitter = Splitter(layout)
        for start in range(0, 200_000, 1000):
            splitter.feed(noise[start:start + 1000], 0.0)
            assert len(splitter.buffer) <= 5200


def test_in_step_again_after_noise() -> None:
    """Of frames with noise between, every whole one comes out."""
    frame = b"\x5a\xa5\x01\x02\x03\x05"
    stream = frame * 3 + b"\x5a\x11\x22" + frame * 2 + frame[:4] + frame * 2
    splitter = Splitter(LAYOUTS[1])
    got = splitter.feed(stream, 0.0) + splitter.flush(1.0)
    assert [f for _, f, broken in got if not broken] == [frame] * 7
    assert [f for _, f, broken in got if broken] == [frame[:4]]


def test_published_checks_hold() -> None:
    """Modbus RTU and ASCII, NMEA 0183, IEC 62056-21 and Fletcher messages of tests/golden/frames.csv agree."""
    settings_of = {
        "modbus_rtu": Check(kind="crc16", poly=0x8005, init=0xFFFF, refin=True, refout=True, first=0, last=-3, at=-2,
                            order="little"),
        "modbus_ascii_lrc": Check(kind="lrc", first=1, last=-3, at=-2, encoding="hex"),
        "nmea0183": Check(kind="xor8", first=1, last=-4, at=-2, encoding="hex"),
        "bcc_xor": Check(kind="xor8", first=0, last=-2, at=-1),
        "fletcher16": Check(kind="fletcher16", first=0, last=-3, at=-2),
    }
    seen = 0
    with (GOLDEN / "frames.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            check = settings_of.get(row["kind"])
            if check is None:
                continue
            message = bytes.fromhex(row["message"]) if row["encoding"] == "hex" else row["message"].encode()
            sent = b"" if check.encoding == "hex" else bytes.fromhex(row["check"])
            frames = Frames.of([message + sent], [0.0])
            assert check_ok(frames, FrameLayout(length="gap", checks=(check,))).all(), row
            spoilt = bytes([message[1] ^ 1]) + message[2:] + sent
            wrong = Frames.of([message[:1] + spoilt], [0.0])
            assert not check_ok(wrong, FrameLayout(length="gap", checks=(check,))).any(), row
            seen += 1
    assert seen >= 25


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(message=st.binary(min_size=1, max_size=20), poly=st.integers(1, 0xFFFF), n=st.integers(0, 900))
def test_remainders_are_those_of_a_crc_library(message: bytes, poly: int, n: int) -> None:
    """Message times x**16 modulo the polynomial is anycrc's CRC with start and final value 0."""
    crc = anycrc.CRC(16, poly, 0, False, False, 0)
    assert remainder(int.from_bytes(message, "big") << 16, poly | 1 << 16) == crc.calc(message)
    zeros = b"\x01" + bytes(n // 8)
    assert power_of_x(8 * (n // 8) + 16, poly | 1 << 16) == crc.calc(zeros)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(a=st.integers(1, 1 << 80), b=st.integers(1, 1 << 80), c=st.integers(1, 1 << 20))
def test_common_divisor_divides_both(a: int, b: int, c: int) -> None:
    """The divisor of a c and b c is a multiple of c and divides both."""
    x, y = product(a, c), product(b, c)
    divisor = common_divisor(x, y)
    assert remainder(x, divisor) == remainder(y, divisor) == remainder(divisor, c) == 0


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(columns=st.lists(st.integers(0, 1023), min_size=1, max_size=12), pick=st.integers(0, 4095))
def test_solutions_solve(columns: list[int], pick: int) -> None:
    """A target made of columns is solved, and every kernel vector may be added."""
    def value(x: int) -> int:
        out = 0
        for i, column in enumerate(columns):
            if x >> i & 1:
                out ^= column
        return out

    target = value(pick & ((1 << len(columns)) - 1))
    solved = solve(columns, target)
    assert solved is not None
    assert value(solved[0]) == target
    assert all(value(vector) == 0 and vector for vector in solved[1])


@pytest.mark.parametrize("n_bytes", [3, 5])
def test_too_short_frames_fail_their_check(n_bytes: int) -> None:
    """A frame that cannot hold the check never passes it."""
    check = Check(kind="crc32", first=0, last=4, at=5, poly=0x04C11DB7)
    assert not check_ok(Frames.of([bytes(n_bytes)], [0.0]), FrameLayout(length="gap", checks=(check,))).any()
