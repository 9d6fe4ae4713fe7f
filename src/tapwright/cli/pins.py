"""tapwright pins: what each pad does, which one opens the data, and what to measure next."""

from __future__ import annotations

import argparse
import math
import os
from pathlib import Path

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, Progress, from_job, job_folder
from tapwright.core.errors import UsageError

HELP = "find what each pad does, which one opens the data, and the next measurement"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("survey", nargs="?", metavar="SURVEY", help="volts by pad and state (survey.csv of the job)")
    parser.add_argument("--supply", type=_volts, metavar="V", help="the supply's volts; else the job's, else inferred")
    parser.add_argument("--capture", metavar="CAPTURE", help="a capture with the data line and others, several repeats")
    parser.add_argument("--data", metavar="CHANNEL", help="the capture's data channel")
    parser.add_argument("--rate", type=float, metavar="HZ", help="samples a second of a .bin capture")
    parser.add_argument("--width", type=int, default=8, choices=(8, 16), help="bits a sample of a .bin capture (8)")
    parser.add_argument("--meter-percent", type=_not_negative, default=0.5, metavar="P",
                        help="the meter's accuracy, percent of reading (0.5)")
    parser.add_argument("--meter-counts", type=_not_negative, default=2.0, metavar="N", help="plus so many counts (2)")
    parser.add_argument("--meter-ohm", type=_positive, default=10e6, metavar="OHM", help="its input resistance (10e6)")
    parser.add_argument("--board", metavar="FAMILY", help="check levels against the board's logic family, as 3.3v")
    parser.add_argument("--board-supply", type=_volts, metavar="V", help="the board's own supply, if not the family's")
    parser.add_argument("--vil", type=_not_negative, metavar="V", help="the board input's highest low, its own number")
    parser.add_argument("--vih", type=_not_negative, metavar="V", help="the board input's lowest high, its own number")
    parser.add_argument("--fresh", type=_volts, metavar="V", help="the instrument's supply with fresh cells")
    parser.add_argument("--worn", type=_volts, metavar="V", help="the instrument's supply with worn cells")
    parser.add_argument("--sheet", metavar="OUT", help="write the tap sheet: .svg draws it, anything else is text")
    parser.add_argument("--map", metavar="OUT.svg", help="draw pads by states, with their roles")
    parser.add_argument("--order", metavar="OUT.svg", help="draw the order of events before the data starts")


def run(args: argparse.Namespace) -> Outcome:
    """Find what the pads do."""
    # The products are small: a second thread of the linear algebra library would only wait for the first.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from tapwright.core.files import write_text
    from tapwright.evidence.survey import read_survey
    from tapwright.pins import draw
    from tapwright.pins.find import find_pads
    from tapwright.pins.levels import family
    from tapwright.pins.report import document, text
    from tapwright.pins.sheet import sheet_text, tap_sheet
    from tapwright.pins.signatures import Meter

    _check(args)
    board = None
    if args.board:
        board = family(args.board, supply_v=args.board_supply, low_max_v=args.vil, high_min_v=args.vih)
    survey = read_survey(from_job(args, args.survey, "survey.csv", "SURVEY"))
    capture = None
    if args.capture:
        from tapwright.evidence.captures import read_capture

        with Progress("reading", 1) as progress:
            capture = read_capture(Path(args.capture), rate_hz=args.rate, width=args.width, progress=progress.at)
    meter = Meter(percent=args.meter_percent, counts=args.meter_counts, ohm=args.meter_ohm)
    supply_v = args.supply or _job_supply(args)
    findings = find_pads(survey, supply_v=supply_v, meter=meter, capture=capture, data=args.data)
    sheet = tap_sheet(findings, board=board, fresh_v=args.fresh, worn_v=args.worn)
    said = text(findings)
    if board is not None or args.sheet:
        said += "\n" + sheet_text(sheet)
    for name, picture in ((args.map, draw.voltage_map), (args.order, draw.order_of_events)):
        if name:
            write_text(Path(name), picture(findings))
    if args.sheet:
        is_picture = args.sheet.lower().endswith(".svg")
        write_text(Path(args.sheet), draw.tap_picture(sheet) if is_picture else sheet_text(sheet))
    return Outcome(document(findings, sheet), said, EXIT_DONE if findings.is_decided else EXIT_NO)


def _check(args: argparse.Namespace) -> None:
    if bool(args.capture) != bool(args.data):
        raise UsageError("--capture and --data belong together", expected="both or neither",
                         do="name the capture's data channel with --data")
    if args.order and not args.capture:
        raise UsageError("--order without a capture", expected="--capture CAPTURE --data CHANNEL")
    if not args.board and (args.vil is not None or args.vih is not None or args.board_supply is not None):
        raise UsageError("the board's numbers without its family", expected="--board FAMILY, as 3.3v")
    if args.fresh is not None and args.worn is not None and args.worn > args.fresh:
        raise UsageError(f"worn cells at {args.worn:g} V above fresh ones at {args.fresh:g} V",
                         expected="worn <= fresh")


def _job_supply(args: argparse.Namespace) -> float | None:
    folder = job_folder(args)
    if folder is None:
        return None
    from tapwright.evidence.job_file import load_job

    return load_job(folder).supply_v


def _number(text: str) -> float:
    try:
        value = float(text.replace(",", ".").strip().removesuffix("V").strip())
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number") from None
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"'{text}' is not a number that counts")
    return value


def _volts(text: str) -> float:
    value = _number(text)
    if not 0.1 <= value <= 60:
        raise argparse.ArgumentTypeError(f"{text}: a supply of 0.1 to 60 V is expected")
    return value


def _positive(text: str) -> float:
    value = _number(text)
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text}: a number over 0 is expected")
    return value


def _not_negative(text: str) -> float:
    value = _number(text)
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text}: 0 or more is expected")
    return value
