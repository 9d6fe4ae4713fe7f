"""The measured rate against the Cramer-Rao bound of one-sample quantisation, and the honesty of its sigma."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.rate_error import bound_ticks, one_case


@pytest.mark.slow
@pytest.mark.parametrize("samples_per_bit", [4.0, 8.3, 31.0])
def test_the_error_reaches_the_bound_from_100_bytes_on(samples_per_bit: float) -> None:
    """R.m.s. of the error over its bound at most 1.25, and 95 % of the errors within two sigma (48 cases each)."""
    cases = [one_case(seed, 100, samples_per_bit) for seed in range(48)]
    assert np.sqrt(np.mean([(case.error_ticks / bound_ticks(case)) ** 2 for case in cases])) <= 1.25
    assert sum(abs(case.error_ticks) > 2 * case.sigma_ticks for case in cases) <= 6  # 2.4 expected; chance of 7: 1 %
