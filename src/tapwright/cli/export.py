"""`tapwright export`: a recording as a table, as captions, or as pictures; see docs/reference/export.md."""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import Outcome, Progress, from_job
from tapwright.core.errors import TapwrightError, UsageError
from tapwright.core.files import atomic, write_bytes

if TYPE_CHECKING:
    from tapwright.live.picture import Look
    from tapwright.live.shown import Shown
    from tapwright.live.store import Recorded, Row, Store

HELP = "write a recording as .csv, .parquet, .vtt captions, .png sequence or .apng"
ENDINGS = (".csv", ".parquet", ".vtt", ".png", ".apng")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    add = parser.add_argument
    add("recording", nargs="?", metavar="RECORDING", help="SQLite file or database URL (job: recordings.sqlite)")
    add("--session", metavar="ID", help="which session (default: the newest)")
    add("--from", dest="start_s", type=float, metavar="S", help="seconds from the session's start")
    add("--to", dest="end_s", type=float, metavar="S", help="seconds from the session's start")
    add("--out", required=True, metavar="FILE", help="the file; its ending chooses the kind: " + " ".join(ENDINGS))
    add("--start", type=float, default=0.0, metavar="S", help=".vtt: the video's time at the session's start")
    add("--fps", type=float, default=25.0, metavar="HZ", help=".png: pictures a second (default 25)")
    add("--size", type=int, default=120, metavar="PX", help=".png, .apng: height of a digit (default 120)")
    add("--colour", default="#ffffff", metavar="#RRGGBB", help=".png, .apng: colour of the reading (default #ffffff)")
    add("--font", metavar="FILE", help=".png, .apng: a font file")


def run(args: argparse.Namespace) -> Outcome:
    """Write the file."""
    out = Path(args.out)
    if out.suffix.lower() not in ENDINGS:
        raise UsageError(f"no kind of file ends in '{out.suffix}'", path=out, expected="one of " + " ".join(ENDINGS))
    _check_numbers(args)
    recording = args.recording or str(from_job(args, None, "recordings.sqlite", "recording"))
    from tapwright.live.recording_file import StoreError
    from tapwright.live.store import StoreTrouble, open_for_reading

    store = open_for_reading(recording)
    try:
        session = _session(store, args.session)
        files, readings = _write(store, session, args, out)
    except StoreTrouble as trouble:
        raise StoreError(str(trouble), path=recording if store.is_file else None, expected="a recording") from None
    finally:
        store.close()
    document = {"recording": store.place, "session": session.ident, "instrument": session.instrument,
                "readings": readings, "files": files, "out": str(out if files == 1 else numbered(out, 1))}
    written = str(out) if files == 1 else f"{files} pictures, {numbered(out, 1)} to {numbered(out, files).name}"
    return Outcome(document, f"{readings} readings of session {session.ident} ({session.instrument}): {written}")


def numbered(out: Path, number: int) -> Path:
    """Return the name of one picture of a sequence, counted from 1."""
    return out.with_name(f"{out.stem}-{number:06d}{out.suffix}")


def _write(store: Store, session: Recorded, args: argparse.Namespace, out: Path) -> tuple[int, int]:
    """Write the file or files; return how many, and of how many readings."""
    kind = out.suffix.lower()
    count = 0

    def rows() -> Sequence[Row]:
        nonlocal count
        found = list(store.rows(session, start_s=args.start_s, end_s=args.end_s))
        count = len(found)
        if not count:
            raise UsageError(f"no readings in that stretch of session {session.ident}",
                             expected=f"--from and --to between 0 and {session.ended - session.started:.1f} s")
        return found

    if kind == ".csv":
        from tapwright.live.tables import csv_lines
        with atomic(out) as file:
            file.writelines(csv_lines(rows()))
    elif kind == ".parquet":
        from tapwright.live.tables import parquet
        write_bytes(out, parquet(rows()))
    elif kind == ".vtt":
        from tapwright.live.captions import webvtt
        with atomic(out) as file:
            file.writelines(webvtt(rows(), start_s=args.start))
    else:
        from tapwright.live.shown import stretches
        shown = list(stretches(rows()))
        return _pictures(kind, shown, args, out), count
    return 1, count


def _pictures(kind: str, shown: Sequence[Shown], args: argparse.Namespace, out: Path) -> int:
    from tapwright.live.picture import apng, png_sequence

    look = _look(args)
    if kind == ".apng":
        write_bytes(out, apng(shown, look))
        return 1
    n_files = 0
    total = (shown[-1].end_s - shown[0].start_s) * args.fps
    with Progress("drawing", total=total) as progress:
        for n_files, data in enumerate(png_sequence(shown, look, rate_hz=args.fps), 1):
            write_bytes(numbered(out, n_files), data)
            progress.at(n_files)
    return n_files


def _look(args: argparse.Namespace) -> Look:
    from tapwright.live.picture import Look

    return Look(size=args.size, colour=args.colour, font=Path(args.font) if args.font else None)


def _session(store: Store, wanted: str | None) -> Recorded:
    if wanted is not None:
        session = store.session(wanted)
        if session is None:
            raise UsageError(f"no session '{wanted}' in {store.place}", expected=_known(store))
        return session
    sessions = store.sessions(limit=1)
    if not sessions:
        raise TapwrightError(f"nothing is recorded in {store.place}", expected="a recording with readings")
    return sessions[0]


def _known(store: Store) -> str:
    return "one of " + ", ".join(session.ident for session in store.sessions(limit=10))


def _check_numbers(args: argparse.Namespace) -> None:
    rules: tuple[tuple[str, float | None, Callable[[float], bool], str], ...] = (
        ("--from", args.start_s, lambda v: v >= 0, "a number of seconds, 0 or more"),
        ("--to", args.end_s, lambda v: v > (args.start_s or 0), "a number of seconds after --from"),
        ("--start", args.start, lambda v: abs(v) < 1e9, "a number of seconds"),
        ("--fps", args.fps, lambda v: 0 < v <= 1000, "a number from above 0 to 1000"),
        ("--size", args.size, lambda v: 8 <= v <= 1000, "a number of pixels from 8 to 1000"),
    )
    for option, value, holds, expected in rules:
        if value is not None and not (math.isfinite(value) and holds(value)):
            raise UsageError(f"{option} {value:g}", expected=expected)
    if not re.fullmatch(r"#[0-9a-fA-F]{6}", args.colour):
        raise UsageError(f"--colour {args.colour}", expected="a colour as #rrggbb")
