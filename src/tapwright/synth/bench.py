"""An hour at the bench: what the display showed when, and the captures, labels and radio frames made of it.

Evidence is as bad as in life: captures begin inside a byte, glitches sit on the line, the labels' clock runs some
seconds off, one label is wrong, the radio loses frames.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from tapwright.synth.display import FUNCTIONS, Face, Function, some_face, with_sign
from tapwright.synth.instrument import Pretend
from tapwright.synth.wire import Edges, Sent, cut, levels


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A face on the display from `start_s` to `end_s`, seconds of the session's own clock."""

    start_s: float
    end_s: float
    face: Face


@dataclass(frozen=True, kw_only=True)
class Session:
    """What was shown and what was sent, in time order; `frames[i]` shows `faces[i]`."""

    shown: tuple[Shown, ...]
    sent: tuple[Sent, ...]
    faces: tuple[Face, ...]
    seconds: float


def play(meter: Pretend, faces: list[Face], rng: random.Random, *, hold_s: float = 2.2) -> Session:
    """Show faces one after the other, about `hold_s` each, and send frames all the while."""
    shown, t = [], 0.6
    for face in faces:
        end = t + hold_s * rng.uniform(0.85, 1.3)
        shown.append(Shown(start_s=t, end_s=end, face=face))
        t = end
    sent: list[Sent] = []
    seen: list[Face] = []
    at, number, i = rng.uniform(0, meter.period_s), rng.randrange(200), 0
    while at < t:
        while i + 1 < len(shown) and shown[i + 1].start_s <= at:
            i += 1
        sent.append(Sent(t_s=at, frame=meter.frame(shown[i].face, number)))
        seen.append(shown[i].face)
        at += meter.period_s * rng.uniform(0.99, 1.01)
        number += 1
    return Session(shown=tuple(shown), sent=tuple(sent), faces=tuple(seen), seconds=t + 0.4)


def line_of(meter: Pretend, session: Session, rng: random.Random, *, rate_hz: int, start_s: float = 0.0,
            glitches: int = 3) -> tuple[int, Edges, int]:
    """Return first level, edges and number of samples of the data line, captured from `start_s` on."""
    edges = levels(meter, list(session.sent), rate_hz=rate_hz, seconds=session.seconds, rng=rng, glitches=glitches)
    start = round(start_s * rate_hz)
    level, rest = cut(edges, start)
    return level, rest, round(session.seconds * rate_hz) - start


def labels_csv(name: str, session: Session, rng: random.Random, *, offset_s: float, start_s: float = 0.0,
               every: int = 1) -> str:
    """Return label rows (without heading) as a person would write them: times rounded, edges a little off.

    `offset_s` is added to capture time.
    """
    rows = []
    for item in session.shown[::every]:
        slack = 0.15 * (item.end_s - item.start_s)
        start = item.start_s - start_s + offset_s + rng.uniform(0, slack)
        end = item.end_s - start_s + offset_s - rng.uniform(0, slack)
        if start < offset_s:
            continue
        face = item.face
        rows.append(f"{name},{start:.2f},{end:.2f},{face.text},{face.function.unit},{' '.join(face.flags)}")
    return "\n".join(rows) + "\n"


def misread(rows: str, rng: random.Random) -> tuple[str, int]:
    """Return label rows of which one has another last digit, and that row's number from 1: people misread."""
    lines = [line.split(",") for line in rows.splitlines()]
    number = rng.choice([i for i, cells in enumerate(lines, 1) if any(map(str.isdigit, cells[3]))])
    text = lines[number - 1][3]
    at = max(j for j, char in enumerate(text) if char.isdigit())
    lines[number - 1][3] = text[:at] + str((int(text[at]) + rng.randint(1, 9)) % 10) + text[at + 1:]
    return "".join(",".join(cells) + "\n" for cells in lines), number


LABEL_HEAD = "capture,start_s,end_s,display,unit,flags\n"


def radio_csv(meter: Pretend, session: Session, rng: random.Random, *, clock_s: float, lost: float = 0.06) -> str:
    """Return the radio side of a session as a frames file: masked, late by up to 20 ms, some frames lost."""
    rows = [f"{item.t_s + clock_s + rng.uniform(0, 0.02):.3f},{meter.radio(item.frame).hex().upper()}"
            for item in session.sent if rng.random() >= lost]
    return "t_s,hex\n" + "\n".join(rows) + "\n"


def first_hour(rng: random.Random) -> list[Face]:
    """What a person thinks of showing first: every function once round, but the upper conductivity range."""
    faces: list[Face] = []
    for function in FUNCTIONS:
        if function.unit == "mS/cm":
            continue
        faces += _round_of(function, rng)
    faces += [Face(function=FUNCTIONS[0], count=None, flags=("AUTO",)), Face(function=FUNCTIONS[2], count=None)]
    return faces


def everything(rng: random.Random) -> list[Face]:
    """Another walk through all functions and flags, for proof and for the live page."""
    faces: list[Face] = []
    for function in FUNCTIONS:
        faces += _round_of(function, rng)
        faces.append(Face(function=function, count=None, flags=("AUTO",)))
    faces.append(replace(some_face(rng, FUNCTIONS[0]), blank=True, flags=()))
    return faces


def _round_of(function: Function, rng: random.Random) -> list[Face]:
    faces = [some_face(rng, function) for _ in range(5)]
    faces.append(replace(faces[-1], flags=("AUTO", "HOLD")))
    faces.append(some_face(rng, function, ("MIN",)))
    faces.append(some_face(rng, function, ("MAX",)))
    faces.append(some_face(rng, function, ("AUTO", "BATT")))
    if function.negative:
        faces += [with_sign(some_face(rng, function), negative=True) for _ in range(2)]
    return faces


def answer(want: dict[str, object], rng: random.Random) -> Face | None:
    """Return a face that meets a `want` of the learning step, as the person at the bench would; None if none does."""
    functions = [function for function in FUNCTIONS if want.get("unit") in (None, function.unit)]
    flags = tuple(flag for flag, on in dict(want.get("flags") or {}).items() if on)  # type: ignore[call-overload]
    for _ in range(4000):
        if not functions:
            return None
        function = rng.choice(functions)
        face = some_face(rng, function, flags)
        if want.get("overload"):
            face = replace(face, count=None)
        elif want.get("blank"):
            face = replace(face, blank=True)
        elif function.negative and (want.get("negative") or (want.get("negative") is None and rng.random() < 0.1)):
            face = with_sign(face, negative=True)
        if _meets(face, want):
            return face
    return None


def _meets(face: Face, want: dict[str, object]) -> bool:
    digits, decimals, minus = face.places
    wanted: dict[str, str] = dict(want.get("digits") or {})  # type: ignore[call-overload]
    for place, chars in wanted.items():
        index = int(place) - 1
        # A suppressed leading zero is met by a blank.
        if index >= len(digits) or (digits[index] not in chars and not (digits[index] == " " and "0" in chars)):
            return False
    if want.get("negative") is not None and bool(want["negative"]) != minus:
        return False
    if want.get("point") is not None and int(str(want["point"])) != (decimals or 0):
        return False
    if bool(want.get("overload")) != (face.count is None and not face.blank) and (want.get("overload") or wanted):
        return False
    if bool(want.get("blank")) and not face.blank:
        return False
    value = None if face.count is None or face.blank else face.count / 10 ** face.function.decimals
    least, most = want.get("at_least"), want.get("at_most")
    if least is not None and (value is None or value < float(str(least))):
        return False
    return most is None or (value is not None and value <= float(str(most)))
