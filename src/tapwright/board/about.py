"""What a job folder knows beyond the description: proven frames for the self-test, wiring, the cells' warning level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapwright.core.errors import TapwrightError
from tapwright.core.frame import Frames
from tapwright.core.instrument import Instrument
from tapwright.core.reading import Status
from tapwright.core.units import normal
from tapwright.decode.chain import frames_of
from tapwright.evidence.labels import Label, read_labels
from tapwright.mapping.apply import Decoder
from tapwright.mapping.rows import value_text

MOST_PROVEN = 6
_MARGIN_S = 0.5


@dataclass(frozen=True, kw_only=True)
class Proven:
    """A frame as received, and the row that a label proves: display, value, unit, flags, status."""

    frame: bytes
    row: tuple[str, str, str, str, str]


@dataclass(frozen=True, kw_only=True)
class About:
    """What the emitted program may say and check beyond the decoder.

    Parameters
    ----------
    proven : frames for the self-test
    wires : rows of the tap sheet: from pad, to, through, why
    cautions : those of the tap sheet
    warn_v : the string's volts at which the instrument warns of worn cells; None where not known
    notes : what could not be gathered, for people
    """

    proven: tuple[Proven, ...] = ()
    wires: tuple[tuple[str, str, str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    warn_v: float | None = None
    notes: tuple[str, ...] = ()


def gather(instrument: Instrument, job: Path | None) -> About:
    """Return what a job folder knows; without one, or where evidence is missing, less."""
    if job is None or not (job / "labels.csv").is_file():
        return About()
    try:
        labels = read_labels(job / "labels.csv")
        captures = {name: frames_of(job / "captures" / name, instrument)
                    for name in dict.fromkeys(label.capture for label in labels) if (job / "captures" / name).is_file()}
    except TapwrightError as trouble:
        return About(notes=(f"no self-test frames: {trouble.message()}",))
    return About(proven=proven(instrument, captures, labels))


def proven(instrument: Instrument, captures: Mapping[str, Frames], labels: Sequence[Label]) -> tuple[Proven, ...]:
    """Return frames whose reading a label confirms, one of each unit and status first, `MOST_PROVEN` at most.

    Parameters
    ----------
    captures : frames as received, by the captures' names
    """
    found: dict[tuple[str, str], Proven] = {}
    more: list[Proven] = []
    decoder = Decoder(instrument)
    for label in labels:
        one = _of_label(decoder, instrument, captures.get(label.capture), label)
        if one is None:
            continue
        if found.setdefault((one.row[2], one.row[4]), one) is not one:
            more.append(one)
    every = {one.frame: one for one in [*found.values(), *more]}
    return tuple(every.values())[:MOST_PROVEN]


def _of_label(decoder: Decoder, instrument: Instrument, frames: Frames | None, label: Label) -> Proven | None:
    if frames is None:
        return None
    times = frames.t_s + instrument.offset_s
    inside = np.flatnonzero((times > label.start_s + _MARGIN_S) & (times < label.end_s - _MARGIN_S) & ~frames.broken)
    if not len(inside):
        return None
    which = inside[len(inside) // 2:][:1]
    readings = decoder.read(frames.take(which))
    reading = readings.rows[int(readings.which[0])]
    if reading.status in (Status.UNPROVEN, Status.BAD_CHECK, Status.BROKEN):
        return None
    agrees = reading.display == label.display and set(reading.flags.split()) == set(label.flags) \
        and normal(reading.unit) == normal(label.unit)
    row = (reading.display, value_text(reading), reading.unit, reading.flags, str(reading.status))
    return Proven(frame=next(iter(frames.take(which))), row=row) if agrees else None
