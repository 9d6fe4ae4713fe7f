"""instrument.toml: round trip, hand edits stay, errors name key and line, any text is read or refused."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.errors import DescriptionError
from tapwright.core.frame import Check, FrameLayout
from tapwright.core.instrument import Instrument
from tapwright.core.line import AsyncSettings, ClockedSettings
from tapwright.core.mask import Mask, Step
from tapwright.core.reading_map import (
    BitRef,
    Codes,
    DisplayMap,
    Float,
    Integer,
    Lamp,
    Point,
    ReadingMap,
    Segments,
    Table,
    UnitSigns,
    field_from_text,
    field_text,
)
from tapwright.evidence.instrument_file import (
    instrument_from_text,
    instrument_text,
    load_instrument,
    write_instrument,
)
from tests.mapping.blind import FAMILIES, blind, everything, play
from tests.mapping.driver import layout_of, learned

bits = st.builds(BitRef, st.integers(0, 63), st.integers(0, 7), st.booleans())
fields = st.lists(bits, max_size=12, unique_by=lambda bit: (bit.byte, bit.bit)).map(tuple)
words = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=6)
lamps = st.one_of(st.builds(Lamp, bits=st.lists(bits, min_size=1, max_size=3, unique=True).map(tuple)),
                  st.builds(Lamp, rest=st.booleans()))
numbers = st.integers(0, 255)


@st.composite
def tables(draw: st.DrawFn, texts: st.SearchStrategy[str] = words) -> Table:
    chosen = draw(fields.filter(lambda field: len(field) >= 1))
    codes = draw(st.dictionaries(st.integers(0, 2 ** len(chosen) - 1), texts, max_size=4))
    return Table(chosen, dict(sorted(codes.items())), otherwise=draw(st.none() | texts))


digits = st.one_of(
    st.builds(Segments, st.lists(st.lists(lamps, min_size=7, max_size=7).map(tuple), min_size=1, max_size=4).map(tuple)),
    st.builds(Codes, st.just("table"), st.lists(tables(), min_size=1, max_size=3).map(tuple)),
    st.builds(Integer, fields.filter(bool), sign=st.sampled_from(("none", "twos complement")),
              offset=st.integers(-(2**40), 2**40), multiply=st.integers(1, 99), divide=st.integers(1, 99),
              decimals=st.none() | st.integers(0, 6), rounding=st.sampled_from(("nearest", "toward zero")), fixed=fields),
    st.builds(Float, st.just(tuple(BitRef(i // 8, i % 8, i % 3 == 0) for i in range(32))), scale=st.integers(-9, 9),
              scales=st.dictionaries(words, st.integers(-9, 9), max_size=2), no_number=st.sampled_from(("", "OL"))))
points = st.builds(Point, lamps=st.dictionaries(st.integers(1, 9), lamps, max_size=3),
                   tables=st.lists(tables(st.sampled_from("0123")), max_size=2).map(tuple))
displays = st.builds(DisplayMap, digits=digits, point=points, minus=st.none() | lamps, width=st.integers(1, 9),
                     zeros=st.sampled_from((("as sent",), ("shown", "bare"))),
                     states=st.lists(tables(), max_size=2).map(tuple))
units = st.one_of(tables(), st.builds(UnitSigns, st.dictionaries(words, lamps, max_size=2),
                                      st.dictionaries(words, lamps, min_size=1, max_size=2), st.booleans()))
maps = st.builds(ReadingMap, displays=st.lists(displays, min_size=1, max_size=2).map(tuple),
                 units=st.lists(units, max_size=2).map(tuple), flags=st.dictionaries(words, lamps | tables(st.sampled_from(("on", "off"))), max_size=3),
                 watch=fields, lengths=st.lists(st.integers(64, 99), max_size=2).map(tuple),
                 words=st.dictionaries(words, words, max_size=2))
layouts = st.builds(FrameLayout, length=st.just("fixed"), n_bytes=st.integers(1, 99), start=st.binary(max_size=3),
                    checks=st.lists(st.builds(Check, kind=st.just("crc16"), first=st.integers(-9, 9),
                                              last=st.integers(-9, 9), at=st.integers(-9, 9),
                                              poly=st.integers(0, 0xFFFF), refin=st.booleans()), max_size=2).map(tuple))
lines = st.one_of(st.none(), st.builds(AsyncSettings, baud=st.floats(1, 1e6), inverted=st.booleans()),
                  st.just(ClockedSettings(clock="c", data="d", edge="rising", bits_per_word=24)))
masks = st.none() | st.just(Mask(steps=(Step(kind="xor", key=(1, None, 255)),)))
instruments = st.builds(Instrument, name=words, reading_map=maps, line=lines, layout=st.none() | layouts, mask=masks,
                        channel=st.just("pad3"), offset_s=st.floats(-5, 5), learned_from=st.just(("ab" * 32,)))


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(instruments)
def test_written_and_read_again_it_is_the_same(instrument: Instrument) -> None:
    assert instrument_from_text(instrument_text(instrument), Path("x.toml")) == instrument


@given(fields)
def test_bits_as_text_and_back(field: tuple[BitRef, ...]) -> None:
    assert field_from_text(field_text(field)) == field


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        instrument_from_text("version = 1\n" + text, Path("x.toml"))
    except DescriptionError:
        pass


@pytest.fixture(scope="module")
def small() -> Instrument:
    place = tuple(Lamp((BitRef(1, i),), lit=3, dark=4) for i in range(7))
    display = DisplayMap(digits=Segments((place, place)), minus=Lamp((BitRef(2, 0), BitRef(2, 3, True))), width=2)
    return Instrument(name="water meter", reading_map=ReadingMap(
        displays=(display,), units=(Table((BitRef(0, 0),), {0: "mg/L", 1: "%"}, {0: 5, 1: 2}),),
        flags={"HOLD": Lamp((BitRef(0, 7),))}))


def test_hand_edits_keep_their_place(tmp_path: Path, small: Instrument) -> None:
    """Comments and order of an older file stay; what was learned anew is put in."""
    path = tmp_path / "instrument.toml"
    write_instrument(path, small)
    text = path.read_text(encoding="utf-8")
    assert "# 3 lit, 4 dark" in text
    assert "# 5 labels" in text
    edited = text.replace('name = "water meter"', 'name = "water meter"  # tank 3').replace(
        "[map.flags]", "# seen with the cover off\n[map.flags]").replace('HOLD = "0.7"', 'HOLD = "0.6"  # mended by hand')
    path.write_text(edited, encoding="utf-8")
    by_hand = load_instrument(path)
    assert by_hand.reading_map.flags["HOLD"] == Lamp((BitRef(0, 6),))
    write_instrument(path, by_hand)
    assert path.read_text(encoding="utf-8") == edited
    write_instrument(path, replace(by_hand, offset_s=1.5))
    again = path.read_text(encoding="utf-8")
    assert "# tank 3" in again
    assert "# seen with the cover off" in again
    assert "# mended by hand" in again
    assert load_instrument(path).offset_s == 1.5


@pytest.mark.parametrize(("old", "new", "message"), [
    ("version = 1", "version = 9", "line 4, key version: version 9; expected version = 1"),
    ('HOLD = "0.7"', 'HOLD = "0.9"', "key map.flags.HOLD: '0.9' is no bit address"),
    ('kind = "segments"', 'kind = "segmnts"', "key map.display.0.kind: 'segmnts'; expected one of segments, text"),
    ('a = "1.0"', 'x = "1.0"', "unknown key 'x'; expected one of a, b, c, d, e, f, g"),
    ("0x01 =", "0x05 =", "'0x05' is no code of 1 bits"),
    ("width = 2", "width = true", "key map.display.0.width: True; expected a whole number from 1 to 64"),
    ("offset_s = 0.0", 'offset_s = "soon"', "key offset_s: 'soon'; expected a number"),
])
def test_errors_name_key_and_line(small: Instrument, old: str, new: str, message: str) -> None:
    text = instrument_text(small)
    assert old in text
    with pytest.raises(DescriptionError, match=re.escape(message)) as caught:
        instrument_from_text(text.replace(old, new, 1), Path("x.toml"))
    assert caught.value.line is not None


def test_a_bit_behind_the_body_is_refused(small: Instrument) -> None:
    """It would read 0 for ever, and what it shows would be missed without a word."""
    known = replace(small, reading_map=replace(small.reading_map, lengths=(3,)))
    text = instrument_text(known)
    assert instrument_from_text(text, Path("x.toml")) == known
    with pytest.raises(DescriptionError, match=re.escape("map.flags.HOLD: 3.7 is behind the body's end; expected bytes 0 to 2")):
        instrument_from_text(text.replace('HOLD = "0.7"', 'HOLD = "3.7"'), Path("x.toml"))


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
def test_learned_maps_survive_the_file(family: str, tmp_path: Path) -> None:
    meter, rng = blind(5, family), random.Random(5)
    report = learned(meter, play(meter, everything(meter, rng)[:20], rng))
    assert report.reading_map is not None
    instrument = Instrument(name="x", reading_map=report.reading_map, layout=layout_of(meter))
    write_instrument(tmp_path / "i.toml", instrument)
    assert load_instrument(tmp_path / "i.toml") == instrument
