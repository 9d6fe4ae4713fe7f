"""Which line talks, and how?"""

from __future__ import annotations

from pathlib import Path

from tapwright.job.answers import Answer
from tapwright.job.desk import Desk
from tapwright.line.draw import picture

ORDER = 2
QUESTION = "Which line talks, and how?"
FIRST = "record the pad that talks with a logic capture, a minute of changing readings, and drop it here (captures/)"
_WORDS = {"level": "steady or slow", "unknown": "not understood", "async": "a line that talks too", "clock": "a clock"}
_SETTLE = ("only the form is open, and it does no harm where all of them read the same bytes: a longer capture whose "
           "characters follow each other without a pause tells stop bits apart")


def files(desk: Desk) -> tuple[Path, ...]:
    """Return the first capture: the one that labels name, if any."""
    return desk.captures[:1]


def answer(desk: Desk) -> Answer:
    """Answer from the capture's edges."""
    path = files(desk)[0]
    found = desk.frames(path).bytes_found
    if found.lines is None:
        return Answer(id="line", question=QUESTION, state="none", files=(desk.named(path),),
                      answer="This file holds bytes already; a capture of levels would show the line.")
    finding = found.lines.channel(found.channel)
    settings = finding.settings
    if settings is None:
        return Answer(id="line", question=QUESTION, state="settled", files=(desk.named(path),),
                      answer=f"A clocked pair: {found.line}.", document=found.lines.document())
    others = ", ".join(f"{other.name} is {_WORDS.get(other.kind, other.kind)}" for other in found.lines.channels
                       if other is not finding)
    same = [other.name for other, _ in finding.alternatives]
    return Answer(
        id="line", question=QUESTION, state="open" if same else "settled", files=(desk.named(path),),
        answer=f"{finding.name} talks at {settings.name}" + (f"; {others}." if others else "."),
        evidence=(f"{finding.n_bytes} bytes, {finding.framing_errors} framing and "
                  f"{finding.parity_errors} parity errors",
                  f"measured {settings.measured_baud or settings.baud:.1f} ± {finding.sigma_baud:.1f} baud at "
                  f"{finding.samples_per_bit:.1f} samples a bit",
                  *((f"{finding.glitches} glitches bridged",) if finding.glitches else ()),
                  *((f"{100 * finding.probability:.0f} % sure of the form; no more errors with {', '.join(same[:4])}",)
                    if same else ())),
        next=(*finding.advice, _SETTLE) if same else (),
        picture=picture(found.lines), picture_text=f"Levels of {finding.name} over its first bytes",
        document=found.lines.document(),
    )
