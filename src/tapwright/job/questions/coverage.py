"""What have we not seen yet?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tapwright.core.job import Demands
from tapwright.decode.chain import readings_of
from tapwright.evidence.instrument_file import load_instrument
from tapwright.evidence.labels import Label, read_labels
from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.job.learning import digest
from tapwright.proof.coverage import cover
from tapwright.proof.draw import coverage_picture
from tapwright.proof.prove import prove

ORDER = 6
QUESTION = "What have we not seen yet?"
FIRST = "keep the reading map under 'What makes the number?': the proof holds it against other captures"
_DEMAND = ("say in job.toml which units, flags and ranges must be seen (the form here): prefixes are what everyone "
           "forgets")
_ANOTHER = "make another capture, a walk through all functions and ranges, and label it here (labels-proof.csv)"


def files(desk: Desk) -> tuple[Path, ...]:
    """Return the description, the labels kept for the proof, and their captures."""
    labels, instrument = desk.place("labels-proof.csv"), desk.place("instrument.toml")
    names = {label.capture for label in read_labels(labels[0])} if labels else set()
    return (*instrument, *labels, *(path for path in desk.captures if path.name in names)) if instrument else ()


def answer(desk: Desk) -> Answer:
    """Prove the description on captures that it was not learned from, and list what was never seen."""
    instrument_file, *others = files(desk)
    if not others:
        return _none(desk, "A reading map is kept; nothing has been held against it yet.", _ANOTHER)
    labels_file, *captures = others
    missing = sorted({label.capture for label in read_labels(labels_file)} - {path.name for path in captures})
    if missing:
        return _none(desk, f"The labels for the proof name captures that are not here: {', '.join(missing)}.",
                     f"drop the capture {missing[0]}, or correct the labels that name it")
    instrument = load_instrument(instrument_file)
    learned = frozenset(path.name for path in captures if digest(path) in instrument.learned_from)
    proof = prove({path.name: readings_of(path, instrument) for path in captures}, read_labels(labels_file),
                  desk.job.demands, learned_from=learned, first_guess_s=instrument.offset_s,
                  places=instrument.reading_map.places)
    coverage = proof.coverage
    never = [item for kind in (coverage.functions, coverage.units, coverage.flags, coverage.shows, coverage.ranges)
             for item in kind.never]
    demanded = desk.job.demands != Demands()
    said = {"proven": "Nothing: every label is right, and all that the job demands was seen." if demanded else
            "Every label is right; what else must be seen, job.toml does not say yet.",
            "contradicted": f"{len(proof.wrong)} of {proof.labels} labels are contradicted.",
            "not all seen": "Never seen: " + ", ".join(never) + ".",
            "not independent": "There is no proof yet: these captures were learned from."}[proof.verdict]
    steps = {"contradicted": tuple(f"look at label {item.row}: it says {item.label}, the frames say {item.read or '-'} "
                                   f"({item.why})" for item in proof.wrong[:3]),
             "not all seen": tuple(f"capture and label a stretch that shows {item}" for item in never),
             "not independent": (_ANOTHER,)}.get(proof.verdict, () if demanded else (_DEMAND,))
    unshown = "; ".join(f"digit {place}: {' '.join(one.never)}" for place, one in coverage.digits.items() if one.never)
    return Answer(
        id="coverage", question=QUESTION, answer=said,
        state="settled" if proof.verdict == "proven" and demanded else "open",
        files=tuple(desk.named(path) for path in files(desk)),
        evidence=(f"{proof.right} of {proof.labels} labels right in {proof.frames} frames of other captures",
                  *((f"digits that no label here showed (none is demanded by itself): {unshown}",) if unshown else ())),
        next=steps, document=proof.document(),
        picture=coverage_picture(coverage), picture_text="What was seen and right, and what never was",
    )


def labelled_picture(labels: Sequence[Label], demands: Demands) -> str:
    """Return a picture of what labels have shown of what the job demands; nothing of it is confirmed yet."""
    return coverage_picture(cover(labels, demands), seen="Labelled")


def _none(desk: Desk, said: str, step: str) -> Answer:
    return Answer(id="coverage", question=QUESTION, state="none", answer=said, next=(step,),
                  files=tuple(desk.named(path) for path in files(desk)))
