"""Runs the solver on blind instruments and judges what it reads."""

from __future__ import annotations

import random
import re
from dataclasses import dataclass

from tapwright.core.frame import Check, FrameLayout, Frames
from tapwright.core.instrument import Instrument
from tapwright.core.job import Demands, Range
from tapwright.core.reading import Reading, Status
from tapwright.evidence.labels import Label, normal_display
from tapwright.mapping.apply import Decoder
from tapwright.mapping.find import learn
from tapwright.mapping.report import LearnReport
from tests.mapping.blind import Blind, Session, Shown

CERTAIN = (Status.OK, Status.OVERLOAD, Status.BLANK)


def layout_of(meter: Blind) -> FrameLayout:
    n = len(meter.frame(Shown(0)))
    checks = (Check(kind="sum8", first=0, last=n - 2, at=n - 1),) if meter.has_check else ()
    return FrameLayout(length="fixed", n_bytes=n, checks=checks)


def labels_of(session: Session, capture: str = "a.csv") -> tuple[Label, ...]:
    return tuple(Label(row, capture, start, end, normal_display(display)[0], unit, tuple(flags.split()))
                 for row, (start, end, display, unit, flags) in enumerate(session.labels, 1))


def learned(meter: Blind, session: Session, demands: Demands | None = None) -> LearnReport:
    frames = Frames.of(session.frames, session.t_s)
    return learn({"a.csv": frames}, labels_of(session), layout=layout_of(meter), demands=demands)


@dataclass(frozen=True)
class Score:
    n: int
    certain: int
    wrong: list[tuple[Reading, str, str]]


def score(meter: Blind, report: LearnReport, rng: random.Random, n: int = 150) -> Score:
    """Read frames never seen (overload and blank ones too) and compare with what the display showed."""
    assert report.reading_map is not None
    shown = [meter.some(rng) for _ in range(n)]
    shown += [Shown(r.range, overload=True, flags=r.flags) for r in shown[:8]]
    shown += [Shown(r.range, blank=True, flags=r.flags) for r in shown[8:16]]
    frames = Frames.of([meter.frame(r, i) for i, r in enumerate(shown)], [0.3 * i for i in range(len(shown))])
    decoder = Decoder(Instrument(name="", reading_map=report.reading_map, layout=layout_of(meter)))
    wrong, certain = [], 0
    for reading, truth in zip(decoder.read(frames), shown, strict=True):
        if reading.status in CERTAIN:
            certain += 1
            right = (reading.display, reading.unit, set(reading.flags.split())) == \
                (meter.text(truth), meter.unit(truth), set(truth.flags))
            if not right:
                wrong.append((reading, meter.text(truth), meter.unit(truth)))
    return Score(len(shown), certain, wrong)


def shown_wrong(meter: Blind, report: LearnReport, rng: random.Random, n: int = 200) -> list[tuple[Reading, str]]:
    """Return the rows without proof whose display is neither right nor open where it is not."""
    assert report.reading_map is not None
    shown = [meter.some(rng) for _ in range(n)]
    frames = Frames.of([meter.frame(r, i) for i, r in enumerate(shown)], [0.3 * i for i in range(n)])
    decoder = Decoder(Instrument(name="", reading_map=report.reading_map, layout=layout_of(meter)))
    out = []
    for reading, truth in zip(decoder.read(frames), shown, strict=True):
        # An open place may be a dark one.
        pattern = ".?" + "".join(".?" if c == "?" else re.escape(c) for c in reading.display)
        if reading.status is Status.UNPROVEN and reading.display != "?" and \
                not re.fullmatch(pattern if "?" in reading.display else re.escape(reading.display), meter.text(truth)):
            out.append((reading, meter.text(truth)))
    return out


def demands_of(meter: Blind) -> Demands:
    shows = ("overload", "blank", *(("negative",) if meter.can_negative else ()))

    def text(greatest: int, decimals: int) -> str:
        digits = str(greatest).rjust(decimals + 1, "0")
        return f"{digits[:-decimals]}.{digits[-decimals:]}" if decimals else digits

    return Demands(units=tuple(dict.fromkeys(unit for unit, _ in meter.ranges)), flags=meter.flags, shows=shows,
                   ranges=tuple(Range(text=text(top, decimals), unit=unit)
                                for top, (unit, decimals) in zip(meter.greatest, meter.ranges, strict=True)))


def meets(meter: Blind, want: dict[str, object], shown: Shown) -> bool:
    """Say whether a reading is what was asked for, word by word of the contract."""
    if bool(want.get("overload")) != shown.overload or bool(want.get("blank")) != shown.blank:
        return False
    unit, decimals = meter.ranges[shown.range]
    if want.get("unit", unit) != unit or want.get("point", decimals) != decimals:
        return False
    if want.get("negative", shown.negative) != shown.negative:
        return False
    if any((name in shown.flags) != on for name, on in want.get("flags", {}).items()):  # type: ignore[attr-defined]
        return False
    figures = str(shown.count).rjust(meter.digits, "0")
    if any(figures[int(place) - 1] not in some for place, some in want.get("digits", {}).items()):  # type: ignore[attr-defined]
        return False
    value = (-shown.count if shown.negative else shown.count) * 10.0 ** -decimals
    return want.get("at_least", value) <= value + 1e-9 and want.get("at_most", value) >= value - 1e-9  # type: ignore[operator]


def answer(meter: Blind, want: dict[str, object], rng: random.Random) -> Shown | None:
    """Return a reading that the instrument can show and that was asked for; None where it can show none."""
    for _ in range(5000):
        some = meter.some(rng, flags=0.15)
        top, decimals = meter.greatest[some.range], meter.ranges[some.range][1]
        figures = list(str(rng.randint(0, top)).rjust(meter.digits, "0"))
        for place, choice in want.get("digits", {}).items():  # type: ignore[attr-defined]
            figures[int(place) - 1] = rng.choice(choice)
        count = int("".join(figures))
        if "at_least" in want:
            count = rng.randint(round(want["at_least"] * 10 ** decimals), round(want["at_most"] * 10 ** decimals))  # type: ignore[operator]
        flags = set(some.flags)
        for name, on in want.get("flags", {}).items():  # type: ignore[attr-defined]
            flags = flags | {name} if on else flags - {name}
        dark = bool(want.get("overload") or want.get("blank"))
        if not 0 <= count <= top:
            continue
        negative = bool(want.get("negative", some.negative)) and count > 0 and meter.can_negative and not dark
        shown = Shown(some.range, 0 if dark else count, negative, frozenset(flags), bool(want.get("overload")),
                      bool(want.get("blank")))
        if meets(meter, want, shown):
            return shown
    return None
