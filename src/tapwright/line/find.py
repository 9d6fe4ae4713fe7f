"""Which channels talk, and how: edges of a capture in, line settings with their uncertainty out.

Times inside are ticks of the capture. `find_lines` is the only entry.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tapwright.core.capture import Capture, Channel
from tapwright.core.line import AsyncSettings, ByteError
from tapwright.line.advice import advise, advise_unknown
from tapwright.line.apply import decoded
from tapwright.line.clocked import MOST_EDGES, find_pairs, is_even
from tapwright.line.edges import middle, stretches, time_grid
from tapwright.line.rate import usual_baud
from tapwright.line.report import ChannelReport, Kind, LineReport, PairReport
from tapwright.line.settle import FEWEST_EDGES, Settled, settle, weights

SLOW_S = 0.03  # longer than three bits of the slowest usual rate, 110 baud: what is shorter may be bits


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
    pairs = find_pairs(capture, chosen)
    part_of: dict[str, Kind] = {pair.data: "data" for pair in pairs if not pair.free_running}
    for pair in pairs:
        part_of[pair.clock] = "clock"
        if pair.settings is not None and pair.settings.select:
            part_of[pair.settings.select] = "level"
    reports: list[ChannelReport] = []
    known: dict[int, ChannelReport] = {}  # one net may have a name in every scope of a dump
    for i, channel in enumerate(chosen):
        same = known.get(id(channel.edge_ticks)) if len(channel.edge_ticks) else None
        reports.append(replace(same, name=channel.name) if same is not None and channel.name not in part_of else
                       _channel(capture, channel, part_of.get(channel.name)))
        known[id(channel.edge_ticks)] = reports[-1]
        if progress:
            progress((i + 1) / len(chosen))
    return _report(capture, reports, pairs)


def _report(capture: Capture, reports: list[ChannelReport], pairs: list[PairReport]) -> LineReport:
    """Settle what is both: a clock that never pauses goes with every line sampled by it, so a line that talks wins."""
    talking = {report.name for report in reports if report.kind == "async"}
    kept = tuple(pair for pair in pairs if pair.data not in talking)
    kinds = {pair.data: "data" for pair in kept}
    reports = [replace(report, kind="data") if report.kind == "unknown" and report.name in kinds else report
               for report in reports]
    return LineReport(capture=capture, channels=tuple(reports), pairs=kept)


def _is_slow(capture: Capture, channel: Channel) -> bool:
    """Whether a line rests at each level for so long that it tells a state, not bits."""
    waits = np.diff(channel.edge_ticks[:MOST_EDGES])
    rare = len(waits) // 10
    return bool(len(waits)) and float(np.partition(waits, rare)[rare] * capture.tick_s) >= SLOW_S


def _channel(capture: Capture, channel: Channel, part: Kind | None) -> ChannelReport:
    n = len(channel.edge_ticks)
    if part is not None:
        return ChannelReport(name=channel.name, kind=part, changes=n)
    if channel.analogue:
        return ChannelReport(name=channel.name, kind="analogue", changes=0, note=channel.note)
    if n < FEWEST_EDGES or _is_slow(capture, channel):
        return ChannelReport(name=channel.name, kind="level", changes=n)
    parts = [part for part in stretches(capture, channel) if len(part.edges) >= FEWEST_EDGES]
    if not parts:
        return ChannelReport(name=channel.name, kind="unknown", changes=n)
    grid = time_grid(capture, channel.edge_ticks)
    if _is_square(channel, grid):
        return ChannelReport(name=channel.name, kind="clock", changes=n,
                             note="a square wave: a clock, or one character (hex 55) sent without end")
    settled = settle(parts, grid)
    if settled is None and grid > 1 and not capture.sample_ticks:
        # What looked like the grid of the sampling may be half bits of a line that was never sampled.
        grid = 1.0
        settled = settle(parts, grid)
    if settled is None:
        return ChannelReport(name=channel.name, kind="unknown", changes=n, advice=advise_unknown(capture, channel))
    return _async_report(capture, channel, settled, grid)


def _is_square(channel: Channel, grid: float) -> bool:
    """Return whether a channel is a clock by itself: even periods, in bursts that are no whole characters."""
    even, period, free = is_even(channel.edge_ticks)
    if not even:
        return False
    intervals = np.diff(channel.edge_ticks[:MOST_EDGES])
    short = intervals[intervals < 0.9 * period]
    if len(short) < 0.9 * len(intervals) or np.abs(short - middle(short)).max() > 0.2 * middle(short) + 1.5 * grid:
        return False
    bursts = np.diff(np.append(np.flatnonzero(np.append(True, intervals > 0.9 * period)), len(intervals) + 1))
    # Hex 55 is ten edges in 8N1, eight or ten in other forms: bursts of whole ones may be characters.
    return free or bool(middle(bursts) > 12 and middle(bursts) % 10)


def _async_report(capture: Capture, channel: Channel, settled: Settled, grid: float) -> ChannelReport:
    form, t = settled.answer.form, settled.rate.t
    baud = float(1 / (t * capture.tick_s))
    sigma = baud * settled.rate.sigma / t
    settings = AsyncSettings(baud=usual_baud(baud, sigma), data_bits=form.data_bits, parity=form.parity,
                             stop_bits=form.stop_bits, inverted=form.inverted, measured_baud=baud)
    (_, share), *others = weights(settled)
    probability = share * settled.serial
    alternatives = tuple(
        (replace(settings, data_bits=fit.form.data_bits, parity=fit.form.parity, stop_bits=fit.form.stop_bits,
                 inverted=fit.form.inverted), other * settled.serial) for fit, other in others)
    found = decoded(list(settled.received), form, settled.glitches)
    report = ChannelReport(
        name=channel.name, kind="async", changes=len(channel.edge_ticks), settings=settings,
        sigma_baud=sigma, n_bytes=len(found.ticks),
        framing_errors=int((found.errors == ByteError.FRAMING).sum()),
        parity_errors=int((found.errors == ByteError.PARITY).sum()), breaks=found.breaks, glitches=settled.glitches,
        samples_per_bit=t / grid, probability=probability, alternatives=alternatives, decoded=found,
    )
    return replace(report, advice=advise(capture, report))
