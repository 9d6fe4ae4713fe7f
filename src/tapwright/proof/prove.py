"""Hold a description against labels of captures that it was not learned from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from tapwright.core.errors import LabelError
from tapwright.core.job import Demands
from tapwright.core.reading import Reading
from tapwright.evidence.labels import Label
from tapwright.proof.coverage import Coverage, cover
from tapwright.proof.runs import SETTLED, Heard, Shown, best_offset, heard, majority, same, shown_by

Verdict = Literal["proven", "contradicted", "not all seen", "not independent"]


@dataclass(frozen=True, kw_only=True)
class Unlike:
    """A label that the readings do not bear out."""

    row: int
    capture: str
    label: str
    read: str
    why: str

    def document(self) -> dict[str, object]:
        """Return it as JSON."""
        return {"row": self.row, "capture": self.capture, "label": self.label, "read": self.read, "why": self.why}


@dataclass(frozen=True, kw_only=True)
class Proof:
    """The outcome.

    Parameters
    ----------
    verdict : proven; contradicted (a label is not borne out); not all seen (right, but the job demands more); not
        independent (all right, but the description was learned from these very captures)
    labels, right : how many there are, and how many are borne out
    wrong : the others
    coverage : of the labels that are right
    offset_s : label time less capture time
    also_learned_from : captures of this proof that the description was learned from too
    frames, lost : frames read, and those among them that arrived damaged
    """

    verdict: Verdict
    labels: int
    right: int
    wrong: tuple[Unlike, ...]
    coverage: Coverage
    offset_s: float
    also_learned_from: tuple[str, ...]
    frames: int
    lost: int

    def document(self) -> dict[str, object]:
        """Return it as the contract's JSON."""
        return {
            "verdict": self.verdict, "labels": self.labels, "right": self.right,
            "wrong": [item.document() for item in self.wrong], "coverage": self.coverage.document(),
            "offset_s": round(self.offset_s, 3), "also_learned_from": list(self.also_learned_from),
            "frames": self.frames, "frames_damaged": self.lost,
        }


def prove(captures: Mapping[str, Iterable[Reading]], labels: tuple[Label, ...], demands: Demands, *,
          learned_from: frozenset[str] = frozenset(), accept_learned: bool = False, first_guess_s: float = 0.0,
          offset_s: float | None = None, places: int = 0) -> Proof:
    """Prove a description's readings by labels.

    Parameters
    ----------
    captures : capture's file name -> its readings in time order
    labels : what the display showed
    demands : what the job says must be seen
    learned_from : names of those captures that the description was learned from
    accept_learned : count labels of such captures as proof all the same
    first_guess_s, offset_s : where to look first for the labels' clock offset, or the offset itself
    places : of the whole display; labels may show fewer

    Raises
    ------
    LabelError : no labels, or one names a capture that is not there
    """
    if not labels:
        raise LabelError("no labels to prove by", expected="labels of what the display showed")
    if len(captures) == 1:
        # With one capture its name may be left out.
        only = next(iter(captures))
        labels = tuple(label if label.capture else replace(label, capture=only) for label in labels)
    for label in labels:
        if label.capture not in captures:
            raise LabelError(f"label row {label.row} names '{label.capture}', which is not among the captures",
                             expected="one of " + ", ".join(captures), do="name that capture too")
    frames = {name: heard(readings) for name, readings in captures.items()}
    if offset_s is None:
        offset_s, _ = best_offset(frames, labels, first_guess_s=first_guess_s)
    wrong = []
    right = []
    for label in labels:
        unlike = _judge(frames[label.capture], label, offset_s)
        if unlike:
            wrong.append(unlike)
        else:
            right.append(label)
    used = frozenset(label.capture for label in labels)
    again = tuple(sorted(learned_from & used))
    counted = right if accept_learned else [label for label in right if label.capture not in learned_from]
    coverage = cover(counted, demands, places=places)
    verdict: Verdict = "proven"
    if wrong:
        verdict = "contradicted"
    elif not counted:
        verdict = "not independent"
    elif not coverage.complete:
        verdict = "not all seen"
    return Proof(
        verdict=verdict, labels=len(labels), right=len(right), wrong=tuple(wrong), coverage=coverage,
        offset_s=offset_s, also_learned_from=again,
        frames=sum(len(item.t_s) + item.lost for item in frames.values()),
        lost=sum(item.lost for item in frames.values()),
    )


def _judge(frames: Heard, label: Label, offset_s: float) -> Unlike | None:
    wanted = shown_by(label)
    found = majority(frames, label, offset_s)
    if found is None:
        return _unlike(label, "", "no frame in this stretch")
    code, share = found
    shown, status = frames.kinds[code]
    if status in SETTLED and same(wanted, shown):
        return None
    if status not in SETTLED:
        return _unlike(label, shown.text(), f"read as {status}: labels have not settled all of this frame")
    changed = "" if share > 0.75 else ", and the display changed in this stretch"
    return _unlike(label, shown.text(), _difference(wanted, shown) + changed)


def _unlike(label: Label, read: str, why: str) -> Unlike:
    return Unlike(row=label.row, capture=label.capture, label=shown_by(label).text(), read=read, why=why)


def _difference(wanted: Shown, shown: Shown) -> str:
    parts = [name for name, a, b in zip(("display", "unit", "flags"), wanted, shown, strict=True) if a != b]
    return "the " + " and the ".join(parts) + (" differ" if len(parts) > 1 or parts == ["flags"] else " differs")
