"""Blind instruments of all families: what is said to be certain is right, and labels that settle everything settle it."""

from __future__ import annotations

import random

import pytest

from tapwright.core.frame import Frames
from tapwright.core.instrument import Instrument
from tapwright.mapping.apply import Decoder
from tests.mapping.blind import FAMILIES, Blind, Shown, blind, everything, play
from tests.mapping.driver import layout_of, learned, score, shown_wrong

SEEDS = (3, 8)


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", SEEDS)
def test_labels_that_settle_everything(family: str, seed: int) -> None:
    """Every unseen frame is read, and right."""
    meter, rng = blind(seed, family), random.Random(seed)
    report = learned(meter, play(meter, everything(meter, rng), rng))
    assert report.reading_map is not None
    assert report.reading_map.kind == family
    result = score(meter, report, rng)
    assert result.wrong == []
    assert result.certain == result.n


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1018))
def test_few_labels_claim_nothing_wrong(seed: int) -> None:
    """A handful of labels leaves much open; nothing read for certain is wrong."""
    meter, rng = blind(seed), random.Random(seed)
    readings = [meter.some(rng) for _ in range(rng.randint(3, 14))]
    report = learned(meter, play(meter, readings, rng))
    if report.reading_map is not None:
        assert score(meter, report, rng).wrong == []


def test_too_few_labels_bear_no_map() -> None:
    """Three labels that a table explains no better than chance: no map, and readings to show."""
    meter, rng = blind(82348, "integer"), random.Random(82348)
    report = learned(meter, play(meter, [meter.some(rng) for _ in range(rng.randint(3, 14))], rng))
    assert report.reading_map is None
    assert report.too_few
    assert report.next
    assert "too few" in report.text()


def test_a_flag_of_a_code_beside_segments() -> None:
    """A few labels of a table that segments explain, too, with a flag that no one bit shows: learned without a fault."""
    meter, rng = blind(7020), random.Random(7020)
    assert learned(meter, play(meter, [meter.some(rng) for _ in range(rng.randint(3, 14))], rng)).next


@pytest.mark.slow
@pytest.mark.parametrize("seed", (7009, 7043, 7080))
def test_what_rows_show_without_proof_is_right(seed: int) -> None:
    """Under a bit never seen to move the number's other parts stand only where they are known."""
    meter, rng = blind(seed), random.Random(seed)
    report = learned(meter, play(meter, [meter.some(rng) for _ in range(rng.randint(3, 14))], rng))
    assert shown_wrong(meter, report, rng) == []


@pytest.mark.slow
def test_a_number_wider_than_its_labels_is_not_shown() -> None:
    """An integer of four bytes of which labels moved twelve bits: where another moves its digits are not shown."""
    meter, rng = blind(6233), random.Random(6233)
    report = learned(meter, play(meter, everything(meter, rng), rng))
    assert shown_wrong(meter, report, rng) == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", (3092, 81056))
def test_offset_integers_under_a_mask(seed: int) -> None:
    """The number ends where bytes of another meaning follow it."""
    meter, rng = blind(seed, "integer"), random.Random(seed)
    report = learned(meter, play(meter, everything(meter, rng), rng))
    result = score(meter, report, rng)
    assert result.wrong == []
    assert result.certain == result.n


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
def test_wrong_labels_are_named(family: str) -> None:
    """One label in twelve says something else: those are named, and nothing is bent to them."""
    meter, rng = blind(21, family), random.Random(21)
    readings = everything(meter, rng)
    session = play(meter, readings, rng, wrong=len(readings) // 12)
    report = learned(meter, session)
    assert [item.row for item in report.labels_contradicted] == session.wrong_rows
    assert score(meter, report, rng).wrong == []


def test_what_one_label_alone_bears_is_said() -> None:
    """Float with twenty labels, two wrong, one of them the only one in its range: nothing can tell, so it is listed."""
    meter, rng = blind(96023), random.Random(96023)
    session = play(meter, [meter.some(rng) for _ in range(rng.randint(20, 30))], rng, wrong=2)
    report = learned(meter, session)
    named = [item.row for item in report.labels_contradicted]
    unnamed = [row for row in session.wrong_rows if row not in named]
    assert unnamed
    assert all(any(f"(label {row})" in item for item in report.on_one_label) for row in unnamed)
    assert "On one label alone" in report.text()


@pytest.mark.slow
def test_two_labels_of_which_one_is_wrong() -> None:
    """Twelve labels, row 11 wrong: leaving row 6 out explains the rest as well, so neither is believed."""
    meter, rng = blind(94036), random.Random(94036)
    session = play(meter, [meter.some(rng) for _ in range(rng.randint(10, 14))], rng, wrong=1)
    report = learned(meter, session)
    assert session.wrong_rows == [11]
    assert [item.row for item in report.labels_contradicted] == [6, 11]
    assert score(meter, report, rng, 1000).wrong == []


def test_a_digit_beside_the_points_code_keeps_its_bits() -> None:
    """The leading digit in one nibble, the point's code in the other: a digit that no label showed is read all the same."""
    meter = Blind(seed=1, family="bcd", digits=4, ranges=(("V", 3), ("mV", 1)), greatest=(9999, 9999), flags=("HOLD",),
                  can_negative=False, zeros="shown", overload_text="OL", has_check=True, body=bytes, head=b"\xa5",
                  counter=False)

    def body(shown: Shown) -> bytes:
        a, b, c, d = map(int, meter.figures(shown))
        return bytes([0x22 if shown.range else 0x11, 0x80 if shown.flags else 0, (0x50 if shown.range else 0x30) | a,
                      b << 4 | c, d << 4])

    meter.body = body
    rng = random.Random(3)
    low = [Shown(i % 2, rng.randint(0, 7999), flags=frozenset(["HOLD"] if i % 3 == 0 else [])) for i in range(40)]
    report = learned(meter, play(meter, low, rng))
    assert report.reading_map is not None
    decoder = Decoder(Instrument(name="", reading_map=report.reading_map, layout=layout_of(meter)))
    frames = Frames.of([meter.frame(Shown(0, count)) for count in (8123, 9456)], [0.0, 1.0])
    assert [reading.display for reading in decoder.read(frames)] == ["8.123", "9.456"]


@pytest.mark.slow
def test_labels_below_nought_are_not_blamed() -> None:
    """A masked integer of three bytes, few labels negative, three wrong: only those are named."""
    meter, rng = blind(81008, "integer"), random.Random(81008)
    readings = everything(meter, rng)
    session = play(meter, readings, rng, wrong=rng.randint(1, len(readings) // 10))
    assert [item.row for item in learned(meter, session).labels_contradicted] == session.wrong_rows


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_the_clocks_offset_is_found(seed: int) -> None:
    """To one frame period, up to five seconds either way."""
    meter, rng = blind(seed), random.Random(seed)
    offset_s = rng.uniform(-4.7, 4.7)
    report = learned(meter, play(meter, everything(meter, rng), rng, offset_s=offset_s))
    assert abs(report.offset_s - offset_s) <= meter.period_s


@pytest.mark.slow
def test_random_bytes_explain_no_labels() -> None:
    """Frames that have nothing to do with the labels: no map, or none that reads anything for certain."""
    for seed in range(4):
        meter, rng = blind(seed, "text"), random.Random(seed)
        body = len(meter.body(everything(meter, rng)[0]))
        noise = random.Random(99)
        meter.body = lambda shown, body=body, noise=noise: noise.randbytes(body)  # type: ignore[misc]
        report = learned(meter, play(meter, everything(meter, rng)[:30], rng))
        assert report.reading_map is None or report.frames_explained == 0
