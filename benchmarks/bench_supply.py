"""The supply plan: a whole answer, and 10,000 drawn plans, against the limits of the project and a peer."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from benchmarks.row import Row

_CELLS = """
[cells]
series = 2
curve = [[0, 1.60, 0.15], [1000, 1.30, 0.2], [2500, 0.9, 0.6]]
open_v = {open_v}
[converter]
kind = "boost"
output_v = 5.0
input_min_v = 0.9
start_v = 1.8
input_max_a = 2.5
efficiency = {efficiency}
[regulator]
output_v = 3.3
dropout_v = 0.3
[switch]
kind = "enable"
[instrument]
amps = 0.003
low_v = 1.6
[[load]]
amps = {burst}
seconds = 0.004
every_s = 0.1
[[load]]
amps = 0.08
[use]
hours_per_day = 0.5
"""
_TABLE = "[[1.8, 0.1, 0.80], [1.8, 0.4, 0.83], [3.0, 0.1, 0.90], [3.0, 0.4, 0.92]]"
_WHOLE_S, _DRAWS_S, _DRAWS = 0.3, 2.0, 10_000


def run() -> list[Row]:
    """Measure."""
    from tapwright.supply.answer import Answer
    from tapwright.supply.read import parse_plan
    from tapwright.supply.report import report
    from tapwright.supply.spread import spread

    path = Path("plan.toml")
    plain = _CELLS.format(open_v=2.72, efficiency=_TABLE, burst=0.25)
    ranged = _CELLS.format(open_v="[2.4, 3.1]", efficiency='"0.86 ± 6 %"', burst='"0.25 ± 30 %"')
    Answer(parse_plan(plain, path)).run.hours  # noqa: B018 - first use imports and fills caches
    whole = _best(lambda: [report(parse_plan(plain, path)).document() for _ in range(10)]) / 10
    drawn = _best(lambda: spread(parse_plan(ranged, path), draws=_DRAWS))
    quick = _best(lambda: [Answer(parse_plan(plain, path)).run.hours for _ in range(20)]) / 20
    stiff = _radau_s(Answer(parse_plan(plain, path)))
    return [
        Row("one plan, whole document, share of 0.3 s", whole / _WHOLE_S, 1.0, at_least=False, detail=f"{whole:.3f} s"),
        Row(f"{_DRAWS} drawn plans, share of 2 s", drawn / _DRAWS_S, 1.0, at_least=False, detail=f"{drawn:.3f} s"),
        Row("run time by quadrature, times faster than scipy Radau", stiff / quick, 3.0, at_least=True,
            detail=f"{quick * 1e3:.1f} ms against {stiff * 1e3:.1f} ms"),
        _start_row(),
    ]


def _cpu_s() -> float:
    """Return the processor time of this process and its children: what a busy machine does not lengthen."""
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system


def _best(work: object, rounds: int = 5) -> float:
    """Return the shortest of some rounds, in s of processor time."""
    times = []
    for _ in range(rounds):
        start = _cpu_s()
        work()  # type: ignore[operator]
        times.append(_cpu_s() - start)
    return min(times)


def _radau_s(answer: object) -> float:
    """Return how long scipy's stiff integrator takes for the same run, stopped at the same charge."""
    import numpy as np
    from scipy.integrate import solve_ivp

    from tapwright.supply.answer import Answer

    assert isinstance(answer, Answer)
    circuit, end = answer.circuit, answer.run.drawn_mah

    def pace(_: float, y: np.ndarray) -> list[float]:
        return [1e3 * float(circuit.mean_input_a(y[0]) + circuit.beside_a)]

    def ended(_: float, y: np.ndarray) -> float:
        return end - float(y[0])

    ended.terminal = True  # type: ignore[attr-defined]
    return _best(lambda: solve_ivp(pace, (0.0, 3 * answer.run.hours), [float(circuit.string.drawn_mah)],
                                   method="Radau", events=ended, rtol=1e-4), rounds=3)


def _start_row() -> Row:
    """Compare the stage's start with that of Python with numpy, modules compiled as on any second start."""
    env = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}

    def seconds(code: str) -> float:
        return _best(lambda: subprocess.run([sys.executable, "-c", code], check=True, env=env), rounds=4)

    bare, ours = seconds("import numpy"), seconds("import tapwright.supply.ask, tapwright.supply.text")
    return Row("start of the supply stage over Python with numpy", ours / bare, 2.0, at_least=False,
               detail=f"{ours:.2f} s against {bare:.2f} s")
