"""The trend of days in bounded memory: stretches of time with their smallest and greatest value, the older the longer.

Every `ok` reading goes into each level at once; a level drops its oldest stretches. Extremes are kept at every level,
so a spike of one reading is still there when a whole day is drawn.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

Point = tuple[float, float, float]


@dataclass(slots=True)
class Stretch:
    """A stretch of readings in one unit without a gap: when it began and ended, smallest and greatest value.

    `first_of_run` is True where a gap, or another unit, lies before it.
    """

    t: float
    t_end: float
    low: float
    high: float
    unit: str
    first_of_run: bool


@dataclass(frozen=True)
class Level:
    """How long a stretch is and how far back a level reaches, both in seconds; 0 keeps every reading."""

    stretch_s: float
    reach_s: float
    most: int


#: The reach of a level is a little over a round time, so that asking for "the last day" finds all of it.
LEVELS = (Level(0, 1200, 24_000), Level(1, 7_200, 7_500), Level(10, 93_600, 9_600), Level(120, 1_209_600, 10_400))


@dataclass
class Trend:
    """The readings of days, held at several levels of detail; memory is bounded by `LEVELS`."""

    levels: tuple[Level, ...] = LEVELS
    held: list[deque[Stretch]] = field(init=False)
    breaks: list[bool] = field(init=False)

    def __post_init__(self) -> None:
        self.held = [deque(maxlen=level.most) for level in self.levels]
        self.breaks = [True] * len(self.levels)

    def gap(self) -> None:
        """Note that time without readings lies before the next one."""
        self.breaks = [True] * len(self.levels)

    def add(self, t: float, value: float, unit: str) -> None:
        """Take one reading; `t` rises from call to call."""
        for i, level in enumerate(self.levels):
            held = self.held[i]
            last = held[-1] if held else None
            new_run = self.breaks[i] or last is None or last.unit != unit
            if last is not None and not new_run and level.stretch_s and t - last.t < level.stretch_s:
                last.t_end = t
                last.low, last.high = min(last.low, value), max(last.high, value)
            else:
                held.append(Stretch(t, t, value, value, unit, new_run))
                while held[0].t < t - level.reach_s:
                    held.popleft()
            self.breaks[i] = False

    def segments(self, start: float, end: float, points: int) -> list[dict[str, object]]:
        """Return the trend from `start` to `end` as at most about `points` points, in segments of one unit."""
        return as_segments(thinned(self._best(start, points), start, end, points))

    def _best(self, start: float, points: int) -> Iterable[Stretch]:
        # The finest level that reaches back far enough and is not needlessly fine; else the one that reaches furthest.
        oldest = [held[0].t if held else float("inf") for held in self.held]
        reaches = [i for i, t in enumerate(oldest) if t <= max(start, min(oldest))]
        fine = [i for i in reaches if len(self.held[i]) <= 40 * points]
        return self.held[(fine or reaches or [len(self.levels) - 1])[0]]


def thinned(stretches: Iterable[Stretch], start: float, end: float, points: int) -> Iterator[Stretch]:
    """Join stretches so that about `points` are left; smallest and greatest of each are kept, runs stay apart."""
    width = max(end - start, 1e-9) / max(points, 1)
    inside = itertools.dropwhile(lambda stretch: stretch.t_end < start, stretches)
    joined: Stretch | None = None
    for stretch in itertools.takewhile(lambda stretch: stretch.t <= end, inside):
        if joined is not None and not stretch.first_of_run and stretch.t_end - joined.t < width:
            joined.t_end = stretch.t_end
            joined.low, joined.high = min(joined.low, stretch.low), max(joined.high, stretch.high)
            continue
        if joined is not None:
            yield joined
        joined = Stretch(stretch.t, stretch.t_end, stretch.low, stretch.high, stretch.unit, stretch.first_of_run)
    if joined is not None:
        yield joined


def as_segments(stretches: Iterable[Stretch]) -> list[dict[str, object]]:
    """Return stretches as the JSON's segments: a new one at each run and each unit."""
    segments: list[dict[str, object]] = []
    points: list[Point] = []
    unit: str | None = None
    for stretch in stretches:
        if stretch.first_of_run or stretch.unit != unit:
            points, unit = [], stretch.unit
            segments.append({"unit": unit, "points": points})
        points.append((round((stretch.t + stretch.t_end) / 2, 3), stretch.low, stretch.high))
    return segments
