"""What is answered where the wire cannot tell forms apart, and what where it can."""

from __future__ import annotations

import random

import pytest
from tests.line.wire import Wire

from tapwright.core.capture import Capture
from tapwright.core.line import ByteError
from tapwright.line.find import find_lines
from tapwright.line.report import ChannelReport

BYTES = list(random.Random(5).randbytes(80))
TEXT = [ord(letter) for letter in "DO 8.21 mg/L EC 412 uS/cm T 9.6 C pH 7.43\r\n" * 3]


def found(capture: Capture) -> ChannelReport:
    """Return the only channel's report."""
    return find_lines(capture).channels[0]


def form(channel: ChannelReport) -> str:
    """Return the answer's form in the trade's short form."""
    assert channel.settings is not None
    return channel.settings.name.split(" ", 1)[1]


def others(channel: ChannelReport) -> set[str]:
    """Return the alternatives' forms."""
    return {settings.name.split(" ", 1)[1] for settings, _ in channel.alternatives}


@pytest.mark.parametrize(("sent", "answer"), [
    ("8N1", "8N1"), ("8N2", "8N2"), ("8E1", "8E1"), ("8O1", "8O1"), ("8N1.5", "8N1.5"), ("8E2", "8E2"),
    ("8M1", "8N2"),  # contract: of forms that the wire cannot tell apart 8N2 comes before 8M1 and 9N1
])
def test_random_bytes_back_to_back(sent: str, answer: str) -> None:
    """Without pauses the stop bits show; what the wire cannot tell is answered as the contract says."""
    channel = found(Wire(9600, 96_000).send(BYTES, sent).capture())
    assert form(channel) == answer
    assert sent in others(channel) | {answer}
    assert channel.probability > 0.9 or answer != sent


def test_two_stop_bits_are_told_with_their_twins() -> None:
    """8N2 is answered, 8M1 and 9N1 (its ninth bit always 1) and shorter stops are listed."""
    channel = found(Wire(9600, 96_000).send(BYTES, "8N2").capture())
    assert form(channel) == "8N2"
    assert {"8M1", "9N1", "8N1", "8N1.5"} <= others(channel)


def test_text_is_eight_bits_before_seven_with_space() -> None:
    """Text in 8N1 has a top bit of 0 always: 8N1 before 7S1, which is listed."""
    channel = found(Wire(9600, 96_000).send(TEXT, "8N1").capture())
    assert form(channel) == "8N1"
    assert "7S1" in others(channel)


def test_text_with_even_parity_is_seven_bits() -> None:
    """The top bit is the parity of the rest on every character: 7E1; 8N1 is listed and improbable."""
    channel = found(Wire(1200, 12_000).send(TEXT, "7E1").capture())
    assert form(channel) == "7E1"
    assert "8N1" in others(channel)
    assert channel.probability > 0.99


def test_without_neighbours_the_stop_bits_are_one() -> None:
    """Characters that never touch do not show their stop bits: 1 is answered, 1.5 and 2 are listed."""
    wire = Wire(9600, 96_000)
    random_ = random.Random(3)
    for value in BYTES:
        wire.send([value], "8N2", gap_bits=1.5 + 20 * random_.random())
    channel = found(wire.capture())
    assert form(channel) == "8N1"
    assert {"8N2", "8N1.5", "8M1", "9N1"} <= others(channel)


def test_a_top_bit_of_one_means_fewer_bits_and_more_stops() -> None:
    """7N2 before 8N1 with a top bit that is always 1."""
    channel = found(Wire(2400, 24_000).send([v & 0x7F for v in BYTES], "7N2").capture())
    assert form(channel) == "7N2"
    assert "8N1" in others(channel)


def test_one_character_over_and_over_stays_open() -> None:
    """One value says little about the form: many alternatives, a probability that shows it."""
    channel = found(Wire(9600, 96_000).send([0x41] * 30, "8E1", gap_bits=7.3).capture())
    assert "8E1" in others(channel) | {form(channel)}
    assert channel.probability < 0.95


def test_a_break_is_no_byte_and_no_error() -> None:
    """Low for 20 bits between frames: counted as a break, in no row."""
    wire = Wire(9600, 96_000)
    for i in range(6):
        wire.put(0, 20 * wire.bit_s)
        wire.idle(3)
        wire.send(BYTES[10 * i:10 * i + 10])
        wire.idle(15)
    channel = found(wire.capture())
    assert form(channel) == "8N1"
    assert (channel.breaks, channel.n_bytes, channel.framing_errors) == (6, 60, 0)


def test_a_character_cut_by_the_end_is_broken() -> None:
    """The last row of a capture that stops inside a character says so."""
    wire = Wire(9600, 96_000).send(BYTES[:40])
    full = wire.capture()
    end = int((wire.starts[-1] + 4 * wire.bit_s) * 96_000)
    edges = full.channels[0].edge_ticks
    cut = Capture(path=full.path, tick_s=full.tick_s, start_tick=0, end_tick=end, sample_ticks=1,
                  channels=(type(full.channels[0])(name="rx", first_level=1, edge_ticks=edges[edges < end]),))
    report = find_lines(cut)
    row = report.rows()[0]
    assert row.values[:39].tolist() == BYTES[:39]
    assert row.errors.tolist() == [ByteError.NONE] * 39 + [ByteError.BROKEN]
    assert report.channels[0].n_bytes == 40


@pytest.mark.parametrize("factor", [2, 3])
def test_data_without_a_lone_bit_has_the_rate_that_explains_all(factor: int) -> None:
    """Where every interval is a multiple of 2T or 3T the characters still have one length: the rate is settled."""
    values = [0x00, 0xCC, 0x33, 0x0F, 0xF0, 0x3C] if factor == 2 else [0x00, 0x1C, 0xE3, 0x38, 0xC7]
    wire = Wire(9600, 96_000)
    random_ = random.Random(factor)
    for _ in range(60):
        wire.send([random_.choice(values)], "8N1")
    channel = found(wire.capture())
    assert channel.settings is not None
    assert channel.settings.baud == 9600


def test_a_sender_off_by_more_than_two_percent_is_said(tmp_path: object) -> None:
    """The measured rate is given beside the usual one, and the advice names the difference."""
    channel = found(Wire(9600 * 1.027, 96_000).send(BYTES).capture())
    assert channel.settings is not None
    assert channel.settings.baud == 9600
    assert channel.settings.measured_baud == pytest.approx(9600 * 1.027, rel=1e-3)
    assert any("+2.7% off" in text for text in channel.advice)


def test_a_rate_that_is_not_usual_is_given_as_measured() -> None:
    """7812.5 baud lies more than 3.5 % from any usual rate."""
    channel = found(Wire(7812.5, 96_000).send(BYTES).capture())
    assert channel.settings is not None
    assert channel.settings.baud == pytest.approx(7812.5, rel=1e-3)
    assert channel.settings.baud == channel.settings.measured_baud
