"""Reading: statuses and `?` as the contract has them, on a small map made by hand."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import numpy as np
import pytest

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.instrument import Instrument
from tapwright.core.mask import Mask, Settled, Step
from tapwright.core.reading import Status
from tapwright.core.reading_map import BitRef, DisplayMap, Integer, Lamp, Point, ReadingMap, Segments, Table, UnitSigns
from tapwright.mapping.apply import Decoder
from tapwright.mapping.rows import readings_csv

# From the common table (tests/golden/seven-segment.csv), a = bit 0.
SHAPE = {"0": 0x3F, "1": 0x06, "2": 0x5B, "6": 0x7D, "7": 0x07, "8": 0x7F, "L": 0x38, " ": 0x00}


def place(byte: int) -> tuple[Lamp, ...]:
    return tuple(Lamp((BitRef(byte, i),)) for i in range(7))


def meter(**changes: object) -> ReadingMap:
    """Two places in bytes 0 and 1, minus 0.7, point 1.7, kilo 2.0, ohm 2.1, HOLD inverted 2.2; 2.7 watched."""
    parts: dict[str, object] = {
        "displays": (DisplayMap(digits=Segments((place(0), place(1))), minus=Lamp((BitRef(0, 7),)), width=2,
                                point=Point(lamps={1: Lamp((BitRef(1, 7),))})),),
        "units": (UnitSigns({"k": Lamp((BitRef(2, 0),))}, {"Ω": Lamp((BitRef(2, 1),))}),),
        "flags": {"HOLD": Lamp((BitRef(2, 2, True),))}, "watch": (BitRef(2, 7),), "lengths": (3,)}
    return ReadingMap(**(parts | changes))  # type: ignore[arg-type]


def frame(text: str, *, minus: bool = False, point: bool = False, last: int = 0b0000_0111) -> bytes:
    return bytes([SHAPE[text[0]] | minus << 7, SHAPE[text[1]] | point << 7, last])


def one(reading_map: ReadingMap, raw: bytes) -> tuple[str, str, str, str]:
    reading = Decoder(Instrument(name="", reading_map=reading_map)).read_one(raw, 0.0, 0)
    return reading.display, reading.unit, reading.flags, str(reading.status)


def test_a_settled_frame_is_read() -> None:
    assert one(meter(), frame("68", minus=True, point=True)) == ("-6.8", "kΩ", "", "ok")
    assert one(meter(), frame("68", last=0b011)) == ("68", "kΩ", "HOLD", "ok")


def test_overload_and_blank_keep_unit_and_flags() -> None:
    assert one(meter(), frame("0L", last=0b010)) == ("OL", "Ω", "HOLD", "overload")
    assert one(meter(), frame("0L", minus=True, point=False)) == ("-OL", "kΩ", "", "overload")
    assert one(meter(), frame("  ")) == ("", "kΩ", "", "blank")


def test_a_bit_never_seen_to_change_makes_unit_and_flags_uncertain() -> None:
    assert one(meter(), frame("68", last=0b1000_0111)) == ("68", "?", "?", "unproven")
    assert one(meter(), frame("68", last=0b1000_0011)) == ("68", "?", "HOLD ?", "unproven")


def test_an_unknown_sign_is_a_leading_mark_once_a_watched_bit_moved() -> None:
    never = meter(displays=(DisplayMap(digits=Segments((place(0), place(1))), minus=Lamp(), width=2),))
    assert one(never, frame("68")) == ("68", "kΩ", "", "ok")
    assert one(never, frame("68", last=0b1000_0111))[0] == "?68"


def test_an_unknown_point_hides_the_display() -> None:
    open_point = meter(displays=(DisplayMap(digits=Segments((place(0), place(1))), width=2,
                                            point=Point(lamps={1: Lamp((BitRef(1, 7), BitRef(2, 6)))})),))
    assert one(open_point, frame("68", point=True))[::3] == ("?", "unproven")
    assert one(open_point, frame("68", point=True, last=0b0100_0111))[::3] == ("6.8", "ok")


def test_a_digit_shape_is_certain_only_when_no_other_is_left() -> None:
    first = list(place(0))
    first[5] = Lamp((BitRef(0, 5), BitRef(2, 6)))  # segment f: two bits left
    loose = meter(displays=(DisplayMap(digits=Segments((tuple(first), place(1))), width=2),))
    assert one(loose, frame("68"))[0] == "?8"
    assert one(loose, frame("68", last=0b0100_0111))[::3] == ("68", "ok")
    # A 7 with and without its upper left bar is a 7 either way.
    assert one(loose, frame("78", last=0b0100_0111))[::3] == ("78", "ok")


def test_alternatives_that_differ_give_a_mark_where_they_differ() -> None:
    two = meter(displays=(DisplayMap(digits=Segments((place(0), place(1))), width=2),
                          DisplayMap(digits=Segments((place(0), place(3))), width=2)), lengths=())
    assert one(two, frame("68") + bytes([SHAPE["2"]]))[::3] == ("6?", "unproven")
    assert one(two, frame("68") + bytes([SHAPE["8"]]))[::3] == ("68", "ok")


def test_a_length_never_seen_is_not_read() -> None:
    assert one(meter(), frame("68") + b"\0") == ("?", "?", "?", "unproven")


def test_a_new_place_value_of_a_number_is_not_covered() -> None:
    number = Integer(tuple(BitRef(0, i) for i in range(8)), fixed=(BitRef(0, 6), BitRef(0, 7)))
    map_ = ReadingMap(displays=(DisplayMap(digits=number, width=3, zeros=("suppressed",)),),
                      units=(Table((), {0: "V"}),))
    assert one(map_, bytes([63]))[::3] == ("63", "ok")
    assert one(map_, bytes([64]))[::3] == ("?", "unproven")


def test_checks_breaks_and_masks() -> None:
    layout = FrameLayout(length="fixed", n_bytes=4, checks=(Check(kind="sum8", first=0, last=2, at=3),))
    raw = frame("68")
    good = raw + bytes([sum(raw) & 0xFF])
    key = Mask(steps=(Step(kind="xor", key=(0x5A,)),))
    masked = bytes(b ^ 0x5A for b in good)
    decoder = Decoder(Instrument(name="", reading_map=meter(), layout=layout, mask=key))
    frames = Frames.of([masked, masked[:3] + b"\0", masked], [0.0, 1.0, 2.0])
    frames = Frames(frames.t_s, frames.data, frames.offsets, np.array([False, False, True]))
    assert [reading.status for reading in decoder.read(frames)] == [Status.OK, Status.BAD_CHECK, Status.BROKEN]
    part = Mask(steps=key.steps, settled=(Settled(1, bytes([1])),))
    unsettled = Decoder(Instrument(name="", reading_map=meter(), layout=layout, mask=part))
    assert next(iter(unsettled.read(frames))).status is Status.UNPROVEN


def test_rows_of_the_table() -> None:
    decoder = Decoder(Instrument(name="", reading_map=meter()))
    readings = decoder.read(Frames.of([frame("68", point=True), frame("  "), frame("0L")], [0.25, 1.0, 2.5]))
    rows = list(csv.DictReader(io.StringIO(readings_csv(readings))))
    assert [row["t_s"] for row in rows] == ["0.25", "1", "2.5"]
    assert [row["value"] for row in rows] == ["6.8", "", ""]
    assert [row["status"] for row in rows] == ["ok", "blank", "overload"]
    assert next(iter(readings)).value == Decimal("6.8")


@pytest.mark.parametrize("seed", range(3))
def test_arrays_and_single_frames_agree(seed: int) -> None:
    """Random bytes, also beyond anything seen: the array path gives what one frame at a time gives."""
    rng = np.random.default_rng(seed)
    rows = [rng.integers(0, 256, int(rng.integers(1, 6)), np.uint8).tobytes() for _ in range(120)]
    decoder = Decoder(Instrument(name="", reading_map=meter()))
    alone = [decoder.read_one(row, float(i), i) for i, row in enumerate(rows)]
    assert list(decoder.read(Frames.of(rows, [float(i) for i in range(len(rows))]))) == alone
