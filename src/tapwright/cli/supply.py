"""`tapwright supply`: will the instrument's own cells carry the added board?"""

from __future__ import annotations

import argparse
from pathlib import Path

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, from_job

HELP = """Compute whether the instrument's cells start, run and outlast the added board.

Reads a supply plan (see docs/reference/supply.md) and says whether it works, what fails first, for how long the
cells last, what to change and what to measure. Exit 1 when the plan fails.
"""
_WANTS = ("hours", "sag", "parts")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plan", nargs="?", metavar="PLAN.toml", help="the supply plan (job folder: supply.toml)")
    parser.add_argument("--for", dest="wanted", choices=_WANTS, default="hours", help="sort the options by this")
    parser.add_argument("--part", action="append", default=[], metavar="TABLE.KEY=NUMBER",
                        help="check a part by its published number, e.g. switch.max_a=0.5 (repeatable)")
    parser.add_argument("--measured", metavar="FILE", help="what was measured on the bench, taken into the plan")
    parser.add_argument("--sag", type=float, metavar="V", help="size the capacitor for this sag")
    parser.add_argument("--plot", metavar="DIR", help="write the pictures run.svg, burst.svg and energy.svg there")
    parser.add_argument("--draws", type=int, default=10_000, metavar="N", help="plans drawn from ranges (10000)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="seed of the draws (1)")


def run(args: argparse.Namespace) -> Outcome:
    """Answer a plan."""
    from tapwright.supply import ask, text

    path = from_job(args, args.plan, "supply.toml", "supply plan")
    said = ask.ask(path, wanted=args.wanted, parts=tuple(args.part), sag_v=args.sag, draws=args.draws, seed=args.seed,
                   measured_path=None if args.measured is None else Path(args.measured))
    if args.plot is not None:
        ask.write_pictures(said, Path(args.plot))
    document = said.document() if args.json else {}
    return Outcome(document, "" if args.json else text.text(said), EXIT_NO if said.fails else EXIT_DONE)
