"""Which form (data bits, parity, stop bits, polarity) fits the characters of a line, and how often it fails.

Everything works on a table of start candidates: every edge to the active level, with the levels at the middle of the
bits behind it. The chain of characters depends on the length before the stop bit alone, so six chains a polarity
serve all 150 forms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tapwright.core.line import Parity
from tapwright.line.edges import Stretch

PARITIES: tuple[Parity, ...] = ("none", "even", "odd", "mark", "space")
STOPS = (1.0, 1.5, 2.0)
SHORTEST, LONGEST = 6, 11  # start + data + parity bits
N_LEVELS = 13  # start bit and twelve more
_PHASE_BITS = 6  # the shortest character's bits before its stop: edges within belong to it in every form
_MOST_EDGES = 48  # within thirteen bits, once glitches are bridged
_BLOCK = 1 << 13
MOST_SEARCHED = 600  # candidates looked at for the first gap
FAR = 63  # half bits: the next character starts this late or later

# How often forms are met, before anything is seen: judgement, no source. Only their order matters where the wire
# cannot tell: 8N2 before 8M1 and 9N1, 8N1 before 7S1.
_DATA_PRIOR = {5: 0.01, 6: 0.005, 7: 0.08, 8: 0.9, 9: 0.005}
_PARITY_PRIOR = {"none": 0.85, "even": 0.1, "odd": 0.045, "mark": 0.0002, "space": 0.0002}
_STOP_PRIOR = {1.0: 0.8, 1.5: 0.01, 2.0: 0.19}
# The top data bit of real traffic: always 0 (text), always 1, or anything; and the next one below likewise.
_TOP_ZERO, _TOP_ONE, _NEXT_TOP = 0.25, 0.005, 0.3


class Form(NamedTuple):
    """A form of character."""

    data_bits: int
    parity: Parity
    stop_bits: float
    inverted: bool

    @property
    def before_stop(self) -> int:
        """Bits before the stop bit."""
        return 1 + self.data_bits + (self.parity != "none")

    @property
    def log_prior(self) -> float:
        """Logarithm of how often the form is met."""
        return math.log(_DATA_PRIOR[self.data_bits] * _PARITY_PRIOR[self.parity] * _STOP_PRIOR[self.stop_bits]
                        * (0.15 if self.inverted else 0.85))


@dataclass(frozen=True)
class Starts:
    """Every edge to the active level as a possible start.

    Parameters
    ----------
    index : int64, shape (n,), which edge of the stretch it is
    at : float64, shape (n,), ticks, corrected by the edges that follow it (a glitch beside a start edge moves it)
    levels : int64, shape (n,); bit k is 1 where the line is idle in the middle of bit k (bit 0: the start bit)
    follows : int64, shape (n, 6); row i, column j: the first start after the middle of bit 6 + j; n where none
    whole : int64, shape (n,), bits that lie wholly inside the stretch
    idle_before : float64, shape (n,), ticks of idle level before it
    begins : first tick of the stretch
    lead : ticks from the stretch's begin to its first edge if it begins idle, else 0
    """

    index: NDArray[np.int64]
    at: NDArray[np.float64]
    levels: NDArray[np.int64]
    follows: NDArray[np.int64]
    whole: NDArray[np.int64]
    idle_before: NDArray[np.float64]
    begins: float
    lead: float


def starts(stretch: Stretch, t: float, *, inverted: bool) -> Starts:
    """Tabulate the start candidates of a stretch for the unit interval `t` in ticks."""
    edges = stretch.edges
    first = 0 if stretch.first_level == (0 if inverted else 1) else 1
    index = np.arange(first, len(edges), 2)
    n = len(index)
    at, levels = np.empty(n), np.empty(n, np.int64)
    follows = np.empty((n, LONGEST - SHORTEST + 1), np.int64)
    for begin in range(0, n, _BLOCK):  # blocks stay in the cache
        end = min(begin + _BLOCK, n)
        part = edges[first + 2 * begin:first + 2 * end + _MOST_EDGES]
        shift = _phase(part, end - begin, t)
        at[begin:end] = edges[first + 2 * begin:first + 2 * end:2] + shift
        levels[begin:end], passed = _walk_bits(part, shift, t)
        follows[begin:end] = np.minimum(np.arange(begin, end)[:, None] + passed // 2 + 1, n)
    whole = np.floor((stretch.end - at) / t + 0.5).astype(np.int64)
    before = (edges[first::2] - np.append(stretch.start, edges)[index]).astype(np.float64) if n else at
    lead = float(before[0]) if first == 0 and n else 0.0
    return Starts(index, at, levels, follows, whole, before, float(stretch.start), lead)


def _away(edges: NDArray[np.int64], n: int, step: int) -> NDArray[np.float64]:
    """Return the ticks from each of n starts (every other edge) to the edge `step` later, infinite without one."""
    out = np.full(n, np.inf)
    later = edges[step:step + 2 * n:2]
    np.subtract(later, edges[:2 * len(later):2], out=out[:len(later)], casting="unsafe")
    return out


def _walk_bits(
    edges: NDArray[np.int64], shift: NDArray[np.float64], t: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the levels in the middle of the bits behind each start, and the edges passed by then for every length."""
    n = len(shift)
    levels = np.zeros(n, np.int64)
    passed = np.zeros((LONGEST - SHORTEST + 1, n), np.int64)
    everything = (1 << N_LEVELS) - 1
    for step in range(1, _MOST_EDGES):
        # An edge at x bits flips the level in the middle of bit k from k = x - 0.5 on, rounded up.
        bit = np.ceil(np.minimum((_away(edges, n, step) - shift) / t - 0.5, N_LEVELS)).astype(np.int64)
        np.maximum(bit, 0, out=bit)
        if bit.min() >= N_LEVELS:
            break
        levels ^= (everything << bit) & everything
        for k in range(LONGEST - SHORTEST + 1):
            passed[k] += bit <= SHORTEST + k
    return levels, passed.T


def _phase(edges: NDArray[np.int64], n: int, t: float) -> NDArray[np.float64]:
    """Return how far each start's bit grid lies behind its start edge: the median over the edges of six bits."""
    off = [np.zeros(n)]
    for step in range(1, _PHASE_BITS + 1):
        away = _away(edges, n, step)
        inside = away < (_PHASE_BITS + 0.4) * t
        if not inside.any():
            break
        off.append(np.where(inside, away - np.rint(np.where(inside, away, 0.0) / t) * t, np.inf))
    table = np.stack(off, 1)
    table.sort(1)
    count = np.isfinite(table).sum(1)
    rows = np.arange(n)
    middle: NDArray[np.float64] = (table[rows, (count - 1) // 2] + table[rows, count // 2]) / 2
    return middle


def chain(table: Starts, before_stop: int, begin: int = 0) -> NDArray[np.int64]:
    """Return the characters' starts for a length before the stop bit, from candidate `begin` on."""
    follows = table.follows[:, before_stop - SHORTEST].tolist()
    n, i, out = len(follows), begin, list[int]()
    while i < n:
        out.append(i)
        i = follows[i]
    return np.array(out, np.int64)


@dataclass(frozen=True)
class Sync:
    """Where the characters of a stretch begin: the first candidate, and how many rows are unsure after it."""

    begin: int
    unsure: int


def synchronise(table: Starts, before_stop: int, t: float, form: Form | None = None) -> Sync:
    """Return the candidate from which characters are whole.

    A stretch that begins with an idle time has it as its first candidate. One that may begin inside a character is
    followed from every candidate within its first character; those that fail least are kept, and the characters on
    which they do not agree are unsure.
    """
    if table.lead >= (before_stop + 1) * t:
        return Sync(0, 0)
    reach = table.begins + (before_stop + 2.5) * t
    n_begins = max(int(np.searchsorted(table.at, reach)), 1)
    gap = np.flatnonzero(table.idle_before[1:MOST_SEARCHED] >= (before_stop + 1) * t)
    stop = int(gap[0]) + 1 if len(gap) else MOST_SEARCHED
    # Where the first gap is that near, all before it may be one cut character.
    paths = [_path(table, before_stop, begin, stop) for begin in range(min(n_begins, len(table.at) - 1, stop) + 1)]
    failed = [_failures(table, path, stop, before_stop, form) for path in paths]
    fewest = min(failed)
    if 0 < fewest <= 2 and len(gap):
        return Sync(stop, 0)
    kept = [path for path, n in zip(paths, failed, strict=True) if n == fewest]
    common = set(kept[0]).intersection(*kept[1:])
    return Sync(kept[0][0], next((i for i, start in enumerate(kept[0]) if start in common), len(kept[0])))


def _path(table: Starts, before_stop: int, begin: int, stop: int, most: int = 40) -> list[int]:
    out: list[int] = []
    i = begin
    column = table.follows[:, before_stop - SHORTEST]
    while i < min(stop, len(column)) and len(out) < most:
        out.append(i)
        i = int(column[i])
    return [*out, i] if i == stop else out


def _failures(table: Starts, path: list[int], stop: int, before_stop: int, form: Form | None) -> int:
    picked = np.array(path[:-1] if path[-1] == stop else path, np.int64)
    picked = picked[table.whole[picked] > before_stop]
    levels = table.levels[picked]
    bad = (levels >> before_stop) & 1 == 0
    if form is not None:
        data = (levels >> 1) & ((1 << form.data_bits) - 1)
        bad |= ~parity_holds(data, (levels >> (1 + form.data_bits)) & 1, form.parity)
    return int(bad.sum())


class Fit(NamedTuple):
    """How a form fits the characters.

    Parameters
    ----------
    n : whole characters
    framing, parity, breaks : how many fail
    score : log-likelihood of the data bits with the prior, more is better
    """

    form: Form
    n: int
    framing: int
    parity: int
    breaks: int
    score: float

    @property
    def errors(self) -> int:
        """Characters that fail."""
        return self.framing + self.parity + self.breaks


@dataclass(frozen=True)
class Characters:
    """The characters of one length: their levels and the half bits to the next start, as a histogram.

    Parameters
    ----------
    before_stop : bits before the stop bit
    levels : int64, shape (m,), distinct rows
    half_bits : int64, shape (m,), half bits from start to next start, at most `FAR`
    counts : int64, shape (m,)
    """

    before_stop: int
    levels: NDArray[np.int64]
    half_bits: NDArray[np.int64]
    counts: NDArray[np.int64]


def fits(seen: Characters, *, inverted: bool) -> list[Fit]:
    """Return how every form of this length before the stop bit fits."""
    stop_ok = (seen.levels >> seen.before_stop) & 1 == 1
    is_break = (seen.levels & ((2 << seen.before_stop) - 1)) == 0
    n, breaks = int(seen.counts.sum()), int(seen.counts[is_break].sum())
    # A stop bit of one bit is what the levels say; a longer one must be over before the next start.
    good = [stop_ok] + [stop_ok & (seen.half_bits >= 2 * (seen.before_stop + stop)) for stop in STOPS[1:]]
    n_good = [int(seen.counts[ok].sum()) for ok in good]
    out = []
    for data_bits in {seen.before_stop - 1, seen.before_stop - 2} & set(range(5, 10)):
        data = (seen.levels >> 1) & ((1 << data_bits) - 1)
        bit = (seen.levels >> (1 + data_bits)) & 1
        distinct = np.flatnonzero(np.bincount(data[stop_ok], minlength=1))
        score = _top_bit_log(distinct, data_bits) - len(distinct) * data_bits * math.log(2)
        for parity in PARITIES[1:] if data_bits == seen.before_stop - 2 else PARITIES[:1]:
            wrong = ~parity_holds(data, bit, parity)
            for stop, ok, fine in zip(STOPS, good, n_good, strict=True):
                form, prior = _form(data_bits, parity, stop, inverted)
                failed = int(seen.counts[ok & wrong].sum()) if parity != "none" else 0
                out.append(Fit(form, n, n - fine - breaks, failed, breaks, score + prior))
    return out


@cache
def _form(data_bits: int, parity: Parity, stop_bits: float, inverted: bool) -> tuple[Form, float]:
    form = Form(data_bits, parity, stop_bits, inverted)
    return form, form.log_prior


def parity_holds(data: NDArray[np.integer], bit: NDArray[np.integer], parity: Parity) -> NDArray[np.bool_]:
    """Return where the parity bit is as it should be, shape as `data`."""
    if parity == "none":
        return np.ones(len(data), np.bool_)
    if parity in ("mark", "space"):
        return np.asarray(bit == (parity == "mark"))
    ones = np.bitwise_count(data).astype(np.int64) & 1
    return np.asarray((ones ^ bit) == (parity == "odd"))


def _top_bit_log(distinct: NDArray[np.int64], data_bits: int) -> float:
    """Return how much likelier the top bits are than a coin's, given that some of them may be constant."""
    n = len(distinct)
    if not n:
        return 0.0
    mask = (1 << data_bits) - 1
    zeros = data_bits - int(np.bitwise_or.reduce(distinct)).bit_length()
    ones = data_bits - (mask & ~int(np.bitwise_and.reduce(distinct))).bit_length()
    logs = [math.log(1 - _TOP_ZERO - _TOP_ONE)]
    logs += [math.log(first * _NEXT_TOP ** (run - 1)) + run * n * math.log(2)
             for first, run in ((_TOP_ZERO, zeros), (_TOP_ONE, ones)) if run]
    return max(logs)
