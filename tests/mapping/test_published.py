"""Published formats as displays: segment codes, Modbus registers, NMEA fields, the health thermometer's FLOAT."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import pynmea2
import pytest
from pymodbus.framer.rtu import FramerRTU

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.instrument import Instrument
from tapwright.core.reading_map import GLYPH_VARIANTS, GLYPHS
from tapwright.evidence.labels import Label
from tapwright.mapping.apply import Decoder
from tapwright.mapping.find import learn

GOLDEN = Path(__file__).parents[1] / "golden"


def test_segment_codes_are_those_of_the_tables() -> None:
    """tests/golden/seven-segment.csv: decoder truth tables; variants of 1, 6, 7 and 9."""
    with (GOLDEN / "seven-segment.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            glyph, mask = row["glyph"].replace("blank", " "), int(row["mask_a_is_bit0"], 16)
            if row["variant"] == "standard":
                assert GLYPHS[glyph] == mask
            elif glyph in GLYPH_VARIANTS:
                assert mask in GLYPH_VARIANTS[glyph]


def shown(frames: list[list[bytes]], texts: list[str], unit: str) -> tuple[Frames, tuple[Label, ...]]:
    """Return frames every quarter of a second and a label for each two seconds of them."""
    times = [2.0 * i + 0.25 * k for i, part in enumerate(frames) for k in range(len(part))]
    labels = tuple(Label(i + 1, "a", 2.0 * i, 2.0 * i + 2.0, text, unit, ()) for i, text in enumerate(texts))
    return Frames.of([frame for part in frames for frame in part], times), labels


@pytest.mark.slow
def test_modbus_registers() -> None:
    """Two registers of an RTU answer (frame and CRC by pymodbus) as a signed number of tenths."""
    rng = random.Random(2)

    def frame(tenths: int) -> bytes:
        pdu = bytes([0x11, 0x03, 0x04]) + (tenths & 0xFFFF).to_bytes(2, "big") + b"\x00\x2A"
        return pdu + FramerRTU.compute_CRC(pdu).to_bytes(2, "big")

    values = [rng.randint(-500, 9999) for _ in range(24)] + [9999, -1, 4096]
    layout = FrameLayout(length="fixed", n_bytes=9, checks=(
        Check(kind="crc16", first=0, last=6, at=7, order="little", poly=0x8005, init=0xFFFF, refin=True, refout=True),))
    frames, labels = shown([[frame(v)] * 8 for v in values], [f"{v / 10:.1f}" for v in values], "°C")
    report = learn({"a": frames}, labels, layout=layout)
    assert report.reading_map is not None
    assert report.reading_map.kind == "integer"
    decoder = Decoder(Instrument(name="", reading_map=report.reading_map, layout=layout))
    for value in (*range(-500, 9999, 373), 0, 8191):
        reading = decoder.read_one(frame(value), 0.0, 0)
        assert (reading.display, str(reading.status)) == (f"{value / 10:.1f}", "ok")
    assert decoder.read_one(frame(7)[:-1] + b"\0", 0.0, 0).status == "bad check"


@pytest.mark.slow
def test_nmea_fields() -> None:
    """The altitude of a GGA sentence (by pynmea2), whose field has no fixed place."""
    rng = random.Random(1)

    def sentence(altitude: str, hdop: str) -> bytes:
        fields = ("123519", "4807.038", "N", "01131.000", "E", "1", "08", hdop, altitude, "M", "46.9", "M", "", "")
        return f"{pynmea2.GGA('GP', 'GGA', fields)}\r\n".encode()

    texts = [f"{rng.uniform(0, 999):.1f}" for _ in range(14)]
    layout = FrameLayout(length="delimited", end=b"\r\n", checks=(
        Check(kind="xor8", first=1, last=-6, at=-4, encoding="hex"),))
    frames, labels = shown([[sentence(text, f"{rng.uniform(0.5, 3):.1f}") for _ in range(8)] for text in texts], texts, "m")
    report = learn({"a": frames}, labels, layout=layout)
    assert report.reading_map is not None
    decoder = Decoder(Instrument(name="", reading_map=report.reading_map, layout=layout))
    for altitude in ("545.4", "7.3", "99.9"):
        reading = decoder.read_one(sentence(altitude, "0.9"), 0.0, 0)
        assert (reading.display, reading.unit, str(reading.status)) == (altitude, "m", "ok")
    # A field longer than any seen is cut by the map and so not believed.
    assert str(decoder.read_one(sentence("12545.4", "0.9"), 0.0, 0).status) == "unproven"


@pytest.mark.slow
def test_health_thermometer_float() -> None:
    """IEEE 11073-20601 FLOAT: 24-bit mantissa, 8-bit exponent, little-endian (Bluetooth Health Thermometer, flags first).

    From memory of the published format: 36.4 °C is 6C 01 00 FF.
    """
    rng = random.Random(3)

    def frame(mantissa: int, exponent: int) -> bytes:
        return bytes([0]) + (mantissa & 0xFFFFFF).to_bytes(3, "little") + (exponent & 0xFF).to_bytes(1, "little")

    assert frame(364, -1) == bytes.fromhex("00 6C 01 00 FF")
    values = [(rng.randint(-50, 999), -1) for _ in range(22)] + [(rng.randint(1000, 9999), -2) for _ in range(10)]
    values += [(511, -1), (9999, -2), (8191, -2), (-1, -1)]
    rng.shuffle(values)

    def text(mantissa: int, exponent: int) -> str:
        return f"{mantissa * 10.0 ** exponent:.{-exponent}f}"

    layout = FrameLayout(length="fixed", n_bytes=5)
    frames, labels = shown([[frame(*value)] * 8 for value in values], [text(*value) for value in values], "°C")
    report = learn({"a": frames}, labels, layout=layout)
    assert report.reading_map is not None
    assert report.reading_map.kind == "integer"
    decoder = Decoder(Instrument(name="", reading_map=report.reading_map, layout=layout))
    for value in ((364, -1), (-40, -1), (3712, -2), (1023, -2)):
        reading = decoder.read_one(frame(*value), 0.0, 0)
        assert (reading.display, str(reading.status)) == (text(*value), "ok")
    # An exponent that no label showed is not guessed at.
    assert str(decoder.read_one(frame(37, 0), 0.0, 0).status) == "unproven"
