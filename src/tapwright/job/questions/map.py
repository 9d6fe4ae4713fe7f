"""What makes the number?"""

from __future__ import annotations

from pathlib import Path

from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.job.learning import fingerprint, learned_on
from tapwright.mapping.draw import digits_picture

ORDER = 5
QUESTION = "What makes the number?"
FIRST = ("write down what the display showed during a capture: list its unchanged stretches and type each, or drop "
         "captions typed against a video")


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
    wrong = ", ".join(str(item.row) for item in report.labels_contradicted)
    kind = report.reading_map.kind
    ahead = "ahead of" if report.offset_s >= 0 else "behind"
    return Answer(
        id="map", question=QUESTION, state="open" if report.next else "settled", files=names,
        answer=f"The value is carried as {kind}, {report.reading_map.places} places; "
               f"{len(report.determined)} parts of the display are settled, "
               f"{len(report.undetermined)} {'is' if len(report.undetermined) == 1 else 'are'} open."
               + (f" Label {wrong} contradicts the others and is not believed." if wrong else ""),
        evidence=(f"{report.labels - len(report.labels_contradicted)} of {report.labels} labels agree",
                  f"{report.frames_explained} of {report.frames} frames read without doubt",
                  f"the labels' clock is {abs(report.offset_s):.2f} s {ahead} the captures'"),
        next=tuple(item.show for item in report.next),
        document={**report.document(), "description": fingerprint(learned.instrument)},
        picture=digits_picture(report.reading_map), picture_text="Which bit lights which segment of each digit",
    )
