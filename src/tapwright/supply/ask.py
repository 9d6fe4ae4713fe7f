"""From the files and words of a request to a report: the same door for the command line and the workbench."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

from tapwright.core.errors import PlanError, UsageError
from tapwright.core.files import write_text
from tapwright.supply.bench import read_measured
from tapwright.supply.options import WANTS
from tapwright.supply.parts import TOUCHED
from tapwright.supply.plan import Plan
from tapwright.supply.read import Overlay, read_plan
from tapwright.supply.report import Report, report
from tapwright.supply.spread import DRAWS, SEED

_MOST_DRAWS = 1_000_000


def ask(path: Path, *, wanted: str = "hours", parts: tuple[str, ...] = (), sag_v: float | None = None,
        measured_path: Path | None = None, draws: int = DRAWS, seed: int = SEED) -> Report:
    """Read a plan and what goes with it; return its report.

    Parameters
    ----------
    wanted : what the options are sorted by: hours, sag, parts
    parts : `TABLE.KEY=NUMBER`, a part's published numbers laid over the plan
    sag_v : a stated sag to size a capacitor for
    measured_path : what was measured on the bench
    draws, seed : for a plan with ranges

    Raises
    ------
    PlanError : the plan or the measured values are wrong
    UsageError : an option is wrong
    """
    if wanted not in WANTS:
        raise UsageError(f"options cannot be sorted by '{wanted}'", expected="one of " + ", ".join(WANTS))
    if sag_v is not None and not (math.isfinite(sag_v) and sag_v > 0):
        raise UsageError(f"--sag is {sag_v:g}", expected="volts over 0")
    if not 1 <= draws <= _MOST_DRAWS:
        raise UsageError(f"--draws is {draws}", expected=f"1 to {_MOST_DRAWS}")
    if seed < 0:
        raise UsageError(f"--seed is {seed}", expected="a whole number of 0 or more")
    overlay = [part_number(words) for words in parts]
    plan = read_plan(path)
    if overlay:
        plan = _with_parts(path, overlay)
    measured = None if measured_path is None else read_measured(measured_path)
    return report(plan, wanted=wanted, parts=tuple(dict.fromkeys(table for table, _, _ in overlay)), sag_v=sag_v,
                  measured=measured, measured_path=measured_path or path, draws=draws, seed=seed)


def _with_parts(path: Path, overlay: list[Overlay]) -> Plan:
    """Return a plan, itself right, with parts laid over it; what is wrong now came by the option."""
    try:
        return read_plan(path, overlay)
    except PlanError as error:
        raise UsageError(error.found, place=f"--part, {error.place}", expected=error.expected, do=error.do) from None


def part_number(words: str) -> Overlay:
    """Split `switch.max_a=0.5` into table, key and value; a value that is no TOML is text (`switch.kind=mosfet`).

    Raises
    ------
    UsageError : not of that form, or no part of the plan
    """
    name, equals, text = words.partition("=")
    table, dot, key = name.strip().partition(".")
    if not (equals and dot and key and text.strip()):
        raise UsageError(f"--part is '{words}'", expected="TABLE.KEY=NUMBER, such as switch.max_a=0.5")
    if table not in TOUCHED:
        raise UsageError(f"--part names the table '{table}'", expected="one of " + ", ".join(sorted(TOUCHED)))
    try:
        value: object = tomllib.loads(f"value = {text.strip()}")["value"]
    except tomllib.TOMLDecodeError:
        value = text.strip()
    return table, key, value


def write_pictures(said: Report, folder: Path) -> list[Path]:
    """Write the pictures into a folder, made if need be; return their paths.

    Raises
    ------
    OSError : the folder cannot be made
    TapwrightError : a file cannot be written
    """
    from tapwright.supply import draw  # its escaping costs 60 ms to import, and most plans ask for no picture

    folder.mkdir(parents=True, exist_ok=True)
    found = [("run.svg", draw.run_picture(said.answer)), ("energy.svg", draw.energy_picture(said.energy))]
    if said.burst is not None:
        found.append(("burst.svg", draw.burst_picture(said.burst)))
    for name, svg in found:
        write_text(folder / name, svg)
    return [folder / name for name, _ in found]
