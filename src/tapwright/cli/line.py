"""tapwright line: which channels of a capture talk, and with which settings."""

from __future__ import annotations

import argparse
from pathlib import Path

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, Progress, from_job
from tapwright.core.errors import UsageError

HELP = "find which lines of a capture talk, and their settings; write their bytes"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("capture", nargs="?", metavar="CAPTURE", help=".vcd, .csv, .tsv, .bin or .fst, plain or .gz")
    parser.add_argument("--channel", action="append", metavar="NAME", help="look at this channel only; repeatable")
    parser.add_argument("--bytes", metavar="OUT.csv", help="write the bytes: t_s,channel,hex,error")
    parser.add_argument("--rate", type=float, metavar="HZ", help="samples a second of a .bin")
    parser.add_argument("--width", type=int, default=8, choices=(8, 16), help="bits a sample of a .bin (8)")
    parser.add_argument("--low", type=float, metavar="V", help="volts below this are 0")
    parser.add_argument("--plot", metavar="OUT.svg", help="draw the first characters and the intervals")
    parser.add_argument("--port", metavar="URL", help="listen on a live port instead: a device or a pyserial URL")
    parser.add_argument("--seconds", type=float, default=6.0, metavar="S",
                        help="with --port: how long to wait for a first byte (6)")
    parser.add_argument("--high", type=float, metavar="V", help="volts above this are 1")


def run(args: argparse.Namespace) -> Outcome:
    """Find the lines."""
    from tapwright.evidence.captures import read_capture
    from tapwright.line.find import find_lines
    from tapwright.line.report import words

    if args.port:
        return _live(args)
    path = from_job(args, args.capture, "captures", "CAPTURE")
    with Progress("reading", 1) as progress:
        capture = read_capture(path, rate_hz=args.rate, width=args.width, low_v=args.low, high_v=args.high,
                               progress=progress.at)
    with Progress("finding", 1) as progress:
        report = find_lines(capture, channels=args.channel, progress=progress.at)
    document, text = report.document(), words(report)
    if args.bytes:
        from tapwright.evidence.byte_rows import write_byte_rows

        rows = report.rows()
        write_byte_rows(Path(args.bytes), rows)
        document["bytes_file"] = args.bytes
        text += f"\nwrote {sum(map(len, rows))} bytes to {args.bytes}"
    if args.plot:
        from tapwright.core.files import write_text
        from tapwright.line.draw import picture

        write_text(Path(args.plot), picture(report))
        document["plot_file"] = args.plot
        text += f"\ndrew {args.plot}"
    return Outcome(document, text, EXIT_DONE if report.is_decided else EXIT_NO)


def _live(args: argparse.Namespace) -> Outcome:
    from tapwright.line.port import probe

    if args.capture or args.bytes or args.plot:
        raise UsageError("--port goes with no capture, --bytes or --plot", expected="tapwright line --port URL")
    if not 0 < args.seconds <= 3600:
        raise UsageError(f"--seconds {args.seconds:g}", expected="more than 0, at most 3600")
    with Progress("listening", 1) as progress:
        report = probe(args.port, listen_s=args.seconds, progress=progress.at)
    return Outcome(report.document(), report.words(), EXIT_DONE if report.is_decided else EXIT_NO)
