"""`tapwright label CAPTURE`: stretches of unchanged frames as label rows, to fill in or filled from captions."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, table, warn

if TYPE_CHECKING:
    from tapwright.evidence.labels import Label
    from tapwright.job.stretches import Stretch

HELP = "find the stretches in which the frames do not change, and note what the display showed"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("capture", metavar="CAPTURE", help="a capture, bytes or frames file")
    parser.add_argument("--from-subtitles", metavar="F.vtt|F.srt", help="captions typed against a video of the display")
    parser.add_argument("--out", metavar="LABELS.csv", help="where to write the rows; rows that are there stay")
    parser.add_argument("--least", metavar="S", type=float, default=1.0, help="shortest stretch, seconds (default 1)")
    parser.add_argument("--mask", metavar="mask.toml", help="unmask the frames first (for what they look like only)")
    parser.add_argument("--channel", metavar="NAME", help="the line to read")
    parser.add_argument("--rate", metavar="HZ", type=float, help="samples a second of a .bin")
    parser.add_argument("--width", type=int, choices=(8, 16), default=8, help="bits a sample of a .bin")


def run(args: argparse.Namespace) -> Outcome:
    """List or fill the rows; ask for each stretch on a terminal."""
    path = Path(args.capture)
    if args.from_subtitles:
        from tapwright.evidence.subtitles import read_subtitles

        captions = read_subtitles(Path(args.from_subtitles), capture=path.name)
        for line, words in captions.not_taken:
            warn(f"{args.from_subtitles}, line {line}: '{words[:60]}' reads like no display; left out")
        rows, found = captions.labels, _stretches(args, path)
    else:
        found = _stretches(args, path)
        rows = _asked(found, path.name) if _can_ask(args) else _empty(found, path.name)
    if args.out:
        _write(Path(args.out), rows)
    document = {
        "stretches": [{"start_s": round(s.start_s, 4), "end_s": round(s.end_s, 4), "frames": s.n_frames,
                       "hex": s.frame.hex(" ").upper()} for s in found],
        "labels": [{"capture": r.capture, "start_s": r.start_s, "end_s": r.end_s, "display": r.display,
                    "unit": r.unit, "flags": " ".join(r.flags)} for r in rows],
        "out": args.out,
    }
    return Outcome(document, _text(args, found, rows), EXIT_DONE if rows else EXIT_NO)


def _stretches(args: argparse.Namespace, path: Path) -> tuple[Stretch, ...]:
    from tapwright.job.steps import frames_found
    from tapwright.job.stretches import stretches

    found = frames_found(path, rate_hz=args.rate, width=args.width, channel=args.channel)
    frames = found.frames
    if args.mask:
        from tapwright.evidence.mask_file import load_mask
        from tapwright.mask.apply import unmask

        frames = unmask(frames, load_mask(Path(args.mask)))
    return stretches(frames, found.layout, least_s=args.least)


def _empty(found: tuple[Stretch, ...], name: str) -> tuple[Label, ...]:
    return tuple(_label(i, name, stretch, "", "", ()) for i, stretch in enumerate(found, 1))


def _can_ask(args: argparse.Namespace) -> bool:
    return bool(args.out) and not args.json and sys.stdin.isatty() and sys.stderr.isatty()


def _asked(found: tuple[Stretch, ...], name: str) -> tuple[Label, ...]:
    from tapwright.evidence.subtitles import parse_caption

    print("Type what the display showed in each stretch (like '6.82 mg/L AUTO', 'OL', 'blank').\n"
          "Enter leaves a stretch out, a single full stop ends.", file=sys.stderr)
    rows: list[Label] = []
    for i, stretch in enumerate(found, 1):
        while True:
            print(f"{i} of {len(found)}, {stretch.start_s:.2f} to {stretch.end_s:.2f} s: ", end="", file=sys.stderr,
                  flush=True)
            typed = sys.stdin.readline()
            if not typed or typed.strip() == ".":
                return tuple(rows)
            if not typed.strip():
                break
            shown = parse_caption(typed.strip())
            if shown is not None:
                rows.append(_label(len(rows) + 1, name, stretch, *shown))
                break
            print("That reads like no display: a number, OL, dashes or 'blank' first.", file=sys.stderr)
    return tuple(rows)


def _label(row: int, name: str, stretch: Stretch, display: str, unit: str, flags: tuple[str, ...]) -> Label:
    from tapwright.evidence.labels import Label

    return Label(row=row, capture=name, start_s=round(stretch.start_s, 4), end_s=round(stretch.end_s, 4),
                 display=display, unit=unit, flags=flags)


def _write(out: Path, rows: tuple[Label, ...]) -> None:
    from tapwright.evidence.labels import append_labels, write_labels

    if out.exists() and out.stat().st_size:
        append_labels(out, rows)
    else:
        write_labels(out, rows)


def _text(args: argparse.Namespace, found: tuple[Stretch, ...], rows: tuple[Label, ...]) -> str:
    if not rows:
        return f"No stretch of {args.least:g} s or more without a change. Hold a reading longer, or give --least."
    lines = [f"{len(found)} stretches without a change"
             + (f", {len(rows)} labels from captions:" if args.from_subtitles else ":"),
             table(("from s", "to s", "display", "unit", "flags"),
                   [(f"{row.start_s:.2f}", f"{row.end_s:.2f}", row.display, row.unit, " ".join(row.flags))
                    for row in rows])]
    if args.out:
        lines.append(f"Written to {args.out}.")
    if not args.from_subtitles and not any(row.display for row in rows):
        lines.append("Fill in the display, unit and flags of each row and take out the rows that you cannot fill:\n"
                     "an empty display means a blank one.")
    return "\n".join(lines)
