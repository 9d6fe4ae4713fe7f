"""What hides the radio side?"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.mask.find import find_mask

ORDER = 4
QUESTION = "What hides the radio side?"
FIRST = ("only where the instrument sends by radio: record the same readings over the radio and on the wire, and drop "
         "both (radio/, captures/)")


def files(desk: Desk) -> tuple[Path, ...]:
    """Return a wire capture and a radio recording; both are needed."""
    return (desk.captures[0], desk.radio[0]) if desk.captures and desk.radio else ()


def answer(desk: Desk) -> Answer:
    """Answer from two recordings of the same readings."""
    wire, radio = files(desk)
    report = find_mask(desk.frames(wire).frames, desk.frames(radio).frames)
    document = cast(dict[str, Any], report.document())
    names = (desk.named(wire), desk.named(radio))
    if document["kind"] is None:
        return Answer(id="mask", question=QUESTION, state="none", files=names, document=document,
                      answer="No fixed mask joins these two recordings.", next=tuple(document.get("advice", ())))
    kind = document["kind"] if isinstance(document["kind"], str) else ", then ".join(document["kind"])
    determined, total = document["determined_bits"], document["total_bits"]
    said = "Nothing: the radio sends the wire's bytes as they are." if kind == "none" else \
        f"A fixed mask: {kind}; {determined} of {total} bits of it are settled."
    return Answer(
        id="mask", question=QUESTION, state="settled" if determined == total else "open", files=names, answer=said,
        evidence=(f"{document['pairs_used']} pairs of frames used, {document['pairs_checked']} held back as a check, "
                  f"{document['mismatches']} of those mismatch",),
        next=tuple(document.get("advice", ())) if determined != total else (), document=document,
    )
