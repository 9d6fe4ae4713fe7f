"""Which channels talk, and how: edges of a capture in, line settings with their uncertainty out.

Times inside are ticks of the capture. `find_lines` is the only entry.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.line import AsyncSettings, ByteError
from tapwright.line import forms, rate
from tapwright.line.advice import advise
from tapwright.line.apply import decode
from tapwright.line.edges import Stretch, stretches, time_grid, without_glitches
from tapwright.line.forms import Fit
from tapwright.line.report import ChannelReport, LineReport

FEWEST_EDGES = 6
FIRST_EDGES = 6000  # enough to settle rate and form; the whole capture then confirms
ERROR_COST = 25.0
SCREEN_EDGES = 800  # of them enough to tell which unit intervals are worth more
SERIAL_FROM = 8.0  # log-odds


def find_lines(
    capture: Capture, *, channels: list[str] | None = None, progress: Callable[[float], None] | None = None,
) -> LineReport:
    """Find what every channel of a capture is, and the settings of those that talk.

    Parameters
    ----------
    capture : as read
    channels : names to look at (full, or the last part); None for all
    progress : is told the share done, 0 to 1

    Raises
    ------
    UsageError : a name that the capture does not have
    """
    chosen = list(capture.channels) if channels is None else [capture.channel(name) for name in channels]
    reports = []
    for i, channel in enumerate(chosen):
        reports.append(_channel(capture, channel))
        if progress:
            progress((i + 1) / len(chosen))
    return LineReport(capture=capture, channels=tuple(reports), pairs=())


@dataclass(frozen=True)
class _Trial:
    """One unit interval with its best form."""

    t: float
    score: float
    fit: Fit
    spread: float
    stretch: Stretch
    glitches: int
    begin: int


def _channel(capture: Capture, channel: Channel) -> ChannelReport:
    n = len(channel.edge_ticks)
    if channel.analogue:
        return ChannelReport(name=channel.name, kind="analogue", changes=0, note=channel.note)
    if n < FEWEST_EDGES:
        return ChannelReport(name=channel.name, kind="level", changes=n)
    parts = [part for part in stretches(capture, channel) if len(part.edges) >= FEWEST_EDGES]
    if not parts:
        return ChannelReport(name=channel.name, kind="unknown", changes=n)
    grid = time_grid(capture, channel.edge_ticks)
    main = max(parts, key=lambda part: len(part.edges))
    best = settle(_beginning(main), grid)
    if best is None:
        return ChannelReport(name=channel.name, kind="unknown", changes=n)
    return _async_report(capture, channel, parts, best, grid)


def _beginning(stretch: Stretch, most: int = FIRST_EDGES) -> Stretch:
    if len(stretch.edges) <= most:
        return stretch
    return replace(stretch, edges=stretch.edges[:most], end=int(stretch.edges[most]))


def settle(stretch: Stretch, grid: float) -> _Trial | None:
    """Return the best unit interval with its forms, None where nothing fits better than chance."""
    candidates = rate.candidates(stretch.edges, grid)
    part = _beginning(stretch, SCREEN_EDGES)
    trials = _trials(part, [(t, inverted) for t in candidates for inverted in (False, True)], grid)
    if len(part.edges) < len(stretch.edges):
        best = sorted(trials, key=lambda trial: -trial.score)[:3]
        trials = _trials(stretch, [(trial.t, trial.fit.form.inverted) for trial in best], grid)
    if not trials:
        return None
    best_trial = max(trials, key=lambda trial: trial.score)
    if best_trial.score < SERIAL_FROM or best_trial.fit.errors > 0.25 * best_trial.fit.n:
        return None
    return best_trial


def _trials(stretch: Stretch, what: list[tuple[float, bool]], grid: float) -> list[_Trial]:
    out = []
    for t, inverted in what:
        edges, glitches = without_glitches(stretch.edges, t, grid)
        if len(edges) >= FEWEST_EDGES:
            trial = _try(replace(stretch, edges=edges), t, grid, glitches, inverted=inverted)
            out += [trial] if trial is not None else []
    return out


def _try(stretch: Stretch, t: float, grid: float, glitches: int, *, inverted: bool) -> _Trial | None:
    table = forms.starts(stretch, t, inverted=inverted)
    if len(table.at) < 2:
        return None
    found: list[tuple[float, Fit, NDArray[np.int64], int]] = []
    for length in range(forms.SHORTEST, forms.LONGEST + 1):
        sync = forms.synchronise(table, length, t)
        begin = sync.begin
        picked = forms.chain(table, length, begin)[sync.unsure:]
        seen = forms.characters(table, picked, length, t)
        if not len(seen.counts):
            continue
        some = forms.fits(seen, inverted=inverted)
        fit = max(some, key=lambda fit: fit.score - ERROR_COST * fit.errors)
        found.append((fit.score - ERROR_COST * fit.errors, fit, picked, begin))
    if not found:
        return None
    _, fit, picked, begin = max(found, key=lambda item: item[0])
    seen_edges = rate.character_edges(stretch.edges, table.index[picked], t, fit.form.before_stop + 0.5)
    score, spread = _gain(stretch, seen_edges, t, grid, fit)
    return _Trial(t, score - 4.0 * glitches, fit, spread, stretch, glitches, begin)


def _gain(stretch: Stretch, seen: rate.CharacterEdges, t: float, grid: float, fit: Fit) -> tuple[float, float]:
    """Return how much shorter the edges are said as characters than as random times, in nats; and their spread."""
    inner = seen.bit > 0
    off = (seen.from_start - seen.bit * t)[inner]
    if not len(off):
        return -1.0, grid
    spread = max(float(np.sqrt(np.mean(np.minimum(off * off, (0.5 * t) ** 2)))), 0.3 * grid)
    intervals = np.diff(stretch.edges)
    typical = float(np.median(intervals)) * 1.44
    # A random edge costs ln(e x mean interval); an edge of a character what its spread leaves.
    each = np.log(2.718 * typical) - np.log(4.13 * spread)
    cost = fit.n * fit.form.data_bits * np.log(2) + ERROR_COST * fit.errors - fit.form.log_prior
    return float(len(off) * each - cost), spread


def _async_report(
    capture: Capture, channel: Channel, parts: list[Stretch], best: _Trial, grid: float,
) -> ChannelReport:
    refined = _refined(best, grid)
    clean = []
    glitches = 0
    for part in parts:
        edges, n = without_glitches(part.edges, refined.t, grid)
        glitches += n
        clean.append(replace(part, edges=edges))
    fits = _all_fits(clean, refined.t)
    answer = max(fits, key=lambda fit: fit.score - ERROR_COST * fit.errors)
    answer = _with_stops(clean, refined.t, answer, fits, grid, glitches)
    return _written(capture, channel, answer, fits, refined, glitches, grid)


def _refined(best: _Trial, grid: float) -> rate.Rate:
    table = forms.starts(best.stretch, best.t, inverted=best.fit.form.inverted)
    picked = forms.chain(table, best.fit.form.before_stop, best.begin)
    seen = rate.character_edges(best.stretch.edges, table.index[picked], best.t, best.fit.form.before_stop + 0.5)
    return rate.exact(seen, best.t, grid)


def _all_fits(parts: list[Stretch], t: float) -> list[Fit]:
    fits: list[Fit] = []
    for inverted in (False, True):
        tables = [(part, forms.starts(part, t, inverted=inverted)) for part in parts]
        for length in range(forms.SHORTEST, forms.LONGEST + 1):
            seen = []
            for _, table in tables:
                if len(table.at):
                    sync = forms.synchronise(table, length, t)
                    picked = forms.chain(table, length, sync.begin)[sync.unsure:]
                    seen.append(forms.characters(table, picked, length, t))
            if seen:
                joined = forms.Characters(length, np.concatenate([s.levels for s in seen]),
                                          np.concatenate([s.half_bits for s in seen]),
                                          np.concatenate([s.counts for s in seen]))
                fits += forms.fits(joined, inverted=inverted)
    return fits


def _with_stops(
    parts: list[Stretch], t: float, answer: Fit, fits: list[Fit], grid: float, glitches: int,
) -> Fit:
    """Return the answer with the stop bits that back-to-back characters show, 1 where there are none."""
    form = answer.form
    gaps = []
    for part in parts:
        table = forms.starts(part, t, inverted=form.inverted)
        if len(table.at):
            sync = forms.synchronise(table, form.before_stop, t, form)
            picked = forms.chain(table, form.before_stop, sync.begin)[sync.unsure:]
            gaps.append(np.diff(table.at[picked]) / t - form.before_stop)
    stop = stop_bits(np.concatenate(gaps) if gaps else np.empty(0), max(1.2 * grid / t, 0.06))
    same = [fit for fit in fits if replace(fit.form, stop_bits=1.0) == replace(form, stop_bits=1.0)]
    wanted = [fit for fit in same if fit.form.stop_bits == stop]
    if wanted and wanted[0].errors <= min(fit.errors for fit in same) + max(0.02 * wanted[0].n, min(glitches, 2)):
        return wanted[0]
    return min(same, key=lambda fit: (fit.errors, fit.form.stop_bits))


def stop_bits(gaps: NDArray[np.float64], tolerance: float) -> float:
    """Return the stop bits from the bits between last data bit and next start; 1 where no two characters touch."""
    tolerance = min(tolerance, 0.24)
    for stop in (1.0, 1.5, 2.0):
        inside = int((np.abs(gaps - stop) <= tolerance).sum())
        wide = int(((gaps > stop + tolerance) & (gaps < stop + 1.5)).sum())
        by_chance = wide * 2 * tolerance / (1.5 - tolerance)
        if inside > max(0.004 * len(gaps), 0) and inside > 3 * by_chance:
            return stop
    return 1.0


def _written(
    capture: Capture, channel: Channel, answer: Fit, fits: list[Fit], refined: rate.Rate, glitches: int, grid: float,
) -> ChannelReport:
    form = answer.form
    baud = float(1 / (refined.t * capture.tick_s))
    settings = AsyncSettings(baud=rate.usual_baud(baud), data_bits=form.data_bits, parity=form.parity,
                             stop_bits=form.stop_bits, inverted=form.inverted, measured_baud=baud)
    # A glitch beside an edge can make an error in any form, so that one or two more do not rule a form out.
    spare, cost = (min(2, 1 + glitches // 20), 4.0) if glitches else (0, ERROR_COST)
    others = [fit for fit in fits if fit.errors <= answer.errors + spare and fit.form != form and fit.n]
    weights = np.exp(np.clip([fit.score - cost * fit.errors - answer.score + cost * answer.errors
                              for fit in others], -700, 0)) if others else np.empty(0)
    share = 1 / (1 + weights.sum())
    alternatives = sorted(
        ((replace(settings, data_bits=fit.form.data_bits, parity=fit.form.parity, stop_bits=fit.form.stop_bits,
                  inverted=fit.form.inverted), float(weight * share))
         for fit, weight in zip(others, weights, strict=True)), key=lambda item: -item[1])
    decoded = decode(capture, channel.name, settings)
    report = ChannelReport(
        name=channel.name, kind="async", changes=len(channel.edge_ticks), settings=settings,
        sigma_baud=baud * refined.sigma / refined.t, n_bytes=len(decoded.ticks),
        framing_errors=int((decoded.errors == ByteError.FRAMING).sum()),
        parity_errors=int((decoded.errors == ByteError.PARITY).sum()), breaks=decoded.breaks, glitches=glitches,
        samples_per_bit=refined.t / grid, probability=float(share), alternatives=tuple(alternatives),
    )
    return replace(report, advice=advise(capture, report))
