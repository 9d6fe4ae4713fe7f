"""Following `next`: it ends, everything is settled then, nothing impossible or known is asked, few readings are used."""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from tapwright.mapping.report import LearnReport
from tests.mapping.blind import FAMILIES, SHAPES, Blind, Shown, blind, play
from tests.mapping.driver import answer, demands_of, learned, score

TURNS = 12
SMALL = range(12)


def follow(meter: Blind, readings: list[Shown], rng: random.Random) -> tuple[list[Shown], LearnReport]:
    """Show what is asked until nothing is."""
    asked: list[object] = []
    for _ in range(TURNS):
        report = learned(meter, play(meter, readings, random.Random(1), offset_s=0.5), demands_of(meter))
        if not report.next:
            return readings, report
        for ask in report.next:
            shown = answer(meter, ask.want, rng)
            assert shown is not None, f"the instrument cannot show {ask.want}"
            assert ask.want not in asked, f"asked twice: {ask.want}"
            asked.append(ask.want)
            readings = [*readings, shown]
    raise AssertionError(f"still asking after {TURNS} turns: {report.next}")


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", (4, 7))
def test_following_next_settles_everything(family: str, seed: int) -> None:
    meter, rng = blind(seed, family), random.Random(seed)
    readings, report = follow(meter, [meter.some(rng) for _ in range(3)], rng)
    result = score(meter, report, rng)
    assert result.wrong == []
    assert result.certain == result.n
    assert len(readings) <= 30


@pytest.mark.slow
@pytest.mark.parametrize("family", ("segments", "table"))
@pytest.mark.parametrize("seed", SMALL)
def test_near_the_exact_cover(family: str, seed: int) -> None:
    """On small instruments `next` asks for at most 1.25 times the fewest readings after which nothing is alike."""
    meter, rng = blind(seed, family, places=2), random.Random(seed)
    start = [meter.some(rng) for _ in range(3)]
    readings, report = follow(meter, start, rng)
    result = score(meter, report, rng)
    assert result.certain == result.n
    assert len(readings) - len(start) <= 1.25 * fewest_further(meter, start)


def showable(meter: Blind) -> list[Shown]:
    """Return every reading of a small instrument, flags none, each alone and all."""
    flag_sets = {frozenset(), frozenset(meter.flags), *(frozenset([flag]) for flag in meter.flags)}
    out = []
    for at, top in enumerate(meter.greatest):
        for flags in flag_sets:
            out += [Shown(at, flags=flags, overload=True), Shown(at, flags=flags, blank=True)]
            out += [Shown(at, count, negative, flags) for count in range(top + 1)
                    for negative in ((False, True) if meter.can_negative and count else (False,))]
    return out


def facts_of(meter: Blind, shown: Shown) -> set[tuple[str, ...]]:
    """Return what a reading does towards the whole: facts that each must be seen in some reading.

    Segments: every lamp lit and dark, every two lamps alike and unlike (where an overload sign stands is not known, so
    it says nothing of the digits' lamps). Tables: every character in every place. And each range, state, sign and flag.
    """
    facts = {("flag", flag, str(flag in shown.flags)) for flag in meter.flags}
    dark = shown.overload or shown.blank
    if dark:
        facts |= {("overload",) if shown.overload else ("blank",)}
    else:
        facts |= {("range", str(shown.range)), ("negative", str(shown.negative))}
    figures = " " * meter.digits if dark else meter.figures(shown).rjust(meter.digits)
    if meter.family == "table":
        return facts if dark else facts | {("place", str(place), figure) for place, figure in enumerate(figures)}
    lamps = {} if shown.overload else {f"{place}{segment}": segment in SHAPES[figure]
                                       for place, figure in enumerate(figures) for segment in "abcdefg"}
    signs: dict[str, list[str]] = meter.notes["signs"]  # type: ignore[assignment]
    unit, decimals = meter.ranges[shown.range]
    lamps |= {"u" + sign: sign in signs[unit] for parts in signs.values() for sign in parts}
    lamps |= {f"p{behind}": behind == decimals and not dark for _, behind in meter.ranges if behind}
    lamps |= {"minus": shown.negative, **{flag: flag in shown.flags for flag in meter.flags}}
    facts |= {("lamp", name, str(lit)) for name, lit in lamps.items()}
    return facts | {("two", a, b, str(lamps[a] == lamps[b])) for a, b in itertools.combinations(sorted(lamps), 2)}


def fewest_further(meter: Blind, start: list[Shown]) -> int:
    """Return the fewest readings that, after those of the start, show every fact that can be shown: an exact cover.

    By HiGHS through scipy: a binary choice a reading, every fact covered; where the solver stops early, its bound.
    """
    done = set().union(*(facts_of(meter, shown) for shown in start))
    columns = {frozenset(facts_of(meter, shown) - done) for shown in showable(meter)} - {frozenset()}
    facts = sorted(set().union(*columns))
    covers = np.array([[fact in column for column in columns] for fact in facts], float)
    found = milp(np.ones(len(columns)), constraints=LinearConstraint(covers, lb=1), integrality=np.ones(len(columns)),
                 bounds=Bounds(0, 1), options={"time_limit": 20})
    return math.ceil(found.mip_dual_bound - 1e-6)
