"""A proof finds the labels' clock, counts what is right, names what is wrong, and never counts its own homework."""

from __future__ import annotations

import random
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.errors import LabelError
from tapwright.core.job import Demands, Range
from tapwright.core.reading import Reading, Status
from tapwright.evidence.labels import Label
from tapwright.proof.coverage import cover, shows_function
from tapwright.proof.prove import prove

PERIOD_S = 0.3


def session(seed: int, n: int = 25) -> tuple[list[Reading], list[tuple[float, float, str]]]:
    """Readings of a display that steps through random numbers, and the stretches (start, end, display)."""
    rng = random.Random(seed)
    stretches, t = [], 0.0
    for _ in range(n):
        end = t + rng.uniform(1.6, 3.0)
        stretches.append((t, end, f"{rng.randrange(1000, 9999) / 100:.2f}"))
        t = end
    readings, at, i, seq = [], rng.uniform(0, PERIOD_S), 0, 0
    while at < t:
        while stretches[i][1] <= at:
            i += 1
        readings.append(Reading(t_s=at, display=stretches[i][2], value=Decimal(stretches[i][2]), unit="mg/L", flags="AUTO",
                                status=Status.OK, seq=seq))
        at += PERIOD_S
        seq += 1
    return readings, stretches


def labels_of(stretches: list[tuple[float, float, str]], offset_s: float, seed: int) -> tuple[Label, ...]:
    """Labels as a person writes them: up to 0.25 s off at both ends, on a clock of their own."""
    rng = random.Random(seed)
    return tuple(Label(row, "b.vcd", start + offset_s + rng.uniform(0, 0.25), end + offset_s - rng.uniform(0, 0.25), text,
                       "mg/L", ("AUTO",)) for row, (start, end, text) in enumerate(stretches, 1))


@given(offset_s=st.floats(-4.5, 4.5), seed=st.integers(0, 10**6))
@settings(max_examples=20, deadline=None)
def test_the_clock_offset_is_found_within_a_period_and_every_label_is_right(offset_s: float, seed: int) -> None:
    """Label time = capture time + offset, whatever the offset up to 5 s."""
    readings, stretches = session(seed)
    proof = prove({"b.vcd": readings}, labels_of(stretches, offset_s, seed), Demands(units=("mg/L",)))
    assert proof.verdict == "proven"
    assert proof.right == proof.labels == 25
    assert abs(proof.offset_s - offset_s) <= PERIOD_S + 0.25


def test_a_wrong_label_is_named_and_spoils_the_proof() -> None:
    """One digit misread: that row alone is wrong, with what the frames say."""
    readings, stretches = session(3)
    labels = list(labels_of(stretches, 1.0, 3))
    labels[7] = Label(8, "b.vcd", labels[7].start_s, labels[7].end_s, "11.11", "mg/L", ("AUTO",))
    proof = prove({"b.vcd": readings}, tuple(labels), Demands())
    assert proof.verdict == "contradicted"
    assert [(item.row, item.label, item.why) for item in proof.wrong] == [(8, "11.11 mg/L AUTO", "the display differs")]
    assert proof.wrong[0].read == f"{stretches[7][2]} mg/L AUTO"


@pytest.mark.parametrize(("unit", "flags", "why"), [("µg/L", ("AUTO",), "the unit differs"), ("mg/L", (), "the flags differ"),
                                                    ("g/L", ("AUTO", "HOLD"), "the unit and the flags differ")])
def test_a_wrong_prefix_or_flag_is_a_wrong_reading(unit: str, flags: tuple[str, ...], why: str) -> None:
    """The classic mistake: the number is right and its unit is not."""
    readings, stretches = session(5)
    labels = list(labels_of(stretches, 0.0, 5))
    labels[4] = Label(5, "b.vcd", labels[4].start_s, labels[4].end_s, labels[4].display, unit, flags)
    proof = prove({"b.vcd": readings}, tuple(labels), Demands())
    assert [item.why for item in proof.wrong] == [why]


def test_unproven_readings_prove_nothing() -> None:
    """A reading with open parts is not right even where the shown characters agree."""
    readings, stretches = session(8, n=6)
    doubtful = [Reading(t_s=r.t_s, display=r.display, value=None, unit=r.unit, flags="AUTO ?", status=Status.UNPROVEN,
                        seq=r.seq) for r in readings]
    proof = prove({"b.vcd": doubtful}, labels_of(stretches, 0.0, 8), Demands())
    assert (proof.verdict, proof.right) == ("contradicted", 0)


def test_captures_that_were_learned_from_do_not_count_unless_accepted() -> None:
    """All labels right, but on the very captures of learning: that is no proof."""
    readings, stretches = session(9, n=8)
    labels = labels_of(stretches, 0.0, 9)
    learned = frozenset({"b.vcd"})
    proof = prove({"b.vcd": readings}, labels, Demands(units=("mg/L",)), learned_from=learned)
    assert (proof.verdict, proof.also_learned_from) == ("not independent", ("b.vcd",))
    accepted = prove({"b.vcd": readings}, labels, Demands(units=("mg/L",)), learned_from=learned, accept_learned=True)
    assert accepted.verdict == "proven"


def test_what_the_job_demands_and_nobody_showed_is_never_seen() -> None:
    """Right labels alone are not enough: units, flags, ranges and shows that were never seen are listed."""
    readings, stretches = session(11, n=8)
    demands = Demands(functions=("dissolved oxygen", "temperature"), units=("mg/L", "°C"), flags=("AUTO", "HOLD"),
                      shows=("negative", "overload"), ranges=(Range(text="99.99", unit="mg/L"), Range(text="99.9", unit="°C")))
    proof = prove({"b.vcd": readings}, labels_of(stretches, 0.0, 11), demands)
    assert proof.verdict == "not all seen"
    document = proof.coverage.document()
    assert document["functions"] == {"seen": ["dissolved oxygen"], "never": ["temperature"]}
    assert document["units"] == {"seen": ["mg/L"], "never": ["°C"]}
    assert document["flags"] == {"seen": ["AUTO"], "never": ["HOLD"]}
    assert document["shows"] == {"seen": [], "never": ["negative", "overload"]}
    assert document["ranges"] == {"seen": ["99.99 mg/L"], "never": ["99.9 °C"]}


def test_a_label_of_a_capture_that_is_not_there_is_an_error() -> None:
    """The message names the row and the captures that are there."""
    label = Label(1, "gone.vcd", 0.0, 1.0, "1", "V", ())
    with pytest.raises(LabelError, match=r"^label row 1 names 'gone\.vcd', which is not among the captures; expected one of "
                                         r"b\.vcd\. Name that capture too\.$"):
        prove({"b.vcd": []}, (label,), Demands())


def test_digits_that_a_range_cannot_show_are_not_missed() -> None:
    """With 1999 as greatest reading the first place can only be 0 or 1 (arithmetic)."""
    labels = [Label(1, "b", 0, 1, "1999", "µS/cm", ()), Label(2, "b", 1, 2, "804", "µS/cm", ())]
    digits = cover(labels, Demands(ranges=(Range(text="1999", unit="µS/cm"),))).digits
    assert digits["1"].seen == ("1",)
    assert digits["1"].never == ("0",)
    assert digits["2"].never == tuple("01234567")


@pytest.mark.parametrize(("name", "unit", "flags", "shown"), [
    ("conductivity", "mS/cm", (), True), ("DC voltage", "mV", ("DC",), True), ("DC voltage", "mV", ("AC",), False),
    ("resistance", "kΩ", (), True), ("temperature", "%", (), False), ("frequency", "kHz", (), True), ("pH", "pH", (), True),
])
def test_a_dial_position_is_told_by_unit_and_flags(name: str, unit: str, flags: tuple[str, ...], shown: bool) -> None:
    """Quantities and their SI units: SI Brochure, 9th edition, tables 2 and 4."""
    assert shows_function(Label(1, "b", 0, 1, "1", unit, flags), name) is shown
