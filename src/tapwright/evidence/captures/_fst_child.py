"""The child process that reads an FST file: `python -m tapwright.evidence.captures._fst_child FILE OUT.npz`.

The reading library can panic with an error that is no `Exception`, or walk for minutes; here that harms nobody. The
last line on standard error says what went wrong.
"""

from __future__ import annotations

import sys
from typing import Any

NOT_LEVELS = frozenset({"real", "realtime", "shortreal", "string", "realparameter", "event", "parameter"})
MOST_CHANGES = 50_000_000


def main(path: str, out: str) -> None:
    """Read the file and write bits, ticks, values and names."""
    import numpy as np
    import pywellen  # type: ignore[import-untyped]

    wave = pywellen.Waveform(path)
    names: list[str] = []
    widths: list[int] = []
    ignored: list[str] = []
    first_of: dict[str, int] = {}
    bit_of_name: list[int] = []
    bits: list[int] = []
    ticks: list[int] = []
    values: list[int] = []
    for var in wave.all_vars():
        width = var.bitwidth or 0
        if str(var.var_type).lower() in NOT_LEVELS or width < 1:
            ignored.append(var.full_name)
            continue
        key = str(var.signal_id)
        known = key in first_of
        first = first_of.setdefault(key, max(bit_of_name, default=-1) + 1)
        names += [var.full_name] if width == 1 else [f"{var.full_name}[{width - 1 - i}]" for i in range(width)]
        widths += [width] * width
        bit_of_name += range(first, first + width)
        if not known:
            _take(var.tv, first, width, bits, ticks, values)
        if len(bits) > MOST_CHANGES:
            raise ValueError(f"more than {MOST_CHANGES} changes")
    steps: list[int] = []
    wave.stream_time_steps(lambda *step: steps.append(int(step[0])), None)
    scale = wave.timescale
    np.savez(out, bits=np.array(bits, np.int32), ticks=np.array(ticks, np.int64), values=np.array(values, np.int8),
             names=np.array(names), widths=np.array(widths, np.int64), bit_of_name=np.array(bit_of_name, np.int64),
             ignored=np.array(ignored), scale=np.array([scale.factor, scale.unit.to_exponent()], np.int64),
             ends=np.array([min(steps, default=0), max(steps, default=0)], np.int64))


def _take(changes: Any, first: int, width: int, bits: list[int], ticks: list[int], values: list[int]) -> None:
    last = [-1] * width
    for tick, value in changes:
        text = format(value, f"0{width}b") if isinstance(value, int) else str(value).rjust(width, "0")
        for i in range(width):
            level = {"0": 0, "1": 1, "l": 0, "h": 1}.get(text[i].lower(), 2)
            if level != last[i]:
                last[i] = level
                bits.append(first + i)
                ticks.append(tick)
                values.append(level)


if __name__ == "__main__":
    try:
        main(*sys.argv[1:3])
    except BaseException as trouble:
        print(f"{type(trouble).__name__}: {trouble}".splitlines()[0][:200], file=sys.stderr)
        sys.exit(3)
