"""The pretend instrument keeps to published facts, and differs from seed to seed."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import anycrc
import pytest

from tapwright.synth import bench, wire
from tapwright.synth.display import ELEMENTS, FUNCTIONS, GLYPHS, Face
from tapwright.synth.instrument import CHECKS, pretend

GOLDEN = Path(__file__).parents[1] / "golden"


def test_glyphs_are_those_of_the_published_table() -> None:
    """Decoder truth tables: tests/golden/seven-segment.csv, standard shapes."""
    with (GOLDEN / "seven-segment.csv").open(encoding="utf-8") as file:
        standard = {row["glyph"]: "".join(sorted(row["segments"])) for row in csv.DictReader(file)
                    if row["variant"] == "standard"}
    for digit in "0123456789":
        assert GLYPHS[digit] == standard[digit]


@pytest.mark.parametrize(("name", "model"), [("crc8", "CRC8"), ("crc16", "CRC16-MODBUS")])
def test_checks_agree_with_a_crc_library(name: str, model: str) -> None:
    """anycrc computes the same; the 16-bit one is sent low byte first (Modbus over Serial Line V1.02)."""
    data = bytes(random.Random(1).randrange(256) for _ in range(11))
    value = anycrc.Model(model).calc(data)
    assert CHECKS[name](data) == value.to_bytes(len(CHECKS[name](data)), "little")


def test_seeds_give_different_instruments() -> None:
    """Rate, length, map, check and key all vary over a few seeds, so nothing can rely on one of them."""
    meters = [pretend(seed) for seed in range(12)]
    assert len({meter.baud for meter in meters}) > 2
    assert len({meter.frame_bytes for meter in meters}) > 2
    assert len({meter.check for meter in meters}) > 2
    assert len({tuple(sorted(meter.bits.items())) for meter in meters}) == 12
    assert len({meter.key for meter in meters}) == 12
    assert all(len(meter.bits) == len(ELEMENTS) == len(set(meter.bits.values())) for meter in meters)


def test_a_frame_on_the_line_is_start_bit_data_parity_and_stops() -> None:
    """8E1, one byte 0x53 at 1 sample a bit: the textbook waveform, least significant bit first (UART tutorials)."""
    meter = pretend(0)
    object.__setattr__(meter, "parity", "E")
    object.__setattr__(meter, "stop_bits", 1)
    object.__setattr__(meter, "clock_error", 0.0)
    edges = wire.levels(meter, [wire.Sent(t_s=0.0, frame=b"\x53")], rate_hz=meter.baud, seconds=1.0,
                        rng=random.Random(0))
    level, levels, at = 1, [], dict(edges)
    for sample in range(11):
        level = at.get(sample, level)
        levels.append(level)
    # start 0, data 1 1 0 0 1 0 1 0, even parity 0, stop 1
    assert levels == [0, 1, 1, 0, 0, 1, 0, 1, 0, 0, 1]


def test_faces_read_as_written() -> None:
    """Leading zeros are suppressed, the point keeps its place, overload and blank show no point."""
    oxygen, temperature = FUNCTIONS[0], FUNCTIONS[4]
    assert Face(function=oxygen, count=682).text == "6.82"
    assert Face(function=oxygen, count=7).text == "0.07"
    assert Face(function=temperature, count=-43).text == "-4.3"
    assert Face(function=oxygen, count=None).text == "OL"
    assert Face(function=oxygen, count=682, blank=True).text == ""


def test_an_answer_meets_what_was_asked() -> None:
    """The person at the bench shows a reading with the wanted digit, unit and flag."""
    face = bench.answer({"digits": {"2": "56"}, "unit": "mS/cm", "flags": {"HOLD": True}}, random.Random(4))
    assert face is not None
    assert face.function.unit == "mS/cm"
    assert "HOLD" in face.flags
    assert face.places[0][1] in "56"
    assert bench.answer({"unit": "furlong"}, random.Random(4)) is None
