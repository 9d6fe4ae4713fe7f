"""What makes the number?"""

from __future__ import annotations

from pathlib import Path

from tapwright.core.job import Demands
from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.job.learning import fingerprint, learned_on
from tapwright.mapping.draw import digits_picture

ORDER = 5
QUESTION = "What makes the number?"
FIRST = ("write down what the display showed during a capture: list its unchanged stretches and type each, or drop "
         "captions typed against a video")
_DEMAND = ("say in job.toml which units, flags and ranges the instrument has (the form under 'What have we not seen "
           "yet?'): it tells whether what is open can be shown at all")
_MOST_NAMED = 3


def files(desk: Desk) -> tuple[Path, ...]:
    """Return labels and the captures that they name."""
    names = {label.capture for label in desk.labels}
    return (*desk.place("labels.csv"), *(path for path in desk.captures if path.name in names))


def answer(desk: Desk) -> Answer:
    """Learn the reading map from the labels."""
    names = tuple(desk.named(path) for path in files(desk))
    missing = sorted({label.capture for label in desk.labels} - {path.name for path in desk.captures})
    if missing:
        return Answer(id="map", question=QUESTION, state="none", files=names,
                      answer=f"The labels name captures that are not here: {', '.join(missing)}.",
                      next=(f"drop the capture {missing[0]}, or correct the labels that name it",))
    learned = learned_on(desk)
    report = learned.report
    if report.reading_map is None:
        return Answer(id="map", question=QUESTION, state="none", files=names, document=report.document(),
                      answer=report.no_map + ".",
                      next=tuple(item.show for item in report.next) or (report.no_map_next,))
    wrong = [str(item.row) for item in report.labels_contradicted]
    steps = tuple(item.show for item in report.next)
    if report.undetermined and not steps and desk.job.demands == Demands():
        steps = (_DEMAND,)
    kind = report.reading_map.kind
    ahead = "ahead of" if report.offset_s >= 0 else "behind"
    return Answer(
        id="map", question=QUESTION, state="open" if steps else "settled", files=names,
        answer=f"The value is carried as {kind}, {report.reading_map.places} places; "
               f"{len(report.determined)} parts of the display are settled"
               + _open_words([item.what for item in report.undetermined], asked=bool(steps))
               + (f" Label {wrong[0]} contradicts the others and is not believed." if len(wrong) == 1 else
                  f" Labels {', '.join(wrong)} contradict the others and are not believed." if wrong else ""),
        evidence=(f"{report.labels - len(report.labels_contradicted)} of {report.labels} labels agree",
                  f"{report.frames_explained} of {report.frames} frames read without doubt",
                  f"the labels' clock is {abs(report.offset_s):.2f} s {ahead} the captures'",
                  *((f"on one label alone, look at it again: {', '.join(report.on_one_label[:_MOST_NAMED])}"
                     + (" ..." if len(report.on_one_label) > _MOST_NAMED else ""),) if report.on_one_label else ())),
        next=steps, document={**report.document(), "description": fingerprint(learned.instrument)},
        picture=digits_picture(report.reading_map), picture_text="Which bit lights which segment of each digit",
    )


def _open_words(names: list[str], *, asked: bool) -> str:
    if not names:
        return ", 0 are open."
    some = ", ".join(names[:_MOST_NAMED]) + (" ..." if len(names) > _MOST_NAMED else "")
    return f", {len(names)} {'is' if len(names) == 1 else 'are'} open: {some}." if asked else \
        f"; never shown, and nothing that the job demands: {some}."
