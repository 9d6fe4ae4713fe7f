"""Framing and checks found from bytes alone, against truths made without the solver."""

from __future__ import annotations

import csv
import random
import re
import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import anycrc
import numpy as np
import pytest
from crccheck.crc import Crc
from pymodbus.framer.rtu import FramerRTU
from pynmea2 import NMEASentence
from tests.frames.blind import Truth, draw, stream

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.line import LineBytes
from tapwright.draw.svg import INK
from tapwright.frames.apply import check_ok
from tapwright.frames.draw import raster
from tapwright.frames.find import FramesReport, find_frames
from tapwright.frames.report import types_of

GOLDEN = Path(__file__).parents[1] / "golden"
ONE_BYTE = ("sum8", "xor8", "negated sum8", "crc8")


def on_line(frames: list[bytes], *, gaps: bool, seed: int = 1, mid: bool = False) -> LineBytes:
    """Put frames on a line."""
    return stream(Truth(seed=seed, length="", frames=frames, check=None), seed, gaps=gaps, mid=mid)


def is_framed(report: FramesReport, truth: Truth) -> bool:
    """Say whether length, places and every undamaged frame are as made."""
    layout = report.layout
    if layout is None:
        return False
    kind = "fixed" if len({len(frame) for frame in truth.frames}) == 1 else truth.length
    if kind == "gap" and layout.length == "delimited" and truth.end == b"\r\n":
        kind = "delimited"  # both are true of such frames
    good = [frame for i, frame in enumerate(truth.frames) if i not in truth.damaged]
    found = set(report.whole)
    return (layout.length == kind and (kind != "fixed" or layout.n_bytes == truth.n_bytes)
            and (kind != "field" or (layout.field_at, layout.field_add) == (truth.field_at, truth.field_add))
            and sum(frame not in found for frame in good) <= 0.02 * len(good))


def assert_holds_on_unseen(report: FramesReport, truth: Truth) -> None:
    """A claimed check holds on 200 frames never seen."""
    assert callable(truth.make)
    unseen = Frames.of([truth.make() for _ in range(200)], [0.0] * 200)
    for one in report.checks:
        assert check_ok(unseen, FrameLayout(length="gap", checks=(one.check,))).all(), (truth.check, one.check)


@pytest.mark.slow
def test_blind_streams() -> None:
    """Frames of 5 to 64 bytes of every kind: framing exact in 98 %, every claimed check valid on unseen frames."""
    framed = claimed = settled = n_checks = 0
    seeds = range(20_000, 20_020)
    for seed in seeds:
        truth = draw(seed)
        report = find_frames(stream(truth, seed, gaps=seed % 2 == 0 or truth.length == "gap"))
        if not is_framed(report, truth):
            continue
        framed += 1
        if truth.check is None:
            assert not report.checks
            continue
        n_checks += 1
        assert_holds_on_unseen(report, truth)
        claimed += bool(report.checks)
        if report.checks:
            wanted = dict(truth.check)
            if wanted["kind"] in ONE_BYTE:
                wanted["order"] = "big"
            if report.layout is not None and report.layout.length == "fixed":
                for key in ("at", "last"):
                    wanted[key] = int(str(wanted[key])) % truth.n_bytes
            known = [report.checks[0].check, *report.checks[0].same_as]
            settled += Check(**wanted) in known  # type: ignore[arg-type]
    assert framed >= 0.98 * len(seeds) - 1  # of 20, one miss is within the 2 % at this size
    assert claimed >= 0.93 * n_checks  # a span with one changing byte settles no sum, whatever the number of frames
    assert settled >= 0.85 * n_checks  # random start and final values of one length are no finite list


@pytest.mark.slow
def test_damaged_streams() -> None:
    """One frame in 25 damaged or short of a byte, the recording begun in mid-frame: still framed, still valid."""
    framed = 0
    seeds = range(30_000, 30_020)
    for seed in seeds:
        truth = draw(seed, with_check=True)
        gaps = seed % 2 == 0 or truth.length == "gap"
        # Back to back and begun within a frame, nothing tells an end byte EE from one more start byte.
        mid = gaps or truth.end != b"\xee"
        report = find_frames(stream(truth, seed, gaps=gaps, damage=0.04, mid=mid))
        if is_framed(report, truth):
            framed += 1
            assert_holds_on_unseen(report, truth)
    assert framed >= 0.98 * len(seeds) - 1  # of 20, one miss is within the 2 % at this size


@pytest.mark.slow
def test_no_check_is_claimed_where_there_is_none() -> None:
    """Frames without a check, several kinds of contents: nothing is claimed."""
    for seed in range(40_000, 40_008):
        truth = draw(seed, with_check=False)
        report = find_frames(Frames.of(truth.frames, [0.3 * i for i in range(len(truth.frames))]))
        assert report.checks == (), (seed, report.checks[0].check)


@pytest.mark.slow
@pytest.mark.parametrize("varying", [False, True])
def test_every_published_crc_is_recovered(varying: bool) -> None:
    """Every row of tests/golden/crc.csv of width 8, 16, 32, on frames made by crccheck or anycrc in turn."""
    n = 0
    with (GOLDEN / "crc.csv").open(newline="") as file:
        for i, row in enumerate(csv.DictReader(file)):
            width = int(row["width"])
            if width not in (8, 16, 32):
                continue
            poly, init, xorout = (int(row[key], 16) for key in ("poly", "init", "xorout"))
            refin, refout = row["refin"] == "true", row["refout"] == "true"
            fast = anycrc.CRC(width, poly, init, refin, refout, xorout)
            slow = Crc(width, poly, initvalue=init, reflect_input=refin, reflect_output=refout, xor_output=xorout)
            assert fast.calc(b"123456789") == int(row["check_123456789"], 16)
            rng, rows = random.Random(row["name"]), []
            order = "little" if i % 2 else "big"
            for _ in range(60):
                body = b"\x5a" + rng.randbytes(rng.randint(6, 14) if varying else 10)
                value = fast.calc(body) if i % 3 else slow.reset().process(body).final()
                rows.append(body + int(value).to_bytes(width // 8, "little" if order == "little" else "big"))
            report = find_frames(Frames.of(rows, [0.3 * k for k in range(60)]))
            check = report.checks[0].check
            assert (check.poly, check.init, check.refin, check.refout, check.xorout) == (
                poly, init, refin, refout, xorout), row["name"]
            assert (check.first, check.order) == (0, order if width > 8 else "big"), row["name"]
            if varying and (poly.bit_count() + 1) % 2:
                # Two lengths settle the start value unless x + 1 divides the polynomial (an even number of terms),
                # since x**8a = x**8b modulo x + 1: what stays open is whether the constant 5A is in the span.
                assert all(other.first != 0 for other in report.checks[0].same_as), row["name"]
            n += 1
    assert n == 45


def nmea(sentence: str) -> bytes:
    """Return a sentence with its check as pynmea2 computes it."""
    return f"${sentence}*{NMEASentence.checksum(sentence):02X}\r\n".encode()


@pytest.mark.slow
@pytest.mark.parametrize("gaps", [True, False])
def test_nmea_lines(gaps: bool) -> None:
    """NMEA 0183 sentences of two kinds: lines, and the exclusive or between $ and * as hex digits (pynmea2)."""
    rng = random.Random(3)
    lines = [nmea(f"WIMWV,{rng.uniform(0, 359.9):.1f},R,{rng.uniform(0, 30):.1f},K,A") if rng.random() < 0.5 else
             nmea(f"GPGLL,{rng.uniform(0, 9999):07.2f},N,{rng.uniform(0, 9999):07.2f},W,225444,A") for _ in range(70)]
    report = find_frames(on_line(lines, gaps=gaps))
    assert list(report.whole) == lines
    assert report.layout is not None
    assert (report.layout.length, report.layout.end, report.layout.start) == ("delimited", b"\r\n", b"$")
    assert [one.check for one in report.checks] == [Check(kind="xor8", first=1, last=-6, at=-4, encoding="hex")]


@pytest.mark.slow
@pytest.mark.parametrize("gaps", [True, False])
def test_modbus_rtu(gaps: bool) -> None:
    """Modbus RTU replies of four lengths: length byte and CRC, as pymodbus computes it (bytes as sent)."""
    rng = random.Random(5)
    frames = []
    for _ in range(80):
        n = rng.choice([2, 4, 6, 8])
        body = bytes([0x11, 3, n]) + rng.randbytes(n)
        frames.append(body + FramerRTU.compute_CRC(body).to_bytes(2, "big"))
    report = find_frames(on_line(frames, gaps=gaps))
    assert list(report.whole) == frames
    assert report.layout is not None
    assert (report.layout.length, report.layout.field_at, report.layout.field_add) == ("field", 2, 5)
    assert report.checks[0].check == Check(kind="crc16", poly=0x8005, init=0xFFFF, refin=True, refout=True, first=0,
                                           last=-3, at=-2, order="little")


@pytest.mark.slow
def test_modbus_ascii() -> None:
    """Modbus ASCII: the LRC over the bytes that the digits spell (Modbus over Serial Line V1.02, 2.5.2.2)."""
    rng = random.Random(7)
    lines = []
    for _ in range(60):
        body = bytes([0x11, 3]) + rng.randbytes(rng.choice([3, 4, 6]))
        lines.append(b":" + (body + bytes([-sum(body) & 0xFF])).hex().upper().encode() + b"\r\n")
    report = find_frames(on_line(lines, gaps=False))
    assert list(report.whole) == lines
    assert report.checks[0].check == Check(kind="lrc", first=1, last=-5, at=-4, encoding="hex")


@pytest.mark.slow
def test_iec_62056_21_blocks() -> None:
    """Data blocks STX ... ETX BCC: exclusive or from the byte behind STX to ETX (rule from memory, see golden)."""
    rng = random.Random(9)
    frames = []
    for _ in range(60):
        block = f"1.8.0({rng.randrange(10 ** 8):08d}*kWh)\r\n2.8.0({rng.uniform(0, 99):.2f})\r\n!\r\n".encode() + b"\x03"
        value = 0
        for byte in block:
            value ^= byte
        frames.append(b"\x02" + block + bytes([value]))
    report = find_frames(on_line(frames, gaps=True))
    assert list(report.whole) == frames
    wanted = Check(kind="xor8", first=1, last=-2, at=-1)
    assert wanted in (report.checks[0].check, *report.checks[0].same_as)


@pytest.mark.slow
@pytest.mark.parametrize("gaps", [True, False])
def test_kinds_of_frames_by_a_type_byte(gaps: bool) -> None:
    """Two kinds of frames of 9 and 14 bytes in one stream: every frame whole, one check for both."""
    rng = random.Random(11)
    frames = []
    for _ in range(100):
        body = b"\xaa\x01" + rng.randbytes(6) if rng.random() < 0.6 else b"\xaa\x02" + rng.randbytes(11)
        frames.append(body + bytes([sum(body) & 0xFF]))
    report = find_frames(on_line(frames, gaps=gaps))
    assert list(report.whole) == frames
    assert report.checks[0].check == Check(kind="sum8", first=0, last=-2, at=-1)
    types = report.document()["types"]
    assert isinstance(types, list)
    assert sorted(one["length"]["bytes"] for one in types) == [9, 14]


def test_counters_toggles_and_constants() -> None:
    """A counter with its step, an alternating byte and constants are named as such."""
    rng = random.Random(13)
    frames = [bytes([0x5A, 0xA5, (3 * i) & 0xFF, 0x40 if i % 2 else 0x00, rng.randrange(256), 0x07]) for i in range(90)]
    report = find_frames(on_line(frames, gaps=True))
    kinds = [column.document() for column in report.bytes_]
    assert [column["kind"] for column in kinds] == ["constant", "constant", "counter", "toggles", "varies", "constant"]
    assert (kinds[2]["step"], kinds[3]["values"], kinds[5]["hex"]) == (3, ["00", "40"], "07")
    assert report.checks == ()


@pytest.mark.parametrize(("copy", "name"), [
    (lambda b: b, "a byte repeated"), (lambda b: b ^ 0xFF, "its complement"), (lambda b: (b + 9) & 0xFF, "an offset"),
    (lambda b: (b << 3) & 0xFF, "a shift"), (lambda b: b ^ b >> 1, "a Gray code")])
def test_related_bytes_are_no_check(copy: object, name: str) -> None:
    """A byte that follows from one other byte is no check, however many frames agree."""
    assert callable(copy)
    rng = random.Random(17)
    frames = []
    for _ in range(150):
        body = bytes([0x5A, rng.randrange(256), rng.randrange(256)])
        frames.append(body + bytes([copy(body[1])]))
    assert find_frames(on_line(frames, gaps=True)).checks == (), name


def test_few_frames_claim_nothing() -> None:
    """With three frames a CRC-8 cannot be told from chance, and the report says so."""
    truth = draw(50_001, kind="crc8", length="fixed", with_check=True, usual=True)
    report = find_frames(Frames.of(truth.frames[:3], [0.0, 0.3, 0.6]))
    assert report.checks == ()
    assert any("too few" in reason for reason in report.evidence)


@pytest.mark.slow
def test_noise_is_refused() -> None:
    """A million bytes of noise give no frames, with and without random pauses."""
    rng = np.random.default_rng(19)
    data = rng.integers(0, 256, 1_000_000).astype(np.uint64)
    errors = np.zeros(len(data), np.uint8)
    even = LineBytes(channel="", t_s=np.arange(len(data)) * 1e-3, values=data, errors=errors, character_s=1e-3)
    uneven = replace(even, t_s=np.cumsum(1e-3 + rng.exponential(4e-3, len(data))))
    for rows in (even, uneven):
        report = find_frames(rows)
        assert report.layout is None or not report.checks


def test_words_of_a_clocked_line_are_bytes() -> None:
    """Words of 24 bits become three bytes each, high byte first."""
    words = np.array([0x5A0000 + 257 * i for i in range(40)], np.uint64)
    rows = LineBytes(channel="d", t_s=np.arange(40) * 0.1, values=words, errors=np.zeros(40, np.uint8), bits=24)
    report = find_frames(rows)
    assert list(report.whole)[1] == b"\x5a\x01\x01"


@pytest.mark.slow
def test_structured_contents_are_no_check() -> None:
    """Readings as instruments send them (values twice, doubled, negated, in BCD, as floats, extremes): no claim."""
    for seed in range(24):
        rng = random.Random(seed)
        parts = rng.sample(sorted(CONTENTS), rng.randint(2, 7))
        value, high, low, rows = rng.uniform(0, 9999), 0, 9999, []
        for i in range(80):
            value = min(max(value + rng.gauss(0, 50), 0), 9999)
            high, low = max(high, int(value)), min(low, int(value))
            rows.append(b"\xaa\x55" + b"".join(CONTENTS[part](int(value), high, low, i) for part in parts))
        report = find_frames(Frames.of(rows, [0.3 * i for i in range(80)]))
        assert report.checks == (), (seed, parts, report.checks[0].check)


CONTENTS: dict[str, Callable[[int, int, int, int], bytes]] = {
    "counter": lambda q, high, low, i: bytes([i & 0xFF]),
    "value": lambda q, high, low, i: struct.pack(">H", q),
    "value turned": lambda q, high, low, i: struct.pack("<H", q),
    "doubled": lambda q, high, low, i: struct.pack(">H", 2 * q),
    "float": lambda q, high, low, i: struct.pack("<f", q / 10),
    "bcd": lambda q, high, low, i: bytes.fromhex(f"{q:04d}"),
    "twice": lambda q, high, low, i: 2 * struct.pack(">H", q),
    "text": lambda q, high, low, i: f"{q / 10:6.1f}".encode(),
    "complement": lambda q, high, low, i: struct.pack(">H", q ^ 0xFFFF),
    "gray": lambda q, high, low, i: bytes([(q ^ q >> 1) & 0xFF]),
    "extremes": lambda q, high, low, i: struct.pack(">HH", low, high),
    "middle": lambda q, high, low, i: struct.pack(">H", (low + high) // 2),
    "spread": lambda q, high, low, i: struct.pack(">H", high - q),
    "clock": lambda q, high, low, i: struct.pack("<I", 1000 + 3 * i),
}


@pytest.mark.parametrize("gaps", [True, False])
@pytest.mark.parametrize("with_check", [True, False])
def test_a_mode_seldom_used_is_no_damage(gaps: bool, with_check: bool) -> None:
    """A byte behind the start that is another in one frame of 25 is not part of the start, and no frame is lost."""
    rng = random.Random(23)
    frames = []
    for i in range(200):
        body = b"\xaa\x55" + (b"\x07" if i % 25 == 9 else b"\x01") + rng.randbytes(6)
        frames.append(body + (bytes([sum(body) & 0xFF]) if with_check else b"\x33"))
    report = find_frames(on_line(frames, gaps=gaps))
    assert list(report.whole) == frames
    assert report.document()["start"] == "AA 55"
    assert bool(report.checks) is with_check


def test_lines_from_the_recording_s_first_byte_on() -> None:
    """Lines of text without a check: all are whole, also the first, and a first one begun in its middle is not."""
    rng = random.Random(29)
    lines = [b"DO=%.2f mg/L T=%.1f C\r\n" % (rng.uniform(0, 20), rng.uniform(0, 30)) for _ in range(60)]
    assert list(find_frames(on_line(lines, gaps=False)).whole) == lines
    assert list(find_frames(on_line([lines[0][5:], *lines[1:]], gaps=False)).whole) == lines[1:]


def test_an_order_that_no_frame_tells_is_not_claimed() -> None:
    """A high byte that stands still and equals the end byte makes either order fit: what is claimed holds later too."""
    rng = random.Random(31)

    def frame(least: int) -> bytes:
        body = b"\x55" + bytes(rng.randrange(least, 0x39) for _ in range(15))
        return body + struct.pack(">H", sum(body)) + b"\x03"
    report = find_frames(on_line([frame(0x2E) for _ in range(80)], gaps=True))
    later = [frame(0x20) for _ in range(40)]
    assert {row[16] for row in report.whole} == {3}
    assert {row[16] for row in later} != {3}
    for one in report.checks:
        assert check_ok(Frames.of(later, [0.0] * 40), FrameLayout(length="gap", checks=(one.check,))).all(), one.check


def test_kinds_of_one_length_are_counted_and_drawn_apart() -> None:
    """Kinds that differ in their type byte alone: each has its number, and what is constant within it is drawn pale."""
    rng = random.Random(37)
    frames = []
    for i in range(90):
        kind = i % 3
        size = (9, 9, 14)[kind]
        frames.append(b"\x5a\xa5" + bytes([0x11 << kind]) + rng.randbytes(size - 3 - 4) + bytes([0xF0 >> kind]) * 4)
    report = find_frames(on_line(frames, gaps=False))
    kinds = {(kind.n_bytes, kind.start.hex(), n) for kind, n in types_of(report)}
    assert kinds == {(9, "5aa511", 30), (9, "5aa522", 30), (14, "5aa544", 30)}
    dark, = re.findall(rf'd="([^"]*)"[^>]*fill="{re.escape(INK)}"', raster(report))
    # A picture of up to 16 bytes has cells of 8, bytes 3 apart, and begins at 64.
    columns = {int((float(x) - 64.0) // (8 * 8.0 + 3.0)) for x in re.findall(r"M([0-9.]+) ", dark)}
    assert columns == {3, 4, *range(5, 10)}
