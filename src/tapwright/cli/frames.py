"""tapwright frames: how a line's bytes divide into frames, and which check guards them."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, Progress, from_job

if TYPE_CHECKING:
    from tapwright.core.frame import Frames
    from tapwright.core.line import LineBytes

HELP = "find where frames begin, how long they are, their check, and what each byte does"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("capture", nargs="?", metavar="CAPTURE|BYTES.csv|FRAMES.csv",
                        help="a capture, or the bytes or frames of one line")
    parser.add_argument("--channel", metavar="NAME", help="the line to look at, where there are several")
    parser.add_argument("--out", metavar="FRAMES.csv", help="write the whole frames: t_s,hex")
    parser.add_argument("--plot", metavar="OUT.svg", help="draw the frames: bits that change dark, constant ones pale")
    parser.add_argument("--rate", type=float, metavar="HZ", help="samples a second of a .bin")
    parser.add_argument("--width", type=int, default=8, choices=(8, 16), help="bits a sample of a .bin (8)")
    parser.add_argument("--low", type=float, metavar="V", help="volts below this are 0")
    parser.add_argument("--high", type=float, metavar="V", help="volts above this are 1")


def run(args: argparse.Namespace) -> Outcome:
    """Find the frames."""
    from tapwright.core.files import write_text
    from tapwright.evidence.frame_rows import write_frame_rows
    from tapwright.frames.draw import raster
    from tapwright.frames.find import find_frames
    from tapwright.frames.report import words

    path = from_job(args, args.capture, "captures", "CAPTURE")
    source = _source(path, args)
    with Progress("finding frames", 1) as progress:
        report = find_frames(source, progress=progress.at)
    document, text = report.document(), words(report)
    if args.out and report.layout is not None:
        write_frame_rows(Path(args.out), report.whole)
        document["frames_file"] = args.out
        text += f"\nwrote {len(report.whole)} frames to {args.out}"
    if args.plot and report.layout is not None:
        write_text(Path(args.plot), raster(report))
        document["plot"] = args.plot
        text += f"\ndrew {args.plot}"
    return Outcome(document, text, EXIT_DONE if report.layout is not None else EXIT_NO)


def _source(path: Path, args: argparse.Namespace) -> LineBytes | Frames:
    from tapwright.evidence.frame_rows import is_frame_rows, read_frame_rows

    if is_frame_rows(path):
        return read_frame_rows(path, channel=args.channel)
    from tapwright.job.steps import bytes_found

    return bytes_found(path, rate_hz=args.rate, width=args.width, channel=args.channel, low_v=args.low,
                       high_v=args.high).source
