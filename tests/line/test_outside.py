"""Lines as published standards and general libraries make them."""

from __future__ import annotations

import pynmea2
import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadHoldingRegistersResponse
from tests.line.wire import Wire

from tapwright.core.line import AsyncSettings
from tapwright.line.find import find_lines
from tapwright.line.report import ChannelReport


def settings(channel: ChannelReport) -> AsyncSettings:
    """Return the settings of a channel that must talk."""
    assert channel.settings is not None, channel
    return channel.settings


def modbus_frames(n: int) -> list[bytes]:
    """Requests and answers as pymodbus frames them, with their CRC."""
    framer = FramerRTU(DecodePDU(True))
    out = []
    for i in range(n):
        out.append(framer.buildFrame(ReadHoldingRegistersRequest(address=0x6B + i, count=3, dev_id=17)))
        out.append(framer.buildFrame(ReadHoldingRegistersResponse(registers=[555 + 37 * i, i, 100 * i], dev_id=17)))
    return out


@pytest.mark.parametrize("form", ["8E1", "8N2"])
def test_modbus_rtu(form: str) -> None:
    """8E1, and 8N2 where there is no parity (Modbus over Serial Line 2.5.1); frames by pymodbus, 3.5 characters apart."""
    frames = modbus_frames(8)
    wire = Wire(19200, 160_000)
    for frame in frames:
        wire.send(frame, form).idle(3.5 * 11)
    report = find_lines(wire.capture())
    assert settings(report.channels[0]).name == f"19200 {form}"
    assert bytes(report.rows()[0].values.astype("u1")) == b"".join(frames)


def test_nmea_0183() -> None:
    """4800 8N1 (NMEA 0183 2.1), sentences by pynmea2."""
    said = [pynmea2.GGA("GP", "GGA", (f"1235{i:02}", f"48{i:02}.038", "N", "01131.000", "E", "1", "08", "0.9", "545.4",
                                      "M", "46.9", "M", "", "")) for i in range(8)]
    text = "".join(f"{sentence}\r\n" for sentence in said).encode()
    wire = Wire(4800, 40_000).send(text)
    report = find_lines(wire.capture())
    assert settings(report.channels[0]).name == "4800 8N1"
    assert bytes(report.rows()[0].values.astype("u1")) == text
    assert pynmea2.parse(text.split(b"\r\n")[0].decode()).altitude == 545.4


def test_sdi_12() -> None:
    """1200 baud, 7E1, inverted levels, a break of 12 ms and a mark of 8.33 ms first (SDI-12 v1.4, 4.2 and 7)."""
    wire = Wire(1200, 12_000, inverted=True)
    for address in range(6):
        wire.put(0, 0.0125)
        wire.put(1, 0.0085)
        wire.send(f"{address}R0!".encode(), "7E1").put(1, 0.009)
        wire.send(f"{address}+3.14+{address}.718+1.414\r\n".encode(), "7E1").put(1, 0.03)
    channel = find_lines(wire.capture()).channels[0]
    assert settings(channel).name == "1200 7E1 inverted"
    assert (channel.breaks, channel.framing_errors, channel.parity_errors) == (6, 0, 0)


def test_midi() -> None:
    """31250 baud 8N1 (MIDI 1.0): note on and off, status bytes with bit 7 set."""
    notes = [byte for i in range(20) for byte in (0x90, 60 + i, 64, 0x80, 60 + i, 0)]
    wire = Wire(31250, 250_000)
    for i in range(0, len(notes), 3):
        wire.send(notes[i:i + 3]).idle(23)
    report = find_lines(wire.capture())
    assert settings(report.channels[0]).name == "31250 8N1"
    assert report.rows()[0].values.tolist() == notes


def test_dmx512() -> None:
    """250 kbaud 8N2 after a break of 92 us and a mark of 12 us (ANSI E1.11), start code 0 and 100 slots."""
    wire = Wire(250_000, 2_000_000)
    sent = []
    for i in range(4):
        wire.put(0, 92e-6)
        wire.put(1, 12e-6)
        slots = [0, *((7 * i + 31 * k) & 255 for k in range(100))]
        wire.send(slots, "8N2").idle(40)
        sent += slots
    report = find_lines(wire.capture())
    channel = report.channels[0]
    assert settings(channel).name == "250000 8N2"
    assert channel.breaks == 4
    assert report.rows()[0].values.tolist() == sent


@pytest.mark.parametrize(("baud", "form", "text"), [
    (300, "7E1", b"/?!\r\n/XYZ5 METER\r\n"),  # IEC 62056-21: opening at 300 baud 7E1
    (9600, "7E1", b"\x06050\r\n" * 4),
])
def test_iec_62056_21(baud: int, form: str, text: bytes) -> None:
    """Readout messages in 7E1; the bytes have no parity bit in them (check-values: `/?!` is AF 3F 21 with it)."""
    report = find_lines(Wire(baud, baud * 12).send(text, form).capture())
    channel = report.channels[0]
    forms = {settings(channel).name, *(other.name for other, _ in channel.alternatives)}
    assert f"{baud} {form}" in forms
    if settings(channel).name == f"{baud} {form}":
        assert bytes(report.rows()[0].values.astype("u1")) == text


