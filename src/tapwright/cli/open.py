"""`tapwright open DIR`: the workbench of a job folder in the browser."""

from __future__ import annotations

import argparse
from pathlib import Path

from tapwright.cli.common import Outcome
from tapwright.core.errors import UsageError

HELP = "open a job folder as a page of questions: drop files, label, prove, plan"
PORT = 8381


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("dir", metavar="DIR", nargs="?", help="the job folder (default: the current folder)")
    parser.add_argument("--host", default="127.0.0.1", metavar="H",
                        help="address to listen on (default: this machine only)")
    parser.add_argument("--port", type=int, default=PORT, metavar="N",
                        help=f"port (default {PORT}; 0 takes a free one)")
    parser.add_argument("--token", metavar="TOKEN",
                        help="what a browser must show where others can reach the page (default: made at start)")


def run(args: argparse.Namespace) -> Outcome:
    """Serve the workbench until it is stopped."""
    folder = Path(args.dir or args.job or ".")
    if not (folder / "job.toml").is_file():
        raise UsageError("no job.toml in this folder", path=folder, expected="a job folder",
                         do=f"start one with 'tapwright new {folder}'")
    if not 0 <= args.port <= 65535:
        raise UsageError(f"--port {args.port}", expected="0 to 65535")
    from tapwright.live.ports import bind
    from tapwright.web.workbench.server import serve

    bound = bind(args.host, args.port, "--port")
    serve(folder.resolve(), bound, host=args.host, token=args.token, as_json=args.json)
    return Outcome({}, "")

