"""Rate and form of one asynchronous channel: edges in, the likeliest settings and all that fit as well out.

Candidates for the unit interval come from the intervals; each is decoded in every form, and the one that says the
edges in fewest words wins (characters cost their data bits, failures dearly, edges off the bit grid what their spread
leaves open). All of that is done on the capture's first part; the whole capture then confirms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tapwright.line import forms, rate
from tapwright.line.edges import Stretch, middle
from tapwright.line.forms import Fit
from tapwright.line.glitches import reread_bursts, without_glitches
from tapwright.line.receive import COMPILED_FROM, Received, characters, receive

FEWEST_EDGES = 6
FIRST_EDGES = 3000  # enough to settle rate and form
SCREEN_EDGES = 800  # enough to tell which unit intervals are worth more
FORM_EDGES = 4_000  # on which every form is tried; those that survive are tried on all
ERROR_COST = 25.0  # nats: more than any character's data bits, so that no form wins by failing
GLITCH_COST = 4.0
SERIAL_FROM = 12.0  # log-odds against random times: one of a few hundred random channels comes so far
MOST_FAILED = 0.25
PILE_SHARE = 0.004  # of characters that touch their neighbour, for the stop bits to be seen
IDLE_ALWAYS = 0.03  # how likely a sender pauses for exactly one more bit every time, beside two stop bits


@dataclass(frozen=True)
class Settled:
    """What was found about one channel.

    Parameters
    ----------
    rate : unit interval with its uncertainty, ticks
    answer : the likeliest form and how it fits
    fits : every form with how it fits
    touching : whether characters follow each other without a pause
    serial : probability that the channel is an asynchronous line at all
    received : the characters, one item a stretch
    glitches : pulses bridged
    """

    rate: rate.Rate
    answer: Fit
    fits: tuple[Fit, ...]
    touching: bool
    serial: float
    received: tuple[Received, ...]
    glitches: int


@dataclass(frozen=True)
class _Trial:
    """One unit interval with its best form."""

    t: float
    score: float
    fit: Fit
    received: Received


def settle(parts: list[Stretch], grid: float) -> Settled | None:
    """Return rate and form of a channel, None where nothing fits better than chance.

    Parameters
    ----------
    parts : the channel's known stretches
    grid : ticks between two samples
    """
    main = beginning(max(parts, key=lambda part: len(part.edges)), FIRST_EDGES)
    best = _best_trial(main, grid)
    if best is None:
        return None
    exact = _refined(best.received, best.t, grid)
    cleaned = [without_glitches(part.edges, exact.t, grid) for part in parts]
    clean = [replace(part, edges=edges) for part, (edges, _) in zip(parts, cleaned, strict=True)]
    if sum(len(part.edges) for part in parts) > len(main.edges):
        longest = beginning(max(clean, key=lambda part: len(part.edges)), 6 * rate.MOST_CHARACTERS)
        form = best.fit.form
        exact = _refined(receive(longest, exact.t, form.before_stop, inverted=form.inverted), exact.t, grid)
    glitches = sum(n for _, n in cleaned)
    found = _with_form(clean, exact.t, grid, glitches)
    for _ in range(2 if glitches else 0):
        # What a glitch beside an edge hides, the form of the characters tells; and then the form may be another.
        form = found.answer.form
        mended = [reread_bursts(part, bridged, exact.t, grid, form) for part, bridged in zip(parts, clean, strict=True)]
        again = _with_form(mended, exact.t, grid, glitches)
        if again.answer.errors > found.answer.errors:
            break
        found = again
        if found.answer.form == form:
            break
    serial = 1 / (1 + math.exp(min(SERIAL_FROM - 3 - best.score, 0)))
    return Settled(exact, found.answer, found.fits, found.touching, serial, found.received, glitches)


class _Found(NamedTuple):
    """A form for given edges: as in `Settled`."""

    answer: Fit
    fits: tuple[Fit, ...]
    touching: bool
    received: tuple[Received, ...]


def _with_form(parts: list[Stretch], t: float, grid: float, glitches: int) -> _Found:
    fits, walks = _all_fits(parts, t)
    answer = max(fits, key=lambda fit: fit.score - ERROR_COST * fit.errors)
    key = (answer.form.inverted, answer.form.before_stop)
    received = walks.get(key) or [receive(part, t, key[1], inverted=key[0], form=answer.form) for part in parts]
    answer, touching = _with_stops(received, t, answer, fits, grid, glitches)
    return _Found(answer, tuple(fits), touching, tuple(received))


def beginning(stretch: Stretch, most: int) -> Stretch:
    """Return a stretch's first edges as a stretch."""
    if len(stretch.edges) <= most:
        return stretch
    return replace(stretch, edges=stretch.edges[:most], end=int(stretch.edges[most]))


def _best_trial(stretch: Stretch, grid: float) -> _Trial | None:
    part = beginning(stretch, SCREEN_EDGES)
    wanted = [(t, inverted) for t in rate.candidates(stretch.edges, grid) for inverted in (False, True)]
    trials = _trials(part, wanted, grid)
    if len(part.edges) < len(stretch.edges):
        best = sorted(trials, key=lambda trial: -trial.score)[:3]
        trials = _trials(stretch, [(trial.t, trial.fit.form.inverted) for trial in best], grid)
    if not trials:
        return None
    first = max(trials, key=lambda trial: trial.score)
    if first.score < SERIAL_FROM or first.fit.errors > MOST_FAILED * first.fit.n:
        return None
    return first


def _trials(stretch: Stretch, wanted: list[tuple[float, bool]], grid: float) -> list[_Trial]:
    out = []
    for t, inverted in wanted:
        edges, glitches = without_glitches(stretch.edges, t, grid)
        if len(edges) >= FEWEST_EDGES:
            trial = _try(replace(stretch, edges=edges), t, grid, glitches, inverted=inverted)
            out += [trial] if trial is not None else []
    return out


def _try(stretch: Stretch, t: float, grid: float, glitches: int, *, inverted: bool) -> _Trial | None:
    table = forms.starts(stretch, t, inverted=inverted)
    if len(table.at) < 2:
        return None
    best: tuple[float, Fit, Received] | None = None
    for length in range(forms.SHORTEST, forms.LONGEST + 1):
        received = receive(stretch, t, length, inverted=inverted, table=table)
        seen = characters([received])
        if not len(seen.counts):
            continue
        for fit in forms.fits(seen, inverted=inverted):
            score = fit.score - ERROR_COST * fit.errors
            if best is None or score > best[0]:
                best = (score, fit, received)
    if best is None:
        return None
    _, fit, received = best
    score = _gain(received, t, grid, fit) - GLITCH_COST * glitches
    return _Trial(t, score, fit, received)


def _inner_edges(received: Received, t: float) -> rate.CharacterEdges:
    return rate.character_edges(received.stretch.edges, received.index[received.unsure:], t,
                                received.before_stop + 0.5)


def _gain(received: Received, t: float, grid: float, fit: Fit) -> float:
    """Return how much shorter the edges are said as characters than as random times, in nats."""
    seen = _inner_edges(received, t)
    off = (seen.from_start - seen.bit * t)[seen.bit > 0]
    if not len(off):
        return -1.0
    spread = max(float(np.sqrt(np.mean(np.minimum(off * off, (0.5 * t) ** 2)))), 0.3 * grid)
    mean = middle(np.diff(received.stretch.edges)) / math.log(2)
    # A random edge costs ln(e x mean interval), an edge of a character ln(sqrt(2 pi e) x its spread).
    each = 1 + math.log(mean) - math.log(4.13 * spread)
    cost = fit.n * fit.form.data_bits * math.log(2) + ERROR_COST * fit.errors - fit.form.log_prior
    return len(off) * each - cost


def _refined(received: Received, t: float, grid: float) -> rate.Rate:
    return rate.exact(_inner_edges(received, t), t, grid)


_Walks = dict[tuple[bool, int], list[Received]]


def _all_fits(parts: list[Stretch], t: float) -> tuple[list[Fit], _Walks]:
    """Return how every form fits the whole capture, and the walks through it that were made."""
    if sum(len(part.edges) for part in parts) <= FORM_EDGES:
        return _fits_of(parts, t, [(inverted, length) for inverted in (False, True)
                                   for length in range(forms.SHORTEST, forms.LONGEST + 1)])
    head = beginning(max(parts, key=lambda part: len(part.edges)), FORM_EDGES)
    first, _ = _all_fits([head], t)
    fewest = min(fit.errors for fit in first)
    likely = max(first, key=lambda fit: fit.score - ERROR_COST * fit.errors)
    most = max(likely.errors, fewest) + 2
    return _fits_of(parts, t, sorted({(fit.form.inverted, fit.form.before_stop) for fit in first
                                      if fit.errors <= most and fit.n}))


def _fits_of(parts: list[Stretch], t: float, wanted: list[tuple[bool, int]]) -> tuple[list[Fit], _Walks]:
    fits: list[Fit] = []
    walks: _Walks = {}
    tables: dict[tuple[bool, int], forms.Starts] = {}
    for inverted, length in wanted:
        walk = []
        for i, part in enumerate(parts):
            table = None
            if len(part.edges) < COMPILED_FROM:
                if (inverted, i) not in tables:
                    tables[inverted, i] = forms.starts(part, t, inverted=inverted)
                table = tables[inverted, i]
            walk.append(receive(part, t, length, inverted=inverted, table=table))
        walks[inverted, length] = walk
        fits += forms.fits(characters(walk), inverted=inverted)
    return fits, walks


def _with_stops(
    received: list[Received], t: float, answer: Fit, fits: list[Fit], grid: float, glitches: int,
) -> tuple[Fit, bool]:
    """Return the answer with the stop bits that touching characters show, 1 where none touch; and whether any do."""
    form = answer.form
    gaps = [np.diff(part.stretch.edges[part.index[part.unsure:]][:200_000]) / t - form.before_stop for part in received]
    stop, touching = stop_bits(np.concatenate(gaps), max(1.2 * grid / t, 0.06))
    same = [fit for fit in fits if fit.form._replace(stop_bits=1.0) == form._replace(stop_bits=1.0)]
    wanted = [fit for fit in same if fit.form.stop_bits == stop]
    if wanted and wanted[0].errors <= min(fit.errors for fit in same) + max(0.02 * wanted[0].n, min(glitches, 2)):
        return wanted[0], touching
    return min(same, key=lambda fit: (fit.errors, fit.form.stop_bits)), False


def stop_bits(gaps: NDArray[np.float64], tolerance: float) -> tuple[float, bool]:
    """Return the stop bits, and whether characters touch.

    Touching characters pile up at one distance, pauses do not; without a pile the stop bits are 1.

    Parameters
    ----------
    gaps : float64, bits between the last data or parity bit and the next start
    tolerance : how far off an edge pair may be, bits
    """
    tolerance = min(tolerance, 0.24)
    for stop in forms.STOPS:
        inside = int((np.abs(gaps - stop) <= tolerance).sum())
        wide = int(((gaps > stop + tolerance) & (gaps < stop + 1.5)).sum())
        by_chance = wide * 2 * tolerance / (1.5 - tolerance)
        if inside > PILE_SHARE * len(gaps) and inside > 3 * by_chance:
            return stop, True
    return 1.0, False


def weights(settled: Settled) -> list[tuple[Fit, float]]:
    """Return the answer and every form with no more errors, with probabilities that sum to 1, the answer first."""
    answer = settled.answer
    # A glitch beside an edge can make an error in any form, so that one or two more do not rule a form out.
    spare, cost = (min(2, 1 + settled.glitches // 20), 4.0) if settled.glitches else (0, ERROR_COST)
    out = [(answer, 0.0)]
    for fit in settled.fits:
        if fit.form == answer.form or not fit.n or fit.errors > answer.errors + spare:
            continue
        log = fit.score - answer.score - cost * (fit.errors - answer.errors)
        if settled.touching and fit.form._replace(stop_bits=answer.form.stop_bits) == answer.form:
            log = math.log(IDLE_ALWAYS)  # touching characters show the stop bits, whatever is usual
        out.append((fit, min(log, 0.0)))
    shares = np.exp([log for _, log in out])
    shares /= shares.sum()
    order = sorted(range(1, len(out)), key=lambda i: -shares[i])
    return [(out[i][0], float(shares[i])) for i in [0, *order]]
