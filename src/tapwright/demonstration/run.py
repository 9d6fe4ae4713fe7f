"""Make the pretend instrument's evidence and do every step of the job on it, saying what was found and by what.

Nothing here knows the instrument: each step gets files, as a person would give them, and what the steps ask to be shown
is shown by the generator, as the person at the bench would. `truth.json` is read by `agrees` alone, at the very end.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tapwright.core.errors import UsageError
from tapwright.core.instrument import Instrument
from tapwright.core.reading import Status
from tapwright.decode.chain import readings_of
from tapwright.evidence.instrument_file import load_instrument
from tapwright.evidence.labels import read_labels
from tapwright.job.answers import Answer, write_found
from tapwright.job.ask import ask_all
from tapwright.job.desk import Desk
from tapwright.job.learning import Learned, learn_job
from tapwright.proof.prove import Proof, prove
from tapwright.synth.job_folder import write_answer, write_job

SEED = 2026
MOST_TURNS = 4  # captures shown on request before the demo gives up
Say = Callable[[str], None]


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What the demo came to."""

    folder: Path
    answers: tuple[Answer, ...]
    proof: Proof
    seconds: float


def make_folder(folder: Path, seed: int) -> None:
    """Write the evidence into a new folder, or over an earlier demo's.

    Raises
    ------
    UsageError : the folder holds something else
    """
    if folder.exists() and any(folder.iterdir()) and not (folder / "truth.json").is_file():
        raise UsageError("this folder holds files that are not a demo's", path=folder,
                         expected="a new folder, or one of an earlier demo", do="name another with --dir")
    folder.mkdir(parents=True, exist_ok=True)
    for old in (*folder.glob("captures/asked-*.vcd"), folder / "instrument.toml", folder / "mask.toml"):
        old.unlink(missing_ok=True)
    write_job(folder, seed)


def do_job(folder: Path, seed: int, say: Say) -> Shown:
    """Do every step on the folder's evidence; the folder holds the answers afterwards."""
    started = time.perf_counter()
    say("First look: what a person has after an hour at the bench.\n")
    learned = learn_job(folder)
    _say_learned(learned, say)
    _say_unproven(folder, "second.csv", say)
    for turn in range(1, MOST_TURNS + 1):
        wants = [dict(item.want) for item in learned.report.next]
        name = write_answer(folder, seed, wants, turn) if wants else None
        if name is None:
            break
        say(f"One further capture, {name}, shows what was asked for ({len(wants)} reading{'s' * (len(wants) != 1)}).")
        learned = learn_job(folder)
        _say_learned(learned, say)
    answers = ask_all(Desk.open(folder), say=lambda answer: say(_answer_text(answer)))
    proof = _prove(folder)
    write_found(folder, answers)
    say(f"Proof on another capture: {proof.verdict}; {proof.right} of {proof.labels} labels right, "
        f"{proof.frames} frames.")
    for item in proof.wrong:
        say(f"  label {item.row}: says {item.label}, the frames say {item.read}: {item.why}")
    return Shown(folder=folder, answers=tuple(answers), proof=proof, seconds=time.perf_counter() - started)


def agrees(folder: Path, rows: list[dict[str, object]]) -> list[str]:
    """Hold live readings against what the pretend display showed; return what differs, in words.

    Parameters
    ----------
    rows : readings of `second.csv` as the stream gave them: seq, display, unit, flags, status
    """
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["frames"]["second.csv"]
    wrong = []
    for row in rows:
        shown = truth[int(str(row["seq"])) % len(truth)]
        read = (row["display"], row["unit"], " ".join(sorted(str(row["flags"]).split())))
        wanted = (shown["display"], shown["unit"], " ".join(sorted(shown["flags"])))
        if read != wanted or row["status"] not in ("ok", "overload", "blank"):
            wrong.append(f"reading {row['seq']}: {' '.join(map(str, read))} ({row['status']}), the display showed "
                         f"{' '.join(wanted)}")
    return wrong


def _say_learned(learned: Learned, say: Say) -> None:
    report = learned.report
    if report.reading_map is None:
        say("Reading map: no family of values explains the labels.")
        return
    contradicted = ", ".join(str(item.row) for item in report.labels_contradicted)
    ahead = "ahead of" if report.offset_s >= 0 else "behind"
    say(f"Reading map: {report.reading_map.kind}, from {report.labels} labels; their clock is "
        f"{abs(report.offset_s):.2f} s {ahead} the captures'; "
        + (f"label {contradicted} contradicts all the others; " if contradicted else "")
        + f"{len(report.undetermined)} things are not settled yet.")
    if report.next:
        say(f"  Asked for next: {report.next[0].show}"
            + (f" (and {len(report.next) - 1} more)" if len(report.next) > 1 else ""))


def _say_unproven(folder: Path, name: str, say: Say) -> None:
    instrument: Instrument = load_instrument(folder / "instrument.toml")
    readings = readings_of(folder / "captures" / name, instrument)
    count = readings.count(Status.UNPROVEN)
    if count:
        say(f"Another capture, read with this: {count} of {len(readings)} readings are unproven: they hold what no "
            "label has shown.\n")


def _prove(folder: Path) -> Proof:
    instrument = load_instrument(folder / "instrument.toml")
    readings = readings_of(folder / "captures" / "second.csv", instrument)
    labels = read_labels(folder / "labels-proof.csv")
    return prove({"second.csv": readings}, labels, Desk.open(folder).job.demands, first_guess_s=instrument.offset_s,
                 places=instrument.reading_map.places)


def _answer_text(answer: Answer) -> str:
    sure = {"settled": "settled", "open": "not all settled", "none": "no answer yet"}[answer.state]
    lines = [f"{answer.question}  [{sure}, {answer.seconds:.2f} s]", f"  {answer.answer}"]
    if answer.evidence:
        lines.append("  Evidence: " + "; ".join(answer.evidence) + ".")
    if answer.next:
        lines.append(f"  Next: {answer.next[0]}")
    return "\n".join(lines) + "\n"
