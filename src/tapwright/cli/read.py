"""Read the frames of a capture by an instrument's description."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import Outcome, from_job

if TYPE_CHECKING:
    from tapwright.mapping.apply import Readings

HELP = "read a capture by the instrument's description, one row a frame"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument("capture", metavar="CAPTURE", help="a capture, a bytes file or a frames file")
    parser.add_argument("--instrument", metavar="instrument.toml", help="the description (default: the job folder's)")
    parser.add_argument("--out", metavar="READINGS.csv", help="write the rows there instead of to standard output")
    parser.add_argument("--channel", metavar="NAME", help="the line that carries the frames")
    parser.add_argument("--rate", type=float, metavar="HZ", help="sample rate of .bin captures")
    parser.add_argument("--width", type=int, choices=(8, 16), default=8, help="bits a sample in .bin captures")


def run(args: argparse.Namespace) -> Outcome:
    """Read and print."""
    from tapwright.core.files import write_text
    from tapwright.decode.chain import readings_of
    from tapwright.evidence.instrument_file import load_instrument
    from tapwright.mapping.rows import readings_csv, readings_document

    instrument = load_instrument(from_job(args, args.instrument, "instrument.toml", "instrument description"))
    readings = readings_of(Path(args.capture), instrument, rate_hz=args.rate, width=args.width, channel=args.channel)
    document: dict[str, object] = {"readings": readings_document(readings)} if args.json else {}
    if args.out:
        write_text(Path(args.out), readings_csv(readings))
        return Outcome(document, f"{_summary(readings)}\nWritten: {args.out}")
    return Outcome(document, "" if args.json else readings_csv(readings))


def _summary(readings: Readings) -> str:
    from tapwright.core.reading import Status

    counts = [f"{count} {status}" for status in Status if (count := readings.count(status))]
    return f"{len(readings)} readings: {', '.join(counts) or 'none'}."
