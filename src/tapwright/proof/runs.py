"""Readings of one capture as runs of equal ones, and labels laid over them at some clock offset."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tapwright.core import units
from tapwright.core.reading import Reading, Status
from tapwright.evidence.labels import Label

# A label's times are within 0.3 s of the display's change (contract): what lies nearer to its ends proves nothing.
SLACK_S = 0.3
#: Readings that say what the display showed; the others say nothing about it.
SETTLED = frozenset({Status.OK, Status.OVERLOAD, Status.BLANK})
_LOST = frozenset({Status.BAD_CHECK, Status.BROKEN})


class Shown(NamedTuple):
    """What the display showed, in one spelling; flags sorted."""

    display: str
    unit: str
    flags: tuple[str, ...]

    def text(self) -> str:
        """Return it as a person would say it."""
        return " ".join(part for part in (self.display or "(blank)", self.unit, *self.flags) if part)


@dataclass(frozen=True)
class Heard:
    """The readable frames of one capture.

    Parameters
    ----------
    t_s : float64, shape (n,), increasing; frames that arrived damaged are left out
    code : int64, shape (n,), index into `kinds`
    kinds : the distinct readings with their status
    lost : frames left out
    """

    t_s: NDArray[np.float64]
    code: NDArray[np.int64]
    kinds: tuple[tuple[Shown, Status], ...]
    lost: int

    @property
    def period_s(self) -> float:
        """Usual time between frames, 0 where there are fewer than two."""
        return float(np.median(np.diff(self.t_s))) if len(self.t_s) > 1 else 0.0


def heard(readings: Iterable[Reading]) -> Heard:
    """Return the readable frames of a capture's readings."""
    kinds: dict[tuple[Shown, Status], int] = {}
    times: list[float] = []
    codes: list[int] = []
    lost = 0
    for reading in readings:
        if reading.status in _LOST:
            lost += 1
            continue
        shown = Shown(reading.display, units.normal(reading.unit), tuple(sorted(reading.flags.split())))
        times.append(reading.t_s)
        codes.append(kinds.setdefault((shown, reading.status), len(kinds)))
    return Heard(np.asarray(times, np.float64), np.asarray(codes, np.int64), tuple(kinds), lost)


def shown_by(label: Label) -> Shown:
    """Return what a label says was shown."""
    return Shown("OL" if label.is_overload else label.display, label.unit, tuple(sorted(label.flags)))


def same(label: Shown, reading: Shown) -> bool:
    """Whether a settled reading shows what a label says; leading blanks do not count."""
    return (label.display == reading.display.strip() or (label.display == "OL" and "L" in reading.display.upper())) \
        and label[1:] == reading[1:]


def inner(label: Label, offset_s: float) -> tuple[float, float]:
    """Return the part of a label's stretch that is surely inside, on the capture's clock."""
    start, end = label.start_s - offset_s, label.end_s - offset_s
    trim = min(SLACK_S, (end - start) / 3)
    return start + trim, end - trim


def majority(frames: Heard, label: Label, offset_s: float) -> tuple[int, float] | None:
    """Return the commonest reading's index in the label's inner stretch and its share; None where there is none."""
    start, end = inner(label, offset_s)
    first, last = np.searchsorted(frames.t_s, (start, end), side="left")
    if first == last:
        # No frame inside so short a stretch: the one that was on the display then, if it is not stale.
        middle = (start + end) / 2
        i = int(np.searchsorted(frames.t_s, middle, side="right")) - 1
        if i < 0 or middle - frames.t_s[i] > 2 * max(frames.period_s, 0.05):
            return None
        return int(frames.code[i]), 1.0
    count = Counter(frames.code[first:last].tolist())
    code, times = count.most_common(1)[0]
    return code, times / int(last - first)


def best_offset(frames: dict[str, Heard], labels: tuple[Label, ...], *, first_guess_s: float,
                most_s: float = 5.0) -> tuple[float, int]:
    """Return the clock offset at which most labels fit what was read, and how many do.

    Label time = capture time + offset. Among equal ones the middle of the longest stretch counts; a tie of stretches
    goes to the one nearer `first_guess_s`.
    """
    period = min((item.period_s for item in frames.values() if item.period_s > 0), default=0.2)
    step = min(max(period / 3, 0.02), 0.1)
    offsets = np.arange(-most_s, most_s + step / 2, step)
    score = np.zeros(len(offsets), np.int64)
    for label in labels:
        item = frames[label.capture]
        if not len(item.t_s):
            continue
        wanted = shown_by(label)
        fits = np.array([status in SETTLED and same(wanted, shown) for shown, status in item.kinds])
        if not fits.any():
            continue
        middle = (label.start_s + label.end_s) / 2 - offsets
        i = np.searchsorted(item.t_s, middle, side="right") - 1
        near = (i >= 0) & (middle - item.t_s[np.maximum(i, 0)] <= 3 * max(period, 0.05))
        score += near & fits[item.code[np.maximum(i, 0)]]
    best = int(score.max())
    if best == 0:
        return first_guess_s, 0
    at = np.flatnonzero(score == best)
    stretches = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    chosen = min(stretches, key=lambda s: (-len(s), abs(float(offsets[s[len(s) // 2]]) - first_guess_s)))
    return float(offsets[chosen[0]] + offsets[chosen[-1]]) / 2, best
