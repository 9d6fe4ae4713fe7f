"""`tapwright agree`: readings beside a reference."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, from_job, job_folder
from tapwright.core.errors import UsageError
from tapwright.core.files import write_text

if TYPE_CHECKING:
    from tapwright.agreement.readings import Readings
    from tapwright.agreement.spec import Spec

HELP = "Does the instrument agree with a reference, and does the added board's radio disturb it?"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("reference", nargs="?", metavar="REFERENCE.csv",
                        help="readings of the reference, or of the same instrument before the change: "
                             "point,value[,unit][,u] or t_s,value[,unit]; a recording's ID; or one table "
                             "point,reference,meter")
    parser.add_argument("meter", nargs="?", metavar="METER.csv", help="readings of the instrument, in the same form")
    parser.add_argument("--spec", metavar="SPEC.toml", help="allowed errors: a verdict on every point")
    parser.add_argument("--margin", type=float, metavar="M",
                        help="the bias, in the reference's unit, under which the two count as equal")
    parser.add_argument("--disturb", nargs=2, metavar=("ON.csv", "OFF.csv"),
                        help="instead: readings at one input with the board's radio on, and off")
    parser.add_argument("--bursts", metavar="BURSTS.csv", help="with --disturb: t_s of the radio's bursts, ON's clock")
    parser.add_argument("--known", metavar="WORDS",
                        help="instead: a known value to check against: 'resistor 4.7k 1%%', 'type-k 100', 'pt100 25', "
                             "'ice', 'cell alkaline'")
    parser.add_argument("--plot", metavar="OUT.svg", help="draw the differences, and the errors in their bands")


def run(args: argparse.Namespace) -> Outcome:
    """Compare, or look for disturbance, or tell of a known value."""
    asked = [name for name in ("disturb", "known") if getattr(args, name) is not None]
    if len(asked) > 1 or (asked and (args.reference or args.spec)):
        raise UsageError("--disturb, --known and a comparison in one call", expected="one of them")
    if args.bursts and not args.disturb:
        raise UsageError("--bursts without --disturb", expected="--disturb ON.csv OFF.csv --bursts BURSTS.csv")
    if args.disturb:
        return _disturb(args)
    return _known(args) if args.known is not None else _compare(args)


def _compare(args: argparse.Namespace) -> Outcome:
    from tapwright.agreement import report
    from tapwright.agreement.compare import compare

    reference, meter, spec = _inputs(args)
    found = compare(reference, meter, spec=spec, margin=args.margin)
    if args.plot:
        from tapwright.agreement import draw

        write_text(Path(args.plot), draw.sheet(found))
    return Outcome(report.document(found) if args.json else {}, "" if args.json else report.text(found),
                   EXIT_DONE if found.shown else EXIT_NO)


def _disturb(args: argparse.Namespace) -> Outcome:
    from tapwright.agreement import disturbance_report as report
    from tapwright.agreement.disturbance import disturbance
    from tapwright.agreement.readings import read_readings, read_times

    on, off = (read_readings(Path(name)) for name in args.disturb)
    bursts = None if args.bursts is None else read_times(Path(args.bursts))
    found = disturbance(on, off, margin=args.margin, burst_times_s=bursts)
    if args.plot:
        from tapwright.agreement import draw

        write_text(Path(args.plot), draw.radio(found, on, off))
    return Outcome(report.document(found), report.text(found), EXIT_DONE if found.shown else EXIT_NO)


def _known(args: argparse.Namespace) -> Outcome:
    from tapwright.agreement import known_report as report
    from tapwright.agreement.known import known

    found = known(args.known)
    return Outcome(report.document(found), report.text(found))


def _inputs(args: argparse.Namespace) -> tuple[Readings, Readings, Spec | None]:
    from tapwright.agreement.readings import read_both, read_readings
    from tapwright.agreement.spec import load_spec

    spec_path = None if args.spec is None else Path(args.spec)
    if args.reference is None and spec_path is None:
        folder = job_folder(args)
        usual = None if folder is None else folder / "agreement" / "spec.toml"
        spec_path = usual if usual is not None and usual.is_file() else None
    first = from_job(args, args.reference, "agreement/reference.csv", "REFERENCE.csv")
    both = read_both(first) if args.meter is None else None
    if both is None:
        second = from_job(args, args.meter, "agreement/meter.csv", "METER.csv")
        both = read_readings(first), read_readings(second)
    return *both, None if spec_path is None else load_spec(spec_path)
