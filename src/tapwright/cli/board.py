"""`tapwright board`: the proven decoder as C99 and as a MicroPython program for the added board."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import Outcome, from_job, job_folder, table, warn
from tapwright.core.errors import DescriptionError, TapwrightError

if TYPE_CHECKING:
    from tapwright.board.about import About

HELP = """Write the decoder for the added board: C99, and a MicroPython program with its page.

Refuses a description with undetermined parts, unless --allow-unproven says that they may show as unproven.
"""
_TARGETS = ("c", "micropython")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--instrument", metavar="FILE", help="the description (default: the job's)")
    parser.add_argument("--out", metavar="DIR", help="where to write (default: board/ of the job folder)")
    parser.add_argument("--target", choices=_TARGETS, help="only this one (default: both)")
    parser.add_argument("--allow-unproven", action="store_true",
                        help="write it although parts are undetermined; they show as unproven on the board too")
    parser.add_argument("--sizes", action="store_true",
                        help="say what the C costs in flash, RAM and time, by the compilers and emulators installed")


def run(args: argparse.Namespace) -> Outcome:
    """Write the files; nothing is written where the description is refused."""
    from tapwright.board import emit
    from tapwright.board.cost import costs
    from tapwright.evidence.instrument_file import load_instrument

    path = from_job(args, args.instrument, "instrument.toml", "instrument description")
    instrument = load_instrument(path)
    folder = job_folder(args)
    out = emit.out_folder(args.out, folder)
    left = emit.require_settled(instrument, path, allow=args.allow_unproven)
    if left:
        warn("undetermined, and unproven on the board: " + "; ".join(left))
    about = _with_sheet(emit.gather(instrument, folder), folder)
    for note in about.notes:
        warn(note)
    targets = (args.target,) if args.target else _TARGETS
    try:
        files = emit.write(instrument, out, targets, about)
    except DescriptionError as trouble:
        raise DescriptionError(trouble.found, path=path, expected=trouble.expected, do=trouble.do) from None
    found, missing = costs(out / "c", [one.frame for one in about.proven]) if args.sizes and "c" in targets \
        else ([], [])
    document: dict[str, object] = {
        "out": str(out), "files": [str(file) for file in files], "unproven": left, "self_test": len(about.proven),
    }
    if args.sizes:
        document |= {"sizes": [cost.document() for cost in found], "not_measured": missing}
    return Outcome(document, _text(out, files, left, len(about.proven), [cost.row() for cost in found], missing))


def _with_sheet(about: About, folder: Path | None) -> About:
    """Return what is known, with the tap sheet of the job's survey and the warning level of its supply plan."""
    if folder is None:
        return about
    from tapwright.evidence.job_file import load_job

    if (folder / "survey.csv").is_file():
        from tapwright.evidence.survey import read_survey
        from tapwright.pins.find import find_pads
        from tapwright.pins.sheet import tap_sheet

        try:
            findings = find_pads(read_survey(folder / "survey.csv"), supply_v=load_job(folder).supply_v)
        except TapwrightError as trouble:
            about = replace(about, notes=(*about.notes, f"no wiring: {trouble.message()}"))
        else:
            sheet = tap_sheet(findings)
            open_ = "; NOT SETTLED, measure first"
            wires = tuple((wire.pad, wire.to, wire.part, wire.why + ("" if wire.is_sure else open_))
                          for wire in sheet.wires)
            about = replace(about, wires=wires, cautions=sheet.cautions)
    if (folder / "supply.toml").is_file():
        from tapwright.supply.read import read_plan

        try:
            low_v = read_plan(folder / "supply.toml").instrument.low_v
        except TapwrightError as trouble:
            about = replace(about, notes=(*about.notes, f"no warning level: {trouble.message()}"))
        else:
            about = replace(about, warn_v=float(low_v) if isinstance(low_v, (int, float)) else None)
    return about


def _text(out: Path, files: list[Path], left: list[str], n_proven: int, sizes: list[tuple[str, ...]],
          missing: list[str]) -> str:
    lines = [f"Wrote {len(files)} files to {out}:", *(f"  {file.relative_to(out)}" for file in files), ""]
    if left:
        lines += [f"{len(left)} parts are undetermined and show as unproven on the board: {'; '.join(left)}.", ""]
    if sizes:
        head = ("processor", "flash bytes", "RAM bytes", "instructions a frame", "of its time at 2 frames/s")
        lines += [table(head, sizes), "Two cycles an instruction.", ""]
    lines += [*(f"Not measured: {text}." for text in missing), *([""] if missing else [])]
    tests = f"{n_proven} frames that labels prove are" if n_proven else "No proven frame was at hand, so none is"
    lines.append(f"{tests} built in as the board's self-test at start.")
    lines.append("Next: micropython/README.md has wiring, cautions, loading and the check."
                 if any(file.parent.name == "micropython" for file in files) else
                 "Next: build reading.c with main_stdio.c, and give it frames as hex, one a line.")
    return "\n".join(lines)
