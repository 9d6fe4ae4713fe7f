"""Which form (data bits, parity, stop bits, polarity) fits the characters of a line, and how often it fails.

Everything works on a table of start candidates: every edge to the active level, with the levels at the middle of the
bits behind it. The chain of characters depends on the length before the stop bit alone, so six chains a polarity
serve all 150 forms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.line import Parity
from tapwright.line.edges import Stretch

PARITIES: tuple[Parity, ...] = ("none", "even", "odd", "mark", "space")
STOPS = (1.0, 1.5, 2.0)
SHORTEST, LONGEST = 6, 11  # start + data + parity bits
N_LEVELS = 13  # start bit and twelve more
FAR = 63  # half bits: the next character starts this late or later

# How often forms are met, before anything is seen: judgement, no source. Only their order matters where the wire
# cannot tell: 8N2 before 8M1 and 9N1, 8N1 before 7S1.
_DATA_PRIOR = {5: 0.01, 6: 0.005, 7: 0.08, 8: 0.9, 9: 0.005}
_PARITY_PRIOR = {"none": 0.85, "even": 0.1, "odd": 0.045, "mark": 0.0002, "space": 0.0002}
_STOP_PRIOR = {1.0: 0.8, 1.5: 0.01, 2.0: 0.19}
# The top data bit of real traffic: always 0 (text), always 1, or anything.
_TOP_ZERO, _TOP_ONE = 0.25, 0.005


@dataclass(frozen=True, order=True)
class Form:
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
    at : float64, shape (n,), ticks
    levels : uint16, shape (n,); bit k is 1 where the line is idle in the middle of bit k (bit 0: the start bit)
    follows : int64, shape (n, 6); row i, column j: the first start after the middle of bit 6 + j; n where none
    whole : int64, shape (n,), bits that lie wholly inside the stretch
    """

    at: NDArray[np.float64]
    levels: NDArray[np.uint16]
    follows: NDArray[np.int64]
    whole: NDArray[np.int64]


def starts(stretch: Stretch, t: float, *, inverted: bool) -> Starts:
    """Tabulate the start candidates of a stretch for the unit interval `t` in ticks."""
    edges = stretch.edges.astype(np.float64)
    idle = 0 if inverted else 1
    first = 0 if stretch.first_level == idle else 1
    at = edges[first::2]
    # Level after edge i: idle for i of the other parity than the start edges.
    middles = at[:, None] + t * (np.arange(N_LEVELS) + 0.5)
    passed = np.searchsorted(edges, middles.ravel(), side="right").reshape(middles.shape)
    is_idle = (passed - 1 - first) & 1
    levels = (is_idle << np.arange(N_LEVELS)).sum(1).astype(np.uint16)
    limits = at[:, None] + t * (np.arange(SHORTEST, LONGEST + 1) + 0.5)
    follows = np.searchsorted(at, limits.ravel(), side="right").reshape(limits.shape)
    whole = np.floor((stretch.end - at) / t + 0.5).astype(np.int64)
    return Starts(at, levels, follows, whole)


def chain(table: Starts, before_stop: int, begin: int = 0) -> NDArray[np.int64]:
    """Return the characters' starts for a length before the stop bit, from candidate `begin` on."""
    follows = table.follows[:, before_stop - SHORTEST].tolist()
    n, i, out = len(follows), begin, list[int]()
    while i < n:
        out.append(i)
        i = follows[i]
    return np.array(out, np.int64)


def first_start(table: Starts, stretch: Stretch, length: int, t: float) -> int:
    """Return the candidate from which characters are whole: after an idle stretch, else the one that fails least."""
    if table.at[0] - stretch.start >= (length + 1) * t:
        return 0
    best, fewest = 0, None
    for begin in range(min(len(table.at), length + 1)):
        picked = chain(table, length, begin)[:40] if len(table.at) < 400 else _short_chain(table, length, begin)
        levels = table.levels[picked].astype(np.int64)
        failed = int(((levels >> length) & 1 == 0)[table.whole[picked] > length].sum())
        if fewest is None or failed < fewest:
            best, fewest = begin, failed
        if failed == 0:
            break
    return best


def _short_chain(table: Starts, length: int, begin: int, most: int = 40) -> NDArray[np.int64]:
    out, i = [], begin
    column = table.follows[:, length - SHORTEST]
    while i < len(column) and len(out) < most:
        out.append(i)
        i = int(column[i])
    return np.array(out, np.int64)


@dataclass(frozen=True)
class Fit:
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
    levels : uint16, shape (m,), distinct rows
    half_bits : int64, shape (m,), half bits from start to next start, at most `FAR`
    counts : int64, shape (m,)
    """

    before_stop: int
    levels: NDArray[np.uint16]
    half_bits: NDArray[np.int64]
    counts: NDArray[np.int64]


def characters(table: Starts, picked: NDArray[np.int64], before_stop: int, t: float) -> Characters:
    """Count the characters of a chain by what they hold and how soon the next one comes."""
    keep = table.whole[picked] > before_stop
    at = table.at[picked]
    gaps = np.append(np.diff(at), np.inf)[keep]
    half = np.minimum(np.floor(gaps / t * 2 + 0.7), FAR).astype(np.int64)
    keys = (table.levels[picked[keep]].astype(np.int64) << 6) | half
    distinct, counts = np.unique(keys, return_counts=True)
    return Characters(before_stop, (distinct >> 6).astype(np.uint16), distinct & FAR, counts)


def fits(seen: Characters, *, inverted: bool) -> list[Fit]:
    """Return how every form of this length before the stop bit fits."""
    out = []
    for parity in PARITIES:
        data_bits = seen.before_stop - 1 - (parity != "none")
        if 5 <= data_bits <= 9:
            out += [_fit(seen, Form(data_bits, parity, stop, inverted)) for stop in STOPS]
    return out


def _fit(seen: Characters, form: Form) -> Fit:
    levels, counts = seen.levels.astype(np.int64), seen.counts
    data = (levels >> 1) & ((1 << form.data_bits) - 1)
    stop_ok = (levels >> seen.before_stop) & 1 == 1
    is_break = (levels & ((2 << seen.before_stop) - 1)) == 0
    in_time = seen.half_bits >= 2 * (seen.before_stop + form.stop_bits) if form.stop_bits > 1 else stop_ok
    parity_ok = parity_holds(data, (levels >> (1 + form.data_bits)) & 1, form)
    framing = int(counts[~(stop_ok & in_time) & ~is_break].sum())
    breaks = int(counts[is_break].sum())
    good = stop_ok & in_time & ~is_break
    wrong_parity = int(counts[good & ~parity_ok].sum())
    n = int(counts.sum())
    distinct = np.unique(data[good])
    score = form.log_prior + _top_bit_log(distinct, form) - len(distinct) * form.data_bits * math.log(2)
    return Fit(form, n, framing, wrong_parity, breaks, score)


def parity_holds(data: NDArray[np.int64], bit: NDArray[np.int64], form: Form) -> NDArray[np.bool_]:
    """Return where the parity bit is as the form says, shape as `data`."""
    if form.parity == "none":
        return np.ones(len(data), np.bool_)
    if form.parity in ("mark", "space"):
        return np.asarray(bit == (form.parity == "mark"))
    ones = np.bitwise_count(data).astype(np.int64) & 1
    return np.asarray((ones ^ bit) == (form.parity == "odd"))


def _top_bit_log(distinct: NDArray[np.int64], form: Form) -> float:
    """Return how much likelier the top bit is than a coin's, given that it may be constant."""
    n = len(distinct)
    if not n:
        return 0.0
    top = distinct >> (form.data_bits - 1) & 1
    coin = 2.0**-n
    seen = (1 - _TOP_ZERO - _TOP_ONE) * coin + _TOP_ZERO * (not top.any()) + _TOP_ONE * bool(top.all())
    return math.log(seen) + n * math.log(2)
