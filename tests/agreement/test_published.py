"""Published figures: every check names its source and how it is known (see also tests/golden/README.md)."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from tapwright.agreement import distributions, known, statistics
from tapwright.agreement.budget import Part, combine
from tapwright.agreement.compare import Agreement, compare
from tapwright.agreement.readings import Readings
from tapwright.agreement.spec import Range
from tapwright.agreement.verdict import conformance

GOLDEN = Path(__file__).parents[1] / "golden"


def rows(name: str) -> list[dict[str, str]]:
    """Return a golden table."""
    with (GOLDEN / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def readings(labels: list[str], values: list[float]) -> Readings:
    """Return readings as if read from a file."""
    n = len(values)
    return Readings(name="table", labels=tuple(labels), times_s=None, values=np.array(values, dtype=float),
                    units=("L/min",) * n, u=np.full(n, np.nan), lines=np.arange(2, n + 2),
                    gap_before=np.zeros(n, dtype=bool))


def peak_flow(*columns: tuple[str, str]) -> Agreement:
    """Compare columns of Bland and Altman's table, (reference, meter) pairs put one after the other."""
    table = rows("bland-altman-pefr.csv")
    reference = [(row["subject"], float(row[a])) for a, _ in columns for row in table]
    meter = [(row["subject"], float(row[b])) for _, b in columns for row in table]
    return compare(readings(*map(list, zip(*reference, strict=True))), readings(*map(list, zip(*meter, strict=True))))


def test_bland_and_altman_1986_first_readings() -> None:
    """Lancet 1986, i, 307-310: mean -2.1, SD 38.8, standard error 9.4, 95 % interval of the bias -22.1 to 17.8."""
    found = peak_flow(("method2_first", "method1_first"))
    s = found.summary
    assert (round(s.bias, 1), round(s.spread or 0, 1)) == (-2.1, 38.8)
    assert s.bias_ci == pytest.approx((-22.05, 17.81), abs=0.01)
    assert s.limits == pytest.approx((-78.097, 73.862), abs=0.001)  # mean -/+ 1.96 SD of the unrounded figures
    # The paper's own limits are mean -/+ 2 SD of rounded figures, -79.7 and 75.5.
    rounded = (round(s.bias, 1) - 2 * round(s.spread or 0, 1), round(s.bias, 1) + 2 * round(s.spread or 0, 1))
    assert rounded == pytest.approx((-79.7, 75.5))


def test_bland_and_altman_1986_interval_of_the_limits() -> None:
    """The paper gives -114.3 to -45.1 and 40.9 to 110.1 with the standard error sqrt(3 s²/n); ours is the exact form,
    s sqrt(1/n + 1.96²/(2(n-1))), so within 6 % of its width."""
    half = float(statistics.limit_half_width(np.float64(38.8), 17))
    assert half == pytest.approx(34.6, rel=0.06)


def test_bland_and_altman_1986_repeatability() -> None:
    """Coefficients of repeatability 43.2 and 56.4 L/min (2 sqrt(mean d²), with 1.96 sqrt 2 for 2 sqrt 2 here)."""
    found = peak_flow(("method2_first", "method1_first"), ("method2_second", "method1_second"))
    repeat = found.repeatability
    assert repeat is not None
    assert (repeat.points, repeat.df) == (17, 17)
    assert repeat.coefficient * 2 / 1.96 == pytest.approx(43.29, abs=0.01)
    assert 2 * math.sqrt(2) * repeat.reference == pytest.approx(56.32, abs=0.01)
    assert found.pairs_effective is not None
    assert 17 <= found.pairs_effective < 34  # two readings of one subject are alike


def test_gum_h1_end_gauge() -> None:
    """JCGM 100:2008 H.1, table H.1: u 32 nm (31.7), effective degrees of freedom 16, U99 = 2.92 x 32 nm = 93 nm."""
    parts = [Part(what="standard", kind="B", stated=25.0, divisor=1, df=18),
             Part(what="difference, repeated", kind="A", stated=5.8, divisor=1, df=24),
             Part(what="comparator, random", kind="B", stated=3.9, divisor=1, df=5),
             Part(what="comparator, systematic", kind="B", stated=6.7, divisor=1, df=8),
             Part(what="difference of expansion", kind="B", stated=2.9, divisor=1, df=50),
             Part(what="difference of temperature", kind="B", stated=16.6, divisor=1, df=2)]
    budget = combine("end gauge", parts, level=0.99)
    assert budget.u == pytest.approx(31.7, abs=0.05)
    assert math.floor(budget.df) == 16
    assert budget.factor == pytest.approx(2.92, abs=0.005)
    assert round(budget.factor, 2) * round(budget.u) == pytest.approx(93, abs=0.5)  # the GUM multiplies rounded figures
    assert budget.expanded == pytest.approx(budget.factor * budget.u)
    assert sum(budget.share(part) for part in parts) == pytest.approx(1)


@pytest.mark.parametrize(("df", "factor"), [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28),
                                            (20, 2.13), (50, 2.05)])
def test_gum_table_g2(df: int, factor: float) -> None:
    """JCGM 100:2008 table G.2, column 95.45 %."""
    assert float(distributions.t_quantile(df, 0.5 + 0.9545 / 2)) == pytest.approx(factor, abs=0.005)


def test_gum_display_step_and_limits() -> None:
    """GUM F.2.2.1: a step d gives 0.289 d; 4.3.7: limits ± a give a / sqrt 3, so 1.5 V gives 0.866 V."""
    assert Part(what="step", kind="B", stated=1.0, divisor=math.sqrt(12)).u == pytest.approx(0.289, abs=5e-4)
    assert Part(what="limits", kind="B", stated=1.5, divisor=math.sqrt(3)).u == pytest.approx(0.866, abs=5e-4)


@pytest.mark.parametrize(("reading", "percent", "counts", "step", "limit"), [
    (120.0, 1.0, 3, 0.1, 1.5),  # a maker's support article (seen)
    (2.000, 0.08, 2, 0.001, 0.0036),  # a maker's note on error calculation (seen)
    (166.51, 0.1, 4, 0.01, 0.20651),  # a college's statistics page (seen; its sum recomputed)
    (1.4869, 0.5, 1, 0.0001, 0.0075345),  # the same
    (79.999, 0.03, 10, 0.001, 0.0340),  # a question-and-answer text (seen)
])
def test_accuracy_statements(reading: float, percent: float, counts: float, step: float, limit: float) -> None:
    """± (per cent of reading + counts), worked examples."""
    one = Range(low=0, high=1000, unit="V", percent=percent, counts=counts, resolution=step)
    assert float(one.limit(np.array(reading), 0)) == pytest.approx(limit, rel=5e-4)


def test_jcgm_106_probabilities_of_conformance() -> None:
    """JCGM 106:2012: limit -5.40 V, measured -5.47 V, u 0.05 V: 0.919; limit 490 kPa, measured 509.7, u 8.6: 0.989.

    Both are one-sided; the other limit is put so far away that it does not count.
    """
    far = 1e6
    upper = conformance(np.array(-5.47 - (-5.40 - far)), np.array(far), np.array(0.05))
    assert float(upper) == pytest.approx(0.91924, abs=1e-5)
    lower = conformance(np.array(509.7 - (490 + far)), np.array(far), np.array(8.6))
    assert float(lower) == pytest.approx(0.98901, abs=1e-5)


def test_rosner_1983_three_outliers() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.3, Rosner's 54 values: the generalised test names exactly three."""
    data = np.array([-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65,
                     1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24,
                     2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59,
                     3.68, 4.30, 4.64, 5.34, 5.42, 6.01])
    assert len(data) == 54
    assert sorted(data[statistics.outliers(data)]) == [5.34, 5.42, 6.01]


def test_type_k_table() -> None:
    """NIST Monograph 175 / IEC 60584-1, 68 temperatures (two independent calculations agree to 5 nV)."""
    table = [row for row in rows("thermocouple.csv") if row["type"] == "K"]
    assert len(table) == 68
    for row in table:
        t_c = float(row["t90_degC"])
        assert known.type_k_mv(t_c) == pytest.approx(float(row["emf_mV_6dp"]), abs=6e-6)
        if t_c > -250:
            assert known.type_k_c(known.type_k_mv(t_c)) == pytest.approx(t_c, abs=1e-6)


def test_type_k_cold_junction() -> None:
    """3.096 mV with the junction at 25 °C is 100 °C: the junction's EMF is added, never its temperature."""
    assert known.type_k_c(3.0960, 25.0) == pytest.approx(100.0, abs=0.001)


def test_pt100_table() -> None:
    """IEC 60751:2008: resistances to the printed 0.01 ohm, tolerances of the three classes."""
    for row in rows("pt100.csv"):
        t_c = float(row["t_degC"])
        assert known.pt100_ohm(t_c) == pytest.approx(float(row["R_ohm_4dp"]), abs=6e-5)
        assert known.pt100_c(known.pt100_ohm(t_c)) == pytest.approx(t_c, abs=1e-6)
        for grade in ("AA", "A", "B"):
            assert known.pt100_tolerance_c(t_c, grade) == pytest.approx(float(row[f"class_{grade}_tol_degC"]))


def test_e_series_are_those_of_the_library() -> None:
    """IEC 60063 through the general-purpose library eseries."""
    eseries = pytest.importorskip("eseries", reason="the library eseries is not installed")
    for name in ("E3", "E6", "E12", "E24", "E48", "E96", "E192"):
        theirs = eseries.series(getattr(eseries, name))
        scale = 10 ** math.floor(math.log10(theirs[0]))
        assert known.e_series(name) == pytest.approx([value / scale for value in theirs])
    for ohm in (0.47, 4.6, 9.9, 103.0, 1234.0, 8.5e5):
        for name in ("E12", "E24", "E96"):
            few = eseries.find_nearest_few(getattr(eseries, name), ohm)
            closest = min(few, key=lambda value: abs(math.log(value / ohm)))
            assert known.nearest(ohm, name) == pytest.approx(closest)
