"""Many blind instruments: follow `next` to the end on each and count what was claimed and what was true.

    python -m tests.pins.sweep [--world wide|plain] [--batch N] [--most STEPS] FIRST LAST

Prints a table by probability bin for role and driver, the share of pads right at the end, measurements made against an
exhaustive survey, and where it went wrong. The tests run a few seeds; figures in the docs come from here.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.pins.blind import Instrument, Style
from tests.pins.world import World

from tapwright.evidence.survey import read_survey
from tapwright.pins.find import find_pads
from tapwright.pins.report import document

MOST = 150
SURE = 0.95
BINS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.97, 0.99, 0.999, 1.01)


@dataclass
class Claim:
    """One claim of one pad at one step: what was said, how surely, and whether it was so."""

    seed: int
    step: int
    last: bool
    what: str
    pad: str
    said: str
    truth: str
    share: float

    @property
    def right(self) -> bool:
        return self.said == self.truth


@dataclass
class Tally:
    """Everything that a sweep has seen."""

    claims: list[Claim] = field(default_factory=list)
    pads: int = 0
    right: int = 0
    tests: int = 0
    exhaustive: int = 0
    unended: int = 0
    costly: list[int] = field(default_factory=list)
    gates: list[bool] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


class Plain:
    """`blind.Instrument` with the face of `World`."""

    def __init__(self, seed: int) -> None:
        self.inner = Instrument.invent(seed, Style())
        self.lines = self.inner.pads
        self.supply_v, self.text, self.survey = self.inner.supply_v, self.inner.text, self.inner.survey
        self.gate = None

    def exhaustive(self) -> int:
        return len(self.lines) * (len(self.inner.running) * 4 + 1) + len(self.inner.running)

    def carry_out(self, columns: dict[str, dict[str, str]], entry: dict[str, object]) -> None:
        self.inner.carry_out(columns, {key: str(entry[key]) for key in ("pad", "state", "load")})


def follow(world: World | Plain, seed: int, path: Path, tally: Tally, *, trials: bool = True, batch: int = 1,
           most: int = MOST) -> None:
    """Measure the first of `next` until there is none; the world refuses a current of 1 mA and a test made twice."""
    columns = world.survey()
    mine: list[Claim] = []
    for step in range(most):
        path.write_text(world.text(columns), encoding="utf-8")
        answer: dict[str, Any] = document(find_pads(read_survey(path), supply_v=world.supply_v))
        entries = [entry for entry in answer["next"] if trials or "drive" not in entry]
        for pad, line in zip(answer["pads"], world.lines, strict=True):
            for what, said, truth, share in (
                    ("role", pad["role"], line.role, pad["probability"]),
                    ("driver", pad["driven_by"], line.driver, pad["driven_by_probability"])):
                mine.append(Claim(seed, step, not entries, what, pad["pad"], said, truth, share))
        if not entries:
            break
        # Several entries at a step only to look at many instruments in little time: the advice is made for one.
        first_of_pad = {str(entry["pad"]): entry for entry in reversed(entries)}
        for entry in [entry for entry in entries if first_of_pad[str(entry["pad"])] is entry][:batch]:
            tally.tests += 1
            world.carry_out(columns, entry)
    else:
        tally.unended += 1
    tally.exhaustive += world.exhaustive()
    if step >= world.exhaustive() / 2:
        tally.costly.append(seed)
    tally.claims += mine
    tally.pads += len(world.lines)
    n = 2 * len(world.lines)
    for role, driver in zip(mine[-n::2], mine[-n + 1::2], strict=True):
        tally.right += role.right and driver.right
        if not (role.right and driver.right):
            tally.wrong.append(f"seed {seed} pad {role.pad}: {role.truth}/{driver.truth} said "
                               f"{role.said} {role.share:.3f}/{driver.said} {driver.share:.3f}")
    if world.gate:
        best = answer["gates_data"][:1]
        tally.gates.append(bool(best) and (best[0]["pad"], best[0]["level"]) == (
            world.gate[1], "high" if world.gate[2] else "low"))


def table(claims: list[Claim]) -> list[str]:
    """Return lines of (bin, claims, mean said, share right); `unknown` claims nothing and is left out."""
    lines = []
    for low, high in itertools.pairwise(BINS):
        here = [claim for claim in claims if low <= claim.share < high and claim.said != "unknown"]
        if here:
            said = sum(claim.share for claim in here) / len(here)
            true = sum(claim.right for claim in here) / len(here)
            lines.append(f"  {low:5.3f}..{min(high, 1):5.3f}  {len(here):6d} claims  said {said:.4f}  right {true:.4f}")
    return lines


def report(tally: Tally) -> str:
    """Return the figures as text."""
    lines = []
    for what in ("role", "driver"):
        for name, chosen in (("first survey", [c for c in tally.claims if c.step == 0]),
                             ("at the end", [c for c in tally.claims if c.last]), ("all steps", tally.claims)):
            mine = [claim for claim in chosen if claim.what == what]
            lines += [f"{what}, {name}", *table(mine)]
            sure = [c for c in mine if c.share >= SURE and c.said != "unknown"]
            lines.append(f"  0.95 and over: {sum(c.right for c in sure)} of {len(sure)} right, "
                         f"{sum(c.right for c in sure) / max(len(sure), 1):.4f}")
    lines += [f"pads right at the end, role and driver: {tally.right} of {tally.pads}, {tally.right / tally.pads:.4f}",
              f"measurements: {tally.tests} of {tally.exhaustive} of an exhaustive survey, "
              f"{tally.tests / tally.exhaustive:.3f}; instruments over half: {len(tally.costly)}, unended: {tally.unended}",
              f"gate first without a capture: {sum(tally.gates)} of {len(tally.gates)}", *tally.wrong]
    return "\n".join(lines)


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--world", choices=("wide", "plain"), default="wide")
    parser.add_argument("--batch", type=int, default=1, help="entries of `next` carried out at a step (1)")
    parser.add_argument("--most", type=int, default=MOST, help="steps at most; 1 looks at first surveys alone (150)")
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    args = parser.parse_args(argv)
    tally, begin = Tally(), time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(args.first, args.last):
            make = World if args.world == "wide" else Plain
            try:
                follow(make(seed), seed, Path(folder) / "survey.csv", tally, trials=args.world == "wide",
                       batch=args.batch, most=args.most)
            except Exception as trouble:  # the sweep goes on and says so
                tally.wrong.append(f"seed {seed}: {type(trouble).__name__}: {trouble}")
            if seed % 25 == 24:
                print(f"seed {seed}: {tally.right}/{tally.pads}, {tally.tests}/{tally.exhaustive}, "
                      f"{time.process_time() - begin:.0f} s", file=sys.stderr, flush=True)
    print(report(tally))
    for name, chosen in (("first survey", [c for c in tally.claims if c.step == 0]), ("all steps", tally.claims)):
        false = [c for c in chosen if c.share >= SURE and not c.right and c.said != "unknown"]
        print(f"false claims of {SURE} and over, {name}")
        for claim in {(c.seed, c.pad, c.what, c.said): c for c in reversed(false)}.values():
            print(f"  seed {claim.seed} pad {claim.pad} step {claim.step}: {claim.truth} said {claim.said} {claim.share:.3f}")
        confusions = Counter((c.what, c.truth, c.said) for c in false)
        for (what, truth, said), count in confusions.most_common(12):
            print(f"  {what}: {truth} taken for {said}: {count}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
