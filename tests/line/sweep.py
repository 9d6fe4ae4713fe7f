"""Many blind lines: `python -m tests.line.sweep clean|glitches|low FIRST LAST` prints those that came out wrong.

`clean`: 4 to 60 samples a bit; `glitches`: the same with random pulses; `low`: 3 to 4 samples a bit. Each seed is 24
lines of one simulation. The tests run a few seeds; figures in the docs come from here.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.line.blind import lines, simulate
from tests.line.test_blind import all_forms, form_of, wrong

from tapwright.evidence.captures import read_capture
from tapwright.line.find import find_lines

WORLDS: dict[str, dict[str, Any]] = {
    "clean": {"samples": (4, 60)},
    "glitches": {"samples": (4, 60), "glitches": True},
    "near": {"samples": (4, 6), "glitches": True},
    "low": {"samples": (3, 4), "jitter": 0.02},
    "low-glitches": {"samples": (3, 4), "jitter": 0.02, "glitches": True},
}
LINES = 24


def main() -> int:
    """Run the seeds and print a line for each wrong answer, then the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("world", choices=WORLDS)
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    args = parser.parse_args()
    n = bad = sure = unsure = missing = far = 0
    for seed in range(args.first, args.last):
        truth = lines(seed, LINES, **WORLDS[args.world])
        with tempfile.TemporaryDirectory() as folder:
            report = find_lines(read_capture(simulate(Path(folder), truth)))
        for line in truth:
            channel = report.channel(line.name)
            n += 1
            if channel.settings is None:
                unsure += 1
                print(f"seed {seed} {line.name}: nothing found; {line}", flush=True)
                continue
            if line.form not in all_forms(channel):
                missing += 1
            assert channel.settings.measured_baud is not None
            far += abs(channel.settings.measured_baud - line.real_baud) > 2 * channel.sigma_baud
            texts = wrong(report, [line])
            if not texts:
                continue
            bad += 1
            sure += channel.probability >= 0.9
            print(f"seed {seed} {line.name} {line.samples_per_bit:.2f} samples a bit, {line.baud} {line.form}, "
                  f"glitch {line.glitch_every}, jitter {line.jitter}, pause {line.pause}: said {channel.settings.baud} "
                  f"{form_of(channel)} p={channel.probability:.2f}, {texts[0][-40:]}", flush=True)
    print(f"{args.world}: {n} lines, {bad} wrong ({sure} of them said with 0.9 or more), {unsure} not found, "
          f"{missing} without the truth among the answers, {far} rates beyond two sigma")
    return bad > 0


if __name__ == "__main__":
    sys.exit(main())
