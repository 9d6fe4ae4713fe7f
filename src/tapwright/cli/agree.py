"""`tapwright agree`: readings beside a reference."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, from_job, job_folder
from tapwright.core.errors import UsageError
from tapwright.core.files import write_text

if TYPE_CHECKING:
    from tapwright.agreement.readings import Readings
    from tapwright.agreement.spec import Spec

# sqlite.org, "Database File Format", 1.2.1. `live` knows it too, but loads a network client with it.
_SQLITE_HEAD = b"SQLite format 3\0"

HELP = "Does the instrument agree with a reference, and does the added board's radio disturb it?"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("reference", nargs="?", metavar="REFERENCE.csv",
                        help="readings of the reference, or of the same instrument before the change: "
                             "point,value[,unit][,u] or t_s,value[,unit]; a recording (its ID, FILE.sqlite or "
                             "FILE.sqlite#ID); or one table point,reference,meter")
    parser.add_argument("meter", nargs="?", metavar="METER.csv", help="readings of the instrument, in the same form")
    parser.add_argument("--spec", metavar="SPEC.toml", help="allowed errors: a verdict on every point")
    parser.add_argument("--margin", type=float, metavar="M",
                        help="the bias, in the reference's unit, under which the two count as equal")
    parser.add_argument("--disturb", nargs=2, metavar=("ON.csv", "OFF.csv"),
                        help="instead: readings at one input with the board's radio on, and off")
    parser.add_argument("--bursts", metavar="BURSTS.csv", help="with --disturb: t_s of the radio's bursts, ON's clock")
    parser.add_argument("--known", metavar="WORDS",
                        help="instead: a known value to check against: 'resistor 4.7k 1%%', 'type-k 100', 'pt100 25', "
                             "'ice', 'cell alkaline'")
    parser.add_argument("--plot", metavar="OUT.svg", help="draw the differences, and the errors in their bands")


def run(args: argparse.Namespace) -> Outcome:
    """Compare, or look for disturbance, or tell of a known value."""
    asked = [name for name in ("disturb", "known") if getattr(args, name) is not None]
    if len(asked) > 1 or (asked and (args.reference or args.spec)):
        raise UsageError("--disturb, --known and a comparison in one call", expected="one of them")
    if args.bursts and not args.disturb:
        raise UsageError("--bursts without --disturb", expected="--disturb ON.csv OFF.csv --bursts BURSTS.csv")
    if args.disturb:
        return _disturb(args)
    return _known(args) if args.known is not None else _compare(args)


def _compare(args: argparse.Namespace) -> Outcome:
    from tapwright.agreement import report
    from tapwright.agreement.compare import compare

    reference, meter, spec = _inputs(args)
    found = compare(reference, meter, spec=spec, margin=args.margin)
    if args.plot:
        from tapwright.agreement import draw

        write_text(Path(args.plot), draw.sheet(found))
    return Outcome(report.document(found) if args.json else {}, "" if args.json else report.text(found),
                   EXIT_DONE if found.shown else EXIT_NO)


def _disturb(args: argparse.Namespace) -> Outcome:
    from tapwright.agreement import disturbance_report as report
    from tapwright.agreement.disturbance import disturbance
    from tapwright.agreement.readings import read_times

    on, off = (_read(args, name) for name in args.disturb)
    bursts = None if args.bursts is None else read_times(Path(args.bursts))
    found = disturbance(on, off, margin=args.margin, burst_times_s=bursts)
    if args.plot:
        from tapwright.agreement import draw

        write_text(Path(args.plot), draw.radio(found, on, off))
    return Outcome(report.document(found), report.text(found), EXIT_DONE if found.shown else EXIT_NO)


def _known(args: argparse.Namespace) -> Outcome:
    from tapwright.agreement import known_report as report
    from tapwright.agreement.known import known

    found = known(args.known)
    return Outcome(report.document(found), report.text(found))


def _inputs(args: argparse.Namespace) -> tuple[Readings, Readings, Spec | None]:
    from tapwright.agreement.readings import read_both
    from tapwright.agreement.spec import load_spec

    spec_path = None if args.spec is None else Path(args.spec)
    if args.reference is None and spec_path is None:
        folder = job_folder(args)
        usual = None if folder is None else folder / "agreement" / "spec.toml"
        spec_path = usual if usual is not None and usual.is_file() else None
    first = str(from_job(args, args.reference, "agreement/reference.csv", "REFERENCE.csv"))
    both = read_both(Path(first)) if args.meter is None and _recording(args, first) is None else None
    if both is None:
        second = str(from_job(args, args.meter, "agreement/meter.csv", "METER.csv"))
        both = _read(args, first), _read(args, second)
    return *both, None if spec_path is None else load_spec(spec_path)


def _read(args: argparse.Namespace, named: str) -> Readings:
    """Return a file's readings, or a recording's."""
    from tapwright.agreement.readings import of_recording, read_readings

    recording = _recording(args, named)
    if recording is None:
        return read_readings(Path(named))
    from tapwright.live.recording_file import StoreError
    from tapwright.live.store import StoreTrouble, open_for_reading

    where, wanted = recording
    store = open_for_reading(where)
    try:
        session = store.session(wanted) if wanted else next(iter(store.sessions(limit=1)), None)
        if session is None:
            raise UsageError(f"no session '{wanted}'" if wanted else "no session", path=where,
                             expected="one of " + ", ".join(one.ident for one in store.sessions(limit=10)))
        rows = [(t_s, value, unit, status) for _, _, t_s, _, value, unit, _, status in store.rows(session)]
    except StoreTrouble as trouble:
        raise StoreError(str(trouble), path=where, expected="a recording") from None
    finally:
        store.close()
    return of_recording(session.ident, session.started, rows)


def _recording(args: argparse.Namespace, named: str) -> tuple[str, str] | None:
    """Return file and session ("" for the newest) of what names a recording, None where it names another file.

    A recording is FILE.sqlite, FILE.sqlite#ID, or in a job folder the ID alone.
    """
    path, _, wanted = named.partition("#")
    if _is_recording(Path(path)):
        return path, wanted
    folder = job_folder(args)
    if Path(named).exists() or folder is None or "/" in named or named.endswith(".csv"):
        return None
    usual = folder / "recordings.sqlite"
    return (str(usual), named) if _is_recording(usual) else None


def _is_recording(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(_SQLITE_HEAD)) == _SQLITE_HEAD
    except OSError:
        return False
