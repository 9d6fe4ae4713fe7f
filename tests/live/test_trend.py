"""The trend keeps extremes in bounded memory; figures, settled readings and preferred values."""

from __future__ import annotations

import csv
import math
import statistics
from decimal import Decimal
from pathlib import Path

import eseries
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.reading import Reading, Status
from tapwright.live.figures import Statistics
from tapwright.live.moment import Moment, Session
from tapwright.live.preferred import E24, E96, nearest, nearest_shown
from tapwright.live.settled import Settling
from tapwright.live.trend import LEVELS, Trend

SESSION = Session(ident="s", instrument="pond", started=0.0, mono_s=0.0)
GOLDEN = Path(__file__).parents[1] / "golden"


def moment(t: float, text: str, *, unit: str = "mg/L", status: Status = Status.OK, gap_s: float | None = None) -> Moment:
    reading = Reading(t_s=t, display=text, value=Decimal(text) if status is Status.OK else None, unit=unit, flags="",
                      status=status, seq=round(t * 10))
    return Moment(reading=reading, session=SESSION, t=t, mono_s=t, gap_s=gap_s)


@pytest.mark.slow
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=300), st.integers(2, 50))
@settings(max_examples=25, deadline=None)
def test_thinning_keeps_smallest_and_greatest_and_every_unit_apart(values: list[float], points: int) -> None:
    """Whatever is drawn holds the extremes of what was read, as numpy finds them."""
    trend = Trend()
    for i, value in enumerate(values):
        trend.add(i * 0.1, value, "V" if i < len(values) // 2 else "mV")
    segments = trend.segments(0, len(values) * 0.1, points)
    for unit, part in (("V", values[:len(values) // 2]), ("mV", values[len(values) // 2:])):
        drawn = [point for segment in segments if segment["unit"] == unit for point in segment["points"]]
        assert bool(drawn) == bool(part)
        if part:
            assert min(p[1] for p in drawn) == np.min(part)
            assert max(p[2] for p in drawn) == np.max(part)
    assert sum(len(segment["points"]) for segment in segments) <= points + 2 * len(segments)


def test_a_gap_begins_a_new_segment() -> None:
    """Nothing is drawn across time without readings."""
    trend = Trend()
    for t in (0.0, 0.1, 5.0, 5.1):
        if t == 5.0:
            trend.gap()
        trend.add(t, t, "V")
    assert [len(s["points"]) for s in trend.segments(0, 6, 1000)] == [2, 2]


@pytest.mark.slow
def test_a_day_stays_in_bounds_and_keeps_a_spike_of_one_reading() -> None:
    """A day at one a second (the benchmark has ten): every level within its bound, a single spike still drawn."""
    trend = Trend()
    for i in range(86_400):
        trend.add(float(i), 99.0 if i == 432 else 6.8 + 0.01 * math.sin(i / 500), "mg/L")
    assert all(len(held) <= level.most for held, level in zip(trend.held, LEVELS, strict=True))
    segments = trend.segments(0, 86_400, 800)
    points = [point for segment in segments for point in segment["points"]]
    assert len(points) <= 900
    assert max(point[2] for point in points) == 99.0
    assert points[0][0] < 121
    assert points[-1][0] > 86_200


@pytest.mark.slow
@given(st.lists(st.decimals(-1000, 1000, places=2), min_size=2, max_size=200))
@settings(max_examples=12, deadline=None)
def test_figures_agree_with_the_standard_library(values: list[Decimal]) -> None:
    """Mean and sample deviation by Welford's running method against `statistics` on all values."""
    figures = Statistics(0.0)
    for i, value in enumerate(values):
        figures.add(moment(i, str(value)))
    row = figures.document()["units"]["mg/L"]
    floats = [float(value) for value in values]
    assert row["n"] == len(values)
    assert (row["min"], row["max"]) == (min(floats), max(floats))
    assert row["mean"] == pytest.approx(statistics.fmean(floats), abs=1e-9)
    assert row["sd"] == pytest.approx(statistics.stdev(floats), rel=1e-9, abs=1e-9)


def test_only_ok_readings_have_figures() -> None:
    """An unproven number is counted, never averaged."""
    figures = Statistics(0.0)
    figures.add(moment(0, "1.0"))
    figures.add(moment(1, "9?", status=Status.UNPROVEN))
    assert figures.document()["units"]["mg/L"]["n"] == 1
    assert figures.document()["by_status"]["unproven"] == 1


def test_a_reading_settles_after_a_second_and_a_half_and_gives_one_row() -> None:
    """Ten a second: moving, then still, then moving and still again: two rows."""
    settling = Settling()
    rows = []
    texts = [f"{5 + 0.1 * i:.2f}" for i in range(20)] + ["7.01", "7.02"] * 20 + ["9.50"] * 30
    for i, text in enumerate(texts):
        row = settling.add(moment(i * 0.1, text, unit="kΩ"))
        if row is not None:
            rows.append((i, row))
    assert len(rows) == 2
    assert 20 + 14 <= rows[0][0] <= 20 + 17
    first, second = (row.document() for _, row in rows)
    assert first["n"] == 40
    assert first["spread"] == pytest.approx(0.01)
    assert second["value"] == 9.5
    assert second["preferred"]["value"] == 9530  # E24 has nothing within 1 %


def test_nothing_settles_on_readings_that_are_not_ok() -> None:
    """A still display of unproven rows is no settled reading."""
    settling = Settling()
    assert not any(settling.add(moment(i * 0.1, "5.00", status=Status.UNPROVEN)) for i in range(60))


@pytest.mark.slow
@given(st.floats(0.02, 9e7))
@settings(max_examples=40, deadline=None)
def test_preferred_values_agree_with_a_general_library(ohms: float) -> None:
    """The value named is the nearest of its series (ratio) by the eseries package; coarser series were too far off."""
    found = nearest(ohms)
    assert found is not None
    key = getattr(eseries, found.series)
    below, above = eseries.find_less_than_or_equal(key, ohms), eseries.find_greater_than_or_equal(key, ohms)
    expected = min((v for v in (below, above) if v), key=lambda v: abs(math.log(v / ohms)))
    assert found.value == pytest.approx(expected, rel=1e-9)
    assert found.deviation_percent == pytest.approx(100 * (ohms - expected) / expected, abs=0.001)


def test_e24_and_e96_are_those_of_iec_60063() -> None:
    """E24 as in the standard's table (check-values J); E96 as the eseries package has it (rounded powers)."""
    assert E24 == (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
    assert [v / 100 for v in E96] == pytest.approx(list(eseries.series(eseries.E96)) if max(
        eseries.series(eseries.E96)) < 11 else [v / 100 for v in eseries.series(eseries.E96)])


def test_preferred_values_are_for_ohms_alone() -> None:
    """47 kΩ is near a part; 47 mV is not."""
    found = nearest_shown(47.3, "kΩ")
    assert found is not None
    assert (found.text, found.series) == ("47 kΩ", "E12")
    assert nearest_shown(47.3, "mV") is None
    assert nearest_shown(0.0, "Ω") is None


def test_prefixes_of_ohms_follow_the_si_table() -> None:
    """kΩ, MΩ, mΩ by the golden table of SI prefixes."""
    rows = {row["symbol"]: int(row["exponent"]) for row in _prefixes()}
    for prefix in ("k", "M", "m"):
        found = nearest_shown(4.7, f"{prefix}Ω")
        if prefix == "m":
            assert found is None  # 4.7 mΩ is no part
        else:
            assert found is not None
            assert found.value == pytest.approx(4.7 * 10 ** rows[prefix])


def _prefixes() -> list[dict[str, str]]:
    with (GOLDEN / "si-prefixes.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))
