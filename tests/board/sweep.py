"""Many frames through every decoder, row for row: `python -m tests.board.sweep [--frames N] [--micropython N] [FAMILY]...`.

The test set takes a slice of this; the whole takes minutes. For every family blind instruments are learned, settled and
sparse, plain and masked; their frames, changed ones and random ones go through the package, the emitted C (gcc and clang
by turns, address and undefined-behaviour sanitizers on) and the emitted Python in MicroPython. Exit 1 where rows differ.
"""

from __future__ import annotations

import argparse
import itertools
import random
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tapwright.core.instrument import Instrument
from tests.board.board_face import meter
from tests.board.frames import frame, sound
from tests.board.rows import SANITIZED, build, c_rows, differences, fuzz, learned, masked, micropython_rows, mixed, reference, unchecked

FAMILIES = ("meter", "segments", "text", "bcd", "integer", "float", "table")


def main() -> int:
    """Sweep; print a line an instrument and the sums."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("families", nargs="*", metavar="FAMILY", help=", ".join(FAMILIES))
    parser.add_argument("--frames", type=int, default=100_000, help="frames of each family through C")
    parser.add_argument("--micropython", type=int, default=0, help="how many of them through MicroPython too")
    parser.add_argument("--fuzz", type=int, default=0, help="random inputs of each family through C, beside them")
    parser.add_argument("--each", type=int, default=5000, help="frames an instrument")
    parser.add_argument("--seed", type=int, default=100, help="of the first instrument")
    options = parser.parse_args()
    wrong = 0
    for family in options.families or FAMILIES:
        rows = in_micropython = 0
        if options.fuzz:
            _fuzz(family, options.fuzz, options.seed)
        for number, (instrument, frames) in enumerate(_instruments(family, options.each, options.seed)):
            if rows >= options.frames:
                break
            more = min(len(frames), max(0, options.micropython - in_micropython))
            wrong += _compare(instrument, frames, ("gcc", "clang")[number % 2], more)
            rows, in_micropython = rows + len(frames), in_micropython + more
        print(f"{family}: {rows} frames in C, {in_micropython} in MicroPython, {wrong} rows differ so far", flush=True)
    return min(wrong, 1)


def _instruments(family: str, each: int, seed: int) -> Iterator[tuple[Instrument, list[bytes]]]:
    while True:
        rng = random.Random(seed)
        if family == "meter":
            sent = [frame(text, unit) for text in ("6.82", "-.04", "0L", "0.L", "", "1888") for unit in ("mg/L", "pH", "%")]
            frames = mixed(meter(), sent, each // 2, rng)
            yield meter(), frames + sound(frames)
        else:
            found = learned(seed // 2, family, sparse=seed % 2 == 1)
            if found is not None:
                frames = mixed(*found, each, rng)
                yield masked(found[0], frames, rng) if seed % 3 == 0 else (found[0], frames)
        seed += 1


def _fuzz(family: str, count: int, seed: int) -> None:
    """A quarter each to a settled instrument and a sparse one, with and without check; a sanitizer's report ends it."""
    for number, (instrument, _) in enumerate(itertools.islice(_instruments(family, 1, seed), 2)):
        for one in (instrument, unchecked(instrument)):
            with tempfile.TemporaryDirectory() as folder:
                said = fuzz(one, Path(folder), ("gcc", "clang")[number % 2], count // 4, seed + number)
            print(f"{instrument.name}, random: {said}", flush=True)


def _compare(instrument: Instrument, frames: list[bytes], compiler: str, in_micropython: int) -> int:
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        want = reference(instrument, frames)
        program = build(instrument, Path(folder), compiler, *SANITIZED)
        for name, rows in ((compiler, c_rows([str(program)], frames)),
                           *([("MicroPython", micropython_rows(instrument, frames[:in_micropython], Path(folder)))]
                             if in_micropython else [])):
            for line in differences(want[: len(rows)], rows, frames[: len(rows)]):
                wrong += 1
                if wrong <= 5:
                    print(f"{instrument.name}, {name}: {line}", flush=True)
    return wrong


if __name__ == "__main__":
    sys.exit(main())
