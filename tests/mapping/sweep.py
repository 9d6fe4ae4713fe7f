"""Many blind instruments, more than a test run has time for.

    python -m tests.mapping.sweep full 6000 6200      # labels that settle everything
    python -m tests.mapping.sweep sparse 7000 7300    # a handful of labels
    python -m tests.mapping.sweep wrong 8000 8100     # up to one label in ten wrong

Prints each instrument that is not read wholly and rightly (sparse: each wrong reading), then the counts.
"""

from __future__ import annotations

import random
import sys

from tests.mapping.blind import Session, blind, everything, play
from tests.mapping.driver import learned, score


def session_of(mode: str, seed: int, rng: random.Random) -> Session:
    meter = blind(seed)
    if mode == "sparse":
        return play(meter, [meter.some(rng) for _ in range(rng.randint(3, 14))], rng)
    readings = everything(meter, rng)
    return play(meter, readings, rng, wrong=rng.randint(1, len(readings) // 10) if mode == "wrong" else 0)


def main(mode: str, begin: int, end: int) -> None:
    whole = wrong = certain = frames = 0
    for seed in range(begin, end):
        meter, rng = blind(seed), random.Random(seed)
        session = session_of(mode, seed, rng)
        report = learned(meter, session)
        if report.reading_map is None:
            print(seed, meter.family, "no map", flush=True)
            continue
        result = score(meter, report, rng)
        named = [item.row for item in report.labels_contradicted]
        fine = result.certain == result.n and report.reading_map.kind == meter.family and named == session.wrong_rows
        certain, frames = certain + result.certain, frames + result.n
        whole, wrong = whole + (fine and not result.wrong), wrong + bool(result.wrong)
        if result.wrong or (mode != "sparse" and not fine):
            print(seed, meter.family, report.reading_map.kind, f"{result.certain} of {result.n} certain, "
                  f"{len(result.wrong)} of them wrong; named {named}, wrong labels {session.wrong_rows}", flush=True)
    print(f"{mode} {begin} to {end}: {whole} of {end - begin} wholly read, {wrong} with a wrong reading, "
          f"{certain} of {frames} frames certain")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
