"""Radio on against off: what is there is found, what is not is not claimed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tapwright.agreement.disturbance import Disturbance, disturbance
from tapwright.agreement.readings import Readings
from tapwright.cli.main import main


def series(values: np.ndarray) -> Readings:
    """Return readings every 0.3 s."""
    n = len(values)
    return Readings(name="series.csv", labels=tuple(map(str, range(n))), times_s=0.3 * np.arange(n),
                    values=np.asarray(values, dtype=float), units=("mV",) * n, u=np.full(n, np.nan),
                    lines=np.arange(2, n + 2), gap_before=np.zeros(n, dtype=bool))


def trial(seed: int, *, shift: float = 0.0, noise: float = 1.0, burst: float = 0.0, margin: float | None = 0.2,
          n: int = 300) -> Disturbance:
    """Return the finding on made-up readings with noise 0.5 mV and a burst every 2 s."""
    rng = np.random.default_rng(seed)
    off, on = rng.normal(100, 0.5, n), rng.normal(100 + shift, 0.5 * noise, n)
    bursts = np.arange(0.7, 0.3 * n, 2.0)
    on[np.minimum(np.ceil(bursts / 0.3).astype(int), n - 1)] += burst
    return disturbance(series(on), series(off), margin=margin, burst_times_s=bursts)


def test_no_disturbance_is_shown_by_equivalence() -> None:
    """Same mean, same noise, margin of four standard errors."""
    found = trial(1)
    assert found.verdict == "undisturbed"
    assert found.shown


def test_a_shift_past_the_margin_is_a_disturbance() -> None:
    """A shift of three margins."""
    found = trial(2, shift=0.6)
    assert found.verdict == "disturbed"
    assert found.shift == pytest.approx(0.6, abs=0.15)


def test_a_shift_near_the_margin_is_undecided() -> None:
    """At the margin nothing is claimed either way."""
    assert trial(3, shift=0.2).verdict == "undecided"


def test_more_noise_is_a_disturbance() -> None:
    """Noise half as large again; the interval holds the truth."""
    found = trial(4, noise=1.6)
    assert found.verdict == "disturbed"
    assert found.noise_ratio_ci is not None
    assert found.noise_ratio_ci[0] < 1.6 < found.noise_ratio_ci[1]


def test_bursts_that_disturb_are_found() -> None:
    """A reading after each burst lies two noises off: found although the mean moves by less than the margin."""
    found = trial(5, burst=1.2, margin=0.5)
    assert found.bursts is not None
    assert found.bursts.verdict == "line up"
    assert found.verdict == "disturbed"


def test_too_few_bursts_tell_nothing() -> None:
    """Three bursts, or a burst in every reading."""
    rng = np.random.default_rng(6)
    on, off = series(rng.normal(0, 1, 100)), series(rng.normal(0, 1, 100))
    for times in (np.array([3.0, 9.0, 15.0]), 0.3 * np.arange(100) - 0.1):
        found = disturbance(on, off, burst_times_s=times)
        assert found.bursts is not None
        assert found.bursts.verdict == "cannot be told"


@pytest.mark.slow
def test_false_claims_keep_their_rate() -> None:
    """400 undisturbed trials: bursts are said to line up in at most 2 %, and nothing is said to be disturbed in over 3 %."""
    found = [trial(seed, n=120) for seed in range(1000, 1400)]
    assert sum(one.bursts is not None and one.bursts.verdict == "line up" for one in found) <= 8
    assert sum(one.verdict == "disturbed" for one in found) <= 12


@pytest.mark.slow
def test_intervals_of_shift_and_noise_cover() -> None:
    """2,000 trials of 40 readings each: 95 % intervals hold in 92 to 98 % (the effective count is estimated)."""
    rng = np.random.default_rng(12)
    shift, ratio = [], []
    for _ in range(2000):
        found = disturbance(series(rng.normal(0.3, 1.3, 40)), series(rng.normal(0, 1, 40)))
        assert found.shift_ci is not None
        assert found.noise_ratio_ci is not None
        shift.append(found.shift_ci[0] <= 0.3 <= found.shift_ci[1])
        ratio.append(found.noise_ratio_ci[0] <= 1.3 <= found.noise_ratio_ci[1])
    assert 0.92 <= np.mean(shift) <= 0.98
    assert 0.92 <= np.mean(ratio) <= 0.98


def test_equal_readings_are_said_to_tell_nothing() -> None:
    """A display whose step hides the noise: no noise ratio, no equivalence claimed."""
    found = disturbance(series(np.full(20, 5.0)), series(np.full(20, 5.0)), margin=0.1)
    assert found.noise_ratio is None
    assert found.verdict == "undecided"
    assert any("hides the noise" in words for words in found.advice)


def test_noise_that_the_display_hid_is_left_open() -> None:
    """Off reads 5.00 throughout, on wanders by a step: the mean is equal, how much the noise grew is not known."""
    on = 5 + np.random.default_rng(1).choice([-0.01, 0.0, 0.01], 200)
    found = disturbance(series(on), series(np.full(200, 5.0)), margin=0.01)
    assert found.equivalence is not None
    assert found.equivalence.equivalent
    assert found.verdict == "undecided"


def test_drift_is_not_taken_for_the_radio() -> None:
    """A slow drift through both recordings: warned of, and no equivalence is claimed within a narrow margin."""
    rng = np.random.default_rng(3)
    line = np.linspace(0, 5, 400) + rng.normal(0, 0.1, 400)
    found = disturbance(series(line[:200]), series(line[200:]), margin=0.2)
    assert found.verdict != "undisturbed"
    assert any("drift" in words for words in disturbance(series(line[::2]), series(line[1::2])).advice)


def test_points_are_paired(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Tables of several points: paired shift; repeats of the points give a noise ratio."""
    rng = np.random.default_rng(2)
    rows = [(f"p{i % 8}", 10.0 * (i % 8)) for i in range(32)]
    for name, shift in (("on", 0.05), ("off", 0.0)):
        (tmp_path / f"{name}.csv").write_text("point,value,unit\n" + "".join(
            f"{point},{value + shift + rng.normal(0, 0.02):.3f},mV\n" for point, value in rows))
    code = main(["agree", "--disturb", str(tmp_path / "on.csv"), str(tmp_path / "off.csv"), "--margin", "0.1", "--json"])
    document = json.loads(capsys.readouterr().out)
    assert code == 0
    assert document["paired"] is True
    assert document["shift"] == pytest.approx(0.05, abs=0.015)
    assert document["noise_ratio_ci"][0] < 1 < document["noise_ratio_ci"][1]


def test_bad_input_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Too few readings, forms that differ, units that differ, bursts without times."""
    files = {"few": "t_s,value\n0,1\n1,2\n", "good": "t_s,value,unit\n" + "".join(f"{i},{i % 2},V\n" for i in range(9)),
             "amps": "t_s,value,unit\n" + "".join(f"{i},1,A\n" for i in range(9)),
             "points": "point,value\na,1\nb,2\n", "none": "point,value\n1,1\n"}
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    for on, off, more in (("few", "good", ()), ("good", "points", ()), ("good", "amps", ()),
                          ("points", "points", ("--bursts", "good")), ("good", "good", ("--bursts", "points")),
                          ("good", "good", ("--margin", "0"))):
        named = [str(tmp_path / word) if word in files else word for word in more]
        assert main(["agree", "--disturb", str(tmp_path / on), str(tmp_path / off), *named]) == 2, (on, off, more)
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith("tapwright: ")
