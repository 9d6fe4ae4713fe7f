"""Learn a job's reading map from all its labelled captures, and keep it as `instrument.toml`."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

from tapwright.core.errors import LabelError
from tapwright.core.instrument import Instrument
from tapwright.evidence.instrument_file import instrument_values, write_instrument
from tapwright.job.desk import Desk
from tapwright.mapping.find import LearnReport, learn


@dataclass(frozen=True, kw_only=True)
class Learned:
    """What was learned, and the description made of it (None where no map explains the labels)."""

    report: LearnReport
    instrument: Instrument | None


def learn_job(folder: Path) -> Learned:
    """Learn from every capture that `labels.csv` names, and write `instrument.toml`; errors as `learned_on`."""
    learned = learned_on(Desk.open(folder))
    if learned.instrument is not None:
        write_instrument(folder / "instrument.toml", learned.instrument)
    return learned


def learned_on(desk: Desk) -> Learned:
    """Learn from every capture that the labels of an open job name.

    Raises
    ------
    LabelError : there are no labels, or one names a capture that is not in captures/
    """
    folder = desk.folder
    labels = desk.labels
    if not labels:
        raise LabelError("no labels.csv in the job folder", path=folder, expected="what the display showed, and when")
    by_name = {path.name: path for path in desk.captures}
    for label in labels:
        if label.capture not in by_name:
            raise LabelError(f"row {label.row} names '{label.capture}', which is not in captures/",
                             path=folder / "labels.csv", expected="one of " + ", ".join(by_name))
    used = [by_name[name] for name in dict.fromkeys(label.capture for label in labels)]
    first = desk.frames(used[0])
    longest = max((desk.frames(path) for path in used), key=lambda found: len(found.frames))
    layout = first.layout if longest.layout is None else longest.layout
    report = learn({path.name: desk.frames(path).frames for path in used}, labels, layout=layout,
                   demands=desk.job.demands)
    if report.reading_map is None:
        return Learned(report=report, instrument=None)
    instrument = Instrument(
        name=desk.job.name or folder.resolve().name, reading_map=report.reading_map, line=first.bytes_found.line,
        channel=first.bytes_found.channel, layout=layout, offset_s=report.offset_s,
        learned_from=tuple(digest(path) for path in used),
    )
    return Learned(report=report, instrument=instrument)


def fingerprint(instrument: Instrument | None) -> str:
    """Return what two descriptions share exactly where they read frames alike, as hex; empty for none.

    Name and notes may differ; a person may have written them.
    """
    if instrument is None:
        return ""
    values = instrument_values(instrument)
    read_by = {key: values.get(key) for key in ("line", "frame", "mask", "map", "learned_from")}
    return hashlib.sha256(json.dumps(read_by, sort_keys=True, default=str).encode()).hexdigest()


def digest(path: Path) -> str:
    """Return a file's SHA-256 as hex: how a description remembers what it was learned from."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
