"""`tapwright new DIR`: start a job folder."""

from __future__ import annotations

import argparse
from pathlib import Path

from tapwright.cli.common import Outcome
from tapwright.core.errors import UsageError

HELP = "start a job folder: where the evidence of one instrument is kept"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("dir", metavar="DIR", help="the folder to make (it may exist, but hold no job.toml)")
    parser.add_argument("--name", default="", help="what the instrument is called")


def run(args: argparse.Namespace) -> Outcome:
    """Make the folder; nothing that is there already is touched."""
    from tapwright.job.folder import start_job

    folder = Path(args.dir)
    if (folder / "job.toml").exists():
        raise UsageError("there is a job.toml already", path=folder, expected="a folder without one",
                         do=f"open it with 'tapwright open {folder}'")
    made = start_job(folder, name=args.name or folder.resolve().name)
    text = "\n".join([
        f"A job folder is ready: {folder}", "",
        *(f"  {name:<12} {what}" for name, what in made.items()), "",
        "Take the cells out before you solder, and connect nothing inside while the probes touch anything.",
        "Next: list in job.toml what dial and display offer, then write down what a meter reads on each pad in each",
        f"state (survey.csv) and run 'tapwright pins' there; or do it all on a page: 'tapwright open {folder}'.",
    ])
    return Outcome({"folder": str(folder), "made": dict(made)}, text)
