"""`tapwright prove CAPTURE...`: hold the description against labels of other captures."""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, from_job, job_folder, table, warn

if TYPE_CHECKING:
    from tapwright.proof.prove import Proof

HELP = "prove the decoding on other captures, against labels and against what must be seen"

_HEADLINES = {
    "proven": "Proven: every label is right, and everything that the job demands was seen.",
    "contradicted": "Not proven: labels are contradicted.",
    "not all seen": "Not proven yet: every label is right, but not all that the job demands was seen.",
    "not independent": "Not proven: every label is right, but only on captures that the description was learned from.",
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("captures", metavar="CAPTURE", nargs="*",
                        help="captures or frames files (left out: those that the labels name, from captures/)")
    parser.add_argument("--labels", metavar="LABELS.csv", help="what the display showed (default: the job's)")
    parser.add_argument("--instrument", metavar="FILE", help="the description (default: the job's)")
    parser.add_argument("--offset", metavar="S", type=float, help="label time less capture time, where it is known")
    parser.add_argument("--channel", metavar="NAME", help="the line to read")
    parser.add_argument("--rate", metavar="HZ", type=float, help="samples a second of a .bin")
    parser.add_argument("--width", type=int, choices=(8, 16), default=8, help="bits a sample of a .bin")
    parser.add_argument("--accept-learned", action="store_true",
                        help="count labels of captures that the description was learned from as proof all the same")


def run(args: argparse.Namespace) -> Outcome:
    """Prove; exit 0 only where all labels are right and nothing demanded was never seen."""
    from tapwright.core.job import Demands
    from tapwright.decode.chain import readings_of
    from tapwright.evidence.instrument_file import load_instrument
    from tapwright.evidence.job_file import load_job
    from tapwright.evidence.labels import read_labels
    from tapwright.proof.prove import prove

    labels_path = from_job(args, args.labels, "labels.csv", "labels")
    instrument = load_instrument(from_job(args, args.instrument, "instrument.toml", "instrument description"))
    labels = read_labels(labels_path)
    folder = job_folder(args)
    demands = load_job(folder).demands if folder else Demands()
    paths = [Path(name) for name in args.captures]
    if not paths and folder:
        paths = [folder / "captures" / name for name in dict.fromkeys(label.capture for label in labels)]
    readings = {path.name: readings_of(path, instrument, rate_hz=args.rate, width=args.width, channel=args.channel)
                for path in paths}
    learned = frozenset(path.name for path in paths if _digest(path) in instrument.learned_from)
    proof = prove(readings, labels, demands, learned_from=learned, accept_learned=args.accept_learned,
                  first_guess_s=instrument.offset_s, offset_s=args.offset, places=instrument.reading_map.places)
    if proof.also_learned_from:
        warn("learned from as well: " + ", ".join(proof.also_learned_from)
             + ("; counted, as asked" if args.accept_learned else "; their labels do not count as proof"))
    return Outcome(proof.document(), _text(proof, demanded=demands != Demands()),
                   EXIT_DONE if proof.verdict == "proven" else EXIT_NO)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _text(proof: Proof, *, demanded: bool) -> str:
    headline = _HEADLINES[proof.verdict]
    if proof.verdict == "proven" and not demanded:
        headline = "Proven: every label is right. No job says what else must be seen."
    lines = [headline,
             f"{proof.right} of {proof.labels} labels right, in {proof.frames} frames"
             + (f" ({proof.lost} arrived damaged)" if proof.lost else "")
             + f"; label time = capture time {proof.offset_s:+.2f} s.", ""]
    if proof.wrong:
        lines += [table(("row", "the label says", "the frames say", "why"),
                        [(str(item.row), item.label, item.read, item.why) for item in proof.wrong]), ""]
    coverage = proof.coverage
    rows = [(name, ", ".join(kind.seen) or "-", ", ".join(kind.never) or "-") for name, kind in (
        ("functions", coverage.functions), ("units", coverage.units), ("flags", coverage.flags),
        ("shows", coverage.shows), ("ranges", coverage.ranges)) if kind.seen or kind.never]
    rows += [(f"digit {place}", " ".join(item.seen) or "-", " ".join(item.never) or "-")
             for place, item in coverage.digits.items()]
    lines.append(table(("", "seen and right", "never seen"), rows))
    missing = [item for kind in (coverage.functions, coverage.units, coverage.flags, coverage.shows, coverage.ranges)
               for item in kind.never]
    if missing:
        lines += ["", f"Next: capture and label a stretch that shows {missing[0]}"
                      + (f" (and {len(missing) - 1} more)" if len(missing) > 1 else "") + "."]
    return "\n".join(lines)
