"""The measured rate against the Cramer-Rao bound of one-sample quantisation, and the honesty of its sigma."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from benchmarks.rate_error import bound_ticks, one_case

from tapwright.evidence.captures import read_capture
from tapwright.line import rate
from tapwright.line.find import find_lines


@pytest.mark.slow
@pytest.mark.parametrize("samples_per_bit", [4.0, 8.3, 31.0])
def test_the_error_reaches_the_bound_from_100_bytes_on(samples_per_bit: float) -> None:
    """R.m.s. of the error over its bound at most 1.25, and 95 % of the errors within two sigma (48 cases each)."""
    cases = [one_case(seed, 100, samples_per_bit) for seed in range(48)]
    assert np.sqrt(np.mean([(case.error_ticks / bound_ticks(case)) ** 2 for case in cases])) <= 1.25
    assert sum(abs(case.error_ticks) > 2 * case.sigma_ticks for case in cases) <= 6  # 2.4 expected; chance of 7: 1 %


@pytest.mark.slow
def test_machine_code_and_plain_likelihood_agree() -> None:
    """The same logarithms for unit intervals near the true one, and minus infinity where an edge cannot be."""
    r = np.random.default_rng(5)
    bits = np.cumsum(r.integers(1, 3, (400, 5)), 1)
    edges = np.floor(bits * 8.37 + r.random((400, 1)))
    from_start = np.concatenate([np.zeros((400, 1)), edges - 0.0], 1).ravel()
    bit = np.concatenate([np.zeros((400, 1), np.int64), bits], 1).ravel()
    seen = rate.CharacterEdges(np.arange(400) * 6, from_start, bit, np.arange(400) * 90.0)
    trial = np.linspace(8.3, 8.44, 41)
    plain = rate._box_logs(seen, trial, 1.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rate, "COMPILED_FROM", 0)
        compiled = rate._box_logs(seen, trial, 1.0)
    assert np.isfinite(plain).any()
    assert not np.isfinite(plain).all()
    np.testing.assert_allclose(compiled, plain, rtol=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("stop", [1.0, 1.5, 2.0])
@pytest.mark.parametrize("jitter_ns", [0, 1, 200])
def test_a_line_that_was_never_sampled(stop: float, jitter_ns: int, tmp_path: Path) -> None:
    """A simulator's dump of the sender itself: all intervals are whole (or half) bits, which are no sampling grid."""
    r = np.random.default_rng(6)
    sent = r.integers(0, 256, 80).tolist()
    now, level = 2e6, 1
    rows = ["$timescale 1 ns $end", "$var wire 1 ! rx $end", "$enddefinitions $end", "#0", "1!"]
    for value in sent:
        for bit in [0, *(value >> k & 1 for k in range(8)), 1]:
            if bit != level:
                rows += [f"#{round(now + r.uniform(-jitter_ns, jitter_ns))}", f"{bit}!"]
                level = bit
            now += 104_167
        now += (stop - 1) * 104_167
    path = tmp_path / "rx.vcd"
    path.write_text("\n".join([*rows, f"#{round(now + 2e6)}"]) + "\n", encoding="ascii")
    report = find_lines(read_capture(path))
    settings = report.channels[0].settings
    assert settings is not None
    assert (settings.baud, settings.data_bits, settings.parity, settings.stop_bits) == (9600, 8, "none", stop)
    assert report.rows()[0].values.tolist() == sent
