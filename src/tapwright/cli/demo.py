"""`tapwright demo`: the whole job on a pretend water meter, ending on the live page."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome
from tapwright.core.errors import SourceError

HELP = "the whole job on an invented water meter: evidence, every step, the live page"

FOLDER = "tapwright-demo"
LIVE = "replay:captures/second.csv?loop=yes"
READINGS = 10
START_S, READING_S = 20.0, 30.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--dir", metavar="DIR",
                        help=f"the job folder to make (default: {FOLDER}; with --once a temporary one)")
    parser.add_argument("--port", type=int, default=None, metavar="N", help="the page's port (default 8380)")
    parser.add_argument("--once", action="store_true",
                        help="stop after the first ten readings; exit 0 only when all agree with the invented display")
    parser.add_argument("--seed", type=int, default=None, help="another invented instrument")


def run(args: argparse.Namespace) -> Outcome:
    """Make the evidence, do the job, serve the readings."""
    if args.once and not args.dir:
        with tempfile.TemporaryDirectory(prefix="tapwright-demo-") as folder:
            return _run(args, Path(folder))
    return _run(args, Path(args.dir or FOLDER))


def _run(args: argparse.Namespace, folder: Path) -> Outcome:
    from tapwright.demonstration import run as demonstration

    seed = demonstration.SEED if args.seed is None else args.seed
    say = (lambda text: print(text, file=sys.stderr)) if args.json else print
    say(f"An invented water meter of a trout hatchery; its evidence is made in {folder}/\n")
    demonstration.make_folder(folder, seed)
    shown = demonstration.do_job(folder, seed, say)
    say(f"\nAll steps together took {shown.seconds:.1f} s.\n")
    if args.once:
        return _once(args, folder, shown)
    return _serve(args, folder)


def _serve(args: argparse.Namespace, folder: Path) -> Outcome:
    from tapwright.cli.main import run_command

    port = ["--port", str(args.port)] if args.port is not None else []
    # Paths in the source are relative to the job folder's captures, so the whole is named.
    source = LIVE.replace("captures/", f"{folder / 'captures'}/")
    return run_command("serve", ["--job", str(folder), "--source", source, *port])


def _once(args: argparse.Namespace, folder: Path, shown: object) -> Outcome:
    from tapwright.demonstration import run as demonstration

    assert isinstance(shown, demonstration.Shown)
    rows, first_s = _live_rows(folder, args.port or 0)
    wrong = demonstration.agrees(folder, rows)
    proven = shown.proof.verdict == "proven"
    lines = [f"{row['display']:>8} {row['unit']:<6} {row['flags']:<10} {row['status']}" for row in rows]
    lines += [f"differs: {item}" for item in wrong]
    lines.append(f"{len(rows) - len(wrong)} of {len(rows)} live readings agree with the invented display; the first "
                 f"came {first_s:.2f} s after the server was started; the proof: {shown.proof.verdict}.")
    document = {"readings": rows, "wrong": wrong, "proof": shown.proof.document(), "seconds": round(shown.seconds, 2),
                "first_reading_s": round(first_s, 3),
                "steps": [{"id": a.id, "state": a.state, "answer": a.answer, "seconds": round(a.seconds, 3)}
                          for a in shown.answers]}
    done = not wrong and len(rows) == READINGS and proven
    return Outcome(document, "\n".join(lines), EXIT_DONE if done else EXIT_NO)


def _live_rows(folder: Path, port: int) -> tuple[list[dict[str, object]], float]:
    """Serve the job as a program of its own, read its stream as a page would; return ten readings."""
    started = time.monotonic()
    source = LIVE.replace("captures/", f"{folder / 'captures'}/")
    command = [sys.executable, "-m", "tapwright", "serve", "--json", "--job", str(folder), "--port", str(port),
               "--no-record", "--source", source]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            url = _url(server)
            rows: list[dict[str, object]] = []
            first_s = 0.0
            with urllib.request.urlopen(f"{url.rstrip('/')}/api/stream?events=readings", timeout=READING_S) as stream:
                for raw in stream:
                    line = raw.decode("utf-8").rstrip("\n")
                    if line.startswith("data:") and '"seq"' in line:
                        rows.append(json.loads(line[5:]))
                        first_s = first_s or time.monotonic() - started
                    if len(rows) >= READINGS:
                        break
            return rows, first_s
        finally:
            server.terminate()


def _url(server: subprocess.Popen[str]) -> str:
    assert server.stdout is not None
    text = ""
    for line in server.stdout:
        text += line
        try:
            return str(json.loads(text)["url"])
        except json.JSONDecodeError:
            continue
    raise SourceError("the server of the live page ended before it said its address",
                      expected="an address", do="run 'tapwright serve' in the folder to see why")
