"""Masks found from blind recordings of both sides, and none claimed where there is none."""

from __future__ import annotations

import random
import zlib

import numpy as np
import pytest
from tests.mask import blind

from tapwright.core.frame import Frames
from tapwright.mask.alone import find_mask_alone, start_bytes
from tapwright.mask.apply import unmask
from tapwright.mask.find import MaskReport, find_mask


def frames_of(rows: list[blind.Row]) -> Frames:
    """Return rows as the solver takes them."""
    return Frames.of([frame for _, frame in rows], [t_s for t_s, _ in rows])


def share_settled(report: MaskReport, case: blind.Case) -> float:
    """Hold a found mask against frames never shown; return the share of bytes settled, every one of which is right."""
    assert report.mask is not None
    radio = [blind.masked(case.mapping, frame) for frame in case.unseen]
    found = unmask(Frames.of(radio, [0.0] * len(radio)), report.mask)
    truth = np.frombuffer(b"".join(case.unseen), np.uint8)
    settled = np.ones(len(truth), np.bool_) if found.unsettled is None else ~found.unsettled
    assert np.array_equal(found.data[settled], truth[settled])
    return float(settled.mean())


KINDS = [(kind,) for kind in blind.SINGLE] + list(blind.DOUBLE)


@pytest.mark.slow
@pytest.mark.parametrize("kinds", KINDS, ids=["-".join(kinds).replace(" ", "_") for kinds in KINDS])
def test_every_kind_is_found_and_right_on_unseen_frames(kinds: tuple[str, ...]) -> None:
    """Unrelated clocks, starts, lost and stray frames, varying lengths: every settled byte is right, and most are."""
    seed = 100 + KINDS.index(kinds)
    case = blind.make_case(seed, kinds)
    report = find_mask(frames_of(case.wire), frames_of(case.radio))
    assert share_settled(report, case) > 0.75
    assert report.mask is not None
    assert report.mask.mismatches == 0
    assert report.mask.pairs_checked >= report.mask.pairs_used >= 60


@pytest.mark.slow
@pytest.mark.parametrize("kinds", [("xor",), ("rotate",), ("substitution",), ("add", "xor")])
def test_order_alone_aligns_frames_where_clocks_say_nothing(kinds: tuple[str, ...]) -> None:
    """Radio frames numbered as they came, whatever was lost."""
    case = blind.make_case(7, kinds, style="segments", clocks=False)
    assert share_settled(find_mask(frames_of(case.wire), frames_of(case.radio)), case) > 0.7


@pytest.mark.slow
@pytest.mark.parametrize("how", blind.REFUSALS)
def test_no_mask_is_claimed_where_there_is_none(how: str) -> None:
    """Random bytes, another instrument, moving keys, other order, other times: refused, with words."""
    for seed in (200, 201):
        wire, radio = blind.make_refusal(seed, how)
        report = find_mask(frames_of(wire), frames_of(radio))
        assert report.mask is None, (seed, report.evidence)
        assert report.document()["kind"] is None
        assert report.advice


@pytest.mark.slow
def test_the_key_is_given_as_it_was() -> None:
    """A full-length key comes out byte for byte, every bit of it determined."""
    rng = random.Random(5)
    key = [rng.randrange(256) for _ in range(9)]
    wire = blind.wire_readings(rng, 80, "segments", [9])
    radio = [bytes(b ^ k for b, k in zip(frame, key, strict=True)) for frame in wire]
    times = [0.3 * i for i in range(80)]
    report = find_mask(Frames.of(wire, times), Frames.of(radio[11:], [t_s * 1.00005 + 40 for t_s in times[11:]]))
    document = report.document()
    assert document["kind"] == "xor"
    assert document["key"] == bytes(key).hex(" ").upper()
    assert (document["determined_bits"], document["total_bits"]) == (72, 72)
    assert document["pairs_checked"] == 69


@pytest.mark.slow
def test_what_the_pairs_leave_open_is_named() -> None:
    """A substitution seen with few byte values: the rest is named as open, not guessed."""
    rng = random.Random(8)
    mapping, _ = blind.make_step(rng, "substitution", 8)
    wire = [bytes([0x40 + rng.randrange(16) for _ in range(8)]) for _ in range(90)]
    times = [0.3 * i for i in range(90)]
    report = find_mask(Frames.of(wire, times), Frames.of([blind.masked(mapping, frame) for frame in wire], times))
    assert report.mask is not None
    assert report.mask.kind == "substitution"
    assert (report.mask.determined_bits, report.mask.total_bits) == (16 * 8, 2048)
    assert report.undetermined == ({"what": "240 of the 256 byte values, at every place",
                                    "why": "never seen, and not implied by what was seen"},)
    fresh = unmask(Frames.of([bytes([mapping(0, 0x41), mapping(1, 0x99)])], [0.0]), report.mask)
    assert fresh.data[0] == 0x41
    assert fresh.unsettled is not None
    assert fresh.unsettled.tolist() == [False, True]


def test_one_frame_over_and_over_settles_nothing() -> None:
    """Shorted leads give one frame: many masks join it, so none is claimed."""
    frames = Frames.of([b"\x5a\xa5\x00\x01"] * 80, [0.3 * i for i in range(80)])
    report = find_mask(frames, frames)
    assert report.mask is None
    assert report.advice == ("The wire recording has 1 different frame only, and many masks join those; record while the "
                             "reading changes, until there are at least 20 different ones.",)


@pytest.mark.slow
def test_random_radio_bytes_are_called_encrypted() -> None:
    """Every radio byte uniform while the wire repeats: said in so many words, and nothing more is tried."""
    rng = random.Random(3)
    wire = blind.wire_readings(rng, 200, "segments", [12])
    times = [0.3 * i for i in range(200)]
    radio = Frames.of([rng.randbytes(12) for _ in range(200)], times)
    report = find_mask(Frames.of(wire, times), radio)
    assert report.mask is None
    assert "encrypted" in report.advice[0]
    assert "encrypted" in find_mask_alone(radio).advice[0]


def crc32_of(frames: Frames) -> tuple[str, float]:
    """Look for zlib's CRC in the last four bytes."""
    ok = all(zlib.crc32(frame[:-4]) == int.from_bytes(frame[-4:], "little") for frame in frames)
    return ("crc32 at the end", 29.0) if ok else ("", 0.0)


def with_crc(rng: random.Random) -> list[bytes]:
    """Return wire frames with a start of four bytes and zlib's CRC."""
    bodies = [b"\x5a\xa5\x10\x03" + frame for frame in blind.wire_readings(rng, 60, "bcd", [7])]
    return [body + zlib.crc32(body).to_bytes(4, "little") for body in bodies]


@pytest.mark.parametrize("kind", ["none", "bit order", "nibble swap", "rotate"])
def test_a_check_settles_fixed_orders_without_the_wire(kind: str) -> None:
    """A CRC of 32 bits that holds once the order is undone."""
    rng = random.Random(21)
    wire = with_crc(rng)
    mapping, _ = blind.make_step(rng, kind, len(wire[0]))
    radio = Frames.of([blind.masked(mapping, frame) for frame in wire], [0.1 * i for i in range(60)])
    report = find_mask_alone(radio, find_check=crc32_of)
    assert report.mask is not None
    assert report.mask.kind == kind
    assert list(unmask(radio, report.mask)) == wire


def test_a_start_settles_a_key_that_repeats_within_it() -> None:
    """Six known bytes and a key of two: four bytes agree beyond what the key could be made to fit."""
    wire = [b"\x5a\xa5\x10\x03\x44\x21" + frame for frame in blind.wire_readings(random.Random(4), 60, "bcd", [9])]
    radio = Frames.of([bytes(b ^ (0x3A, 0x71)[i % 2] for i, b in enumerate(frame)) for frame in wire],
                      [0.1 * i for i in range(60)])
    report = find_mask_alone(radio, start=start_bytes("5AA5 1003 4421"))
    assert report.document()["key"] == "3A 71"
    short = find_mask_alone(radio, start=start_bytes("5A A5 10"))
    assert short.mask is None
    assert any("learn RADIO" in text for text in short.advice)


def test_a_start_that_is_not_there_is_said() -> None:
    """Frames whose first bytes vary cannot all begin with a known start."""
    radio = Frames.of([bytes([i, 255 - i, 7]) for i in range(60)], [0.1 * i for i in range(60)])
    assert "not always the same" in find_mask_alone(radio, start=b"\x5a\xa5").advice[0]
