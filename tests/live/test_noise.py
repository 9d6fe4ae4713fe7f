"""Damaged lines: with a check no false reading; without one, what changes implausibly is marked."""

from __future__ import annotations

import os
import random
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.live.bench import frame, instrument

from tapwright.core.reading import Reading, Status
from tapwright.live.framer import Framer
from tapwright.live.plausible import Doubter
from tapwright.live.source import Packet

BUFFER_MOST = 100_000


def flipped(data: bytes, rng: np.random.Generator, share: float) -> bytes:
    """Return data with each bit flipped with a probability."""
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    bits ^= (rng.random(len(bits)) < share).astype(np.uint8)
    return np.packbits(bits).tobytes()


def displays(seed: int, count: int) -> list[str]:
    """A reading that wanders by a count or two, as one does."""
    rng, value, out = random.Random(seed), 682, []
    for _ in range(count):
        value += rng.choice((-1, 0, 0, 0, 1))
        out.append(f"{value / 100:.2f}")
    return out


@pytest.mark.slow
def test_with_a_check_no_false_reading_in_a_line_with_one_bit_in_a_thousand_flipped() -> None:
    """Every `ok` reading was sent, in that order, beyond CRC-16's own 2^-16 of the damaged frames."""
    n_frames = int(os.environ.get("TAPWRIGHT_FRAMES", "2000"))
    rng = np.random.default_rng(7)
    framer = Framer(instrument())
    false = ok = bad = 0
    for start in range(0, n_frames, 1000):
        sent = displays(start, 1000)
        line = flipped(b"".join(map(frame, sent)), rng, 0.001)
        known = set(sent)
        for at in range(0, len(line), 50):
            for framed in framer.take(Packet(line[at:at + 50], 0.0)):
                if framed.reading.status is Status.OK:
                    ok += 1
                    false += framed.reading.display not in known or framed.reading.unit != "mg/L"
                else:
                    bad += 1
    damaged = 1 - 0.999 ** 96
    assert ok > 0.97 * n_frames * (1 - damaged)
    assert bad > 0.5 * n_frames * damaged
    assert false <= 5 + 3 * n_frames * damaged / 2 ** 16
    print(f"{n_frames} frames: {ok} ok, {bad} not, {false} false; 2^-16 of the damaged: {n_frames * damaged / 65536:.2f}")


@pytest.mark.slow
def test_without_a_check_large_false_changes_are_marked() -> None:
    """No `ok` reading lies far from what was sent, or in another unit, unless two frames running say so."""
    sent = displays(3, 2500)
    line = flipped(b"".join(map(frame, sent)), np.random.default_rng(8), 0.001)
    framer = Framer(instrument(check=False))
    got = [framed for at in range(0, len(line), 12) for framed in framer.take(Packet(line[at:at + 12], 0.0))]
    ok = [framed.reading for framed in got if framed.reading.status is Status.OK]
    wrong = [r for r in ok if r.unit != "mg/L" or r.value is None or abs(r.value - Decimal("6.82")) > Decimal("2")]
    assert len(ok) > 2100
    assert len(wrong) <= 2
    assert sum("no check protects" in framed.note for framed in got) > 10


def test_a_real_step_shows_one_marked_row() -> None:
    """The second frame bears a change out."""
    doubter = Doubter()
    statuses = [doubter.judge(Reading(t_s=0.0, display=text, value=Decimal(text), unit="V", flags="", status=Status.OK))
                [0].status for text in ["1.00", "1.01", "1.00", "9.00", "9.01", "9.00"]]
    assert statuses == [Status.OK] * 3 + [Status.UNPROVEN] + [Status.OK] * 2


@pytest.mark.slow
@given(st.binary(max_size=400), st.integers(1, 30))
@settings(max_examples=15, deadline=None)
def test_any_bytes_in_any_pieces_give_the_same_frames_and_bounded_memory(data: bytes, size: int) -> None:
    """The framer takes what comes; how it is cut does not matter to what was sent whole behind it."""
    good = frame("1.23") * 3
    whole, pieces = Framer(instrument()), Framer(instrument())
    one = [f.reading for f in whole.take(Packet(data + good, 0.0))]
    many = [f.reading for at in range(0, len(data + good), size)
            for f in pieces.take(Packet((data + good)[at:at + size], 0.0))]
    assert [r.display for r in one if r.status is Status.OK] == [r.display for r in many if r.status is Status.OK]
    assert [r.seq for r in many] == list(range(len(many)))
    assert one[-1].display == "1.23"


def test_the_buffer_stays_bounded_under_endless_noise() -> None:
    """A megabyte without a frame: what is kept is small."""
    framer = Framer(instrument())
    noise = np.random.default_rng(1).integers(0, 255, 200_000, np.uint8).tobytes()
    for at in range(0, len(noise), 4096):
        framer.take(Packet(noise[at:at + 4096], 0.0))
    assert framer._splitter is not None
    assert len(framer._splitter.buffer) < 8192
