"""`tapwright report DIR`: the dossier of a job."""

from __future__ import annotations

import argparse
from pathlib import Path

from tapwright.cli.common import Outcome, warn
from tapwright.core.errors import UsageError

HELP = "write the dossier of a job: one self-contained HTML file, and a PDF"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("dir", metavar="DIR", nargs="?", help="the job folder (default: the current folder)")


def run(args: argparse.Namespace) -> Outcome:
    """Work out what is stale, write the dossier."""
    folder = Path(args.dir or args.job or ".")
    if not (folder / "job.toml").is_file():
        raise UsageError("no job.toml in this folder", path=folder, expected="a job folder",
                         do=f"start one with 'tapwright new {folder}'")
    from tapwright.job.report import write_report

    written = write_report(folder)
    if written.why:
        warn(f"no PDF: {written.why}")
    states = [answer.state for answer in written.answers]
    lines = [f"Written: {written.html}" + (f" and {written.pdf.name}" if written.pdf else ""),
             f"{states.count('settled')} of {len(states)} questions are settled, "
             f"{states.count('open')} are partly open, {states.count('none')} have no answer yet."]
    return Outcome({"html": str(written.html), "pdf": str(written.pdf) if written.pdf else None, "why": written.why,
                    "answers": [{"id": a.id, "state": a.state, "answer": a.answer} for a in written.answers]},
                   "\n".join(lines))
