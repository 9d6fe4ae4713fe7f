"""Units as displays show them, against the SI's own tables."""

from __future__ import annotations

import csv
import unicodedata
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapwright.core import units

GOLDEN = Path(__file__).parents[1] / "golden"
bases = st.sampled_from(sorted(units.SCALED))
prefixes = st.sampled_from(sorted(units.PREFIXES))


def si_prefixes() -> list[dict[str, str]]:
    """Return the SI's 24 prefixes (SI Brochure, table 7, and the 27th CGPM, 2022)."""
    with (GOLDEN / "si-prefixes.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_prefixes_are_those_of_the_si() -> None:
    """Every prefix of a thousand, ronna to quecto too, with its power; nothing besides."""
    table = {row["symbol"]: int(row["exponent"]) for row in si_prefixes() if row["engineering"] == "yes"}
    assert {symbol: power for symbol, power in units.PREFIXES.items() if symbol} == table


@pytest.mark.parametrize(("text", "prefix", "base", "power"), [
    ("mV", "m", "V", -3), ("kΩ", "k", "Ω", 3), ("MΩ", "M", "Ω", 6), ("µA", "µ", "A", -6), ("nF", "n", "F", -9),
    ("mm", "m", "m", -3), ("m", "", "m", 0), ("min", "", "min", 0), ("mol", "", "mol", 0), ("mmol", "m", "mol", -3),
    ("cd", "", "cd", 0), ("cm", "c", "m", -2), ("hPa", "h", "Pa", 2), ("Pa", "", "Pa", 0), ("kPa", "k", "Pa", 3),
    ("dB", "", "dB", 0), ("dBm", "", "dBm", 0), ("h", "", "h", 0), ("T", "", "T", 0), ("mT", "m", "T", -3),
    ("Gy", "", "Gy", 0), ("mAh", "m", "Ah", -3), ("mS/cm", "m", "S/cm", -3), ("µS/cm", "µ", "S/cm", -6),
    ("mg/L", "m", "g/L", -3), ("ppm", "", "ppm", 0), ("pH", "", "pH", 0), ("°C", "", "°C", 0), ("%", "", "%", 0),
    ("mmHg", "", "mmHg", 0), ("NTU", "", "NTU", 0), ("RΩ", "R", "Ω", 27), ("qF", "q", "F", -30), ("", "", "", 0),
    ("blobs", "", "blobs", 0)])
def test_units_split_into_prefix_and_base(text: str, prefix: str, base: str, power: int) -> None:
    """SI Brochure tables 2, 4, 7, 8; per cent, pH, degrees and decibels take no prefix (5.4.7, common practice)."""
    unit = units.parse(text)
    assert (unit.prefix, unit.base, unit.power) == (prefix, base, power)


@pytest.mark.parametrize(("typed", "shown"), [
    ("\u2126", "Ω"), ("k\u2126", "kΩ"), ("\u212a", "K"), ("\u03bcA", "µA"), ("\u00b5A", "µA"), ("uA", "µA"),
    ("\u2103", "°C"), ("\u2109", "°F"), ("ºC", "°C"), ("ohm", "Ω"), ("kohm", "kΩ"), ("Kohms", "kΩ"), ("Mohm", "MΩ"),
    ("degC", "°C"), ("Celsius", "°C"), ("volts", "V"), (" mV ", "mV"), ("KHz", "kHz"), ("K", "K"), ("uS/cm", "µS/cm"),
    ("percent", "%"), ("mohm", "mΩ")])
def test_spellings_become_one(typed: str, shown: str) -> None:
    """Code points as in the Unicode data: U+2126, U+212A, U+00B5 and U+03BC, U+2103; kilo is the small k."""
    assert units.normal(typed) == shown


def test_the_spelling_chosen_is_stable_under_unicode_normal_form() -> None:
    """Ω is U+03A9, ° and C are two characters: NFC changes neither."""
    for text in (*units.SCALED, *units.PLAIN):
        assert unicodedata.normalize("NFC", text) == text


@given(st.one_of(st.text(max_size=8), st.text("uKkmMµΩohmsVAFL/°CdegTPG \u2126\u03bcº", max_size=7)))
def test_any_text_is_a_unit_of_its_own_at_worst(text: str) -> None:
    """Nothing raises; one spelling is final; the parts make the whole."""
    once = units.normal(text)
    assert units.normal(once) == once
    unit = units.parse(text)
    assert unit.prefix + unit.base == unit.text == once


@given(prefixes, bases)
def test_a_prefix_before_a_base_is_found_again(prefix: str, base: str) -> None:
    """Where the joined text is no unit of its own (`min`, `cd`)."""
    text = prefix + base
    unit = units.parse(text)
    if text in units.PLAIN or (prefix and text in units.SCALED):
        assert unit.prefix == ""
    else:
        assert (unit.prefix, unit.base) == (prefix, base)


@given(prefixes, prefixes, bases)
def test_scaling_there_and_back_is_nothing(one: str, two: str, base: str) -> None:
    """Powers are opposite, and chain through the base."""
    a, b = units.parse(one + base), units.parse(two + base)
    power = units.scale_power(a.text, b.text)
    back = units.scale_power(b.text, a.text)
    if a.base == b.base:
        assert power is not None
        assert power == -(back or 0)
        assert a.to_base(Decimal("1.23")) == b.to_base(Decimal("1.23").scaleb(power))
    else:
        assert power is back is None


def test_other_kinds_do_not_scale() -> None:
    """Volts to amps, °C to K, per cent to ppm: no power of ten leads there."""
    for a, b in (("V", "A"), ("°C", "K"), ("%", "ppm"), ("mg/L", "mV"), ("S/m", "S/cm"), ("", "V")):
        assert units.scale_power(a, b) is None
    assert units.scale_power("mg/l", "g/L") == -3
