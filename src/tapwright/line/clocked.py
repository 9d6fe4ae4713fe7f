"""Clocked pairs and I2C, found among all channels without being told which is which.

A clock has bursts of even periods. Data moves on one side of it: while the clock is low (then it is read at the rising
edge) or while it is high. On I2C data moves while the clock is low, but for starts and stops, and what lies between
them is bytes of eight bits with their acknowledge bit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.line import BitOrder, ClockedSettings
from tapwright.line.apply import i2c_words, read_clocked, words_of
from tapwright.line.edges import middle
from tapwright.line.report import PairReport

FEWEST_CLOCK_EDGES = 12
FEWEST_DATA_EDGES = 4
MOST_EDGES = 20_000  # looked at, of each channel
EVEN_SHARE = 0.75  # of a clock's periods near their median; word gaps are the rest
LOCKED_SHARE = 0.97  # of the data's moves on one side of the clock
BITS_SURE = 6.0  # log-odds against chance before a pair is named, besides the number of pairs tried
FREE_RUNNING = 0.98


@dataclass(frozen=True)
class _Clock:
    channel: Channel
    period: float
    free_running: bool


def is_even(edges: NDArray[np.int64]) -> tuple[bool, float, bool]:
    """Return whether edges are a clock's, its period in ticks, and whether it runs without a gap."""
    if len(edges) < FEWEST_CLOCK_EDGES:
        return False, 0.0, False
    periods = np.diff(edges[:MOST_EDGES:2]).astype(np.float64)
    period = middle(periods)
    near = np.abs(periods / period - 1) < 0.4
    return bool(near.mean() >= EVEN_SHARE), period, bool(near.mean() >= FREE_RUNNING)


def find_pairs(capture: Capture, channels: list[Channel]) -> list[PairReport]:
    """Return the clocked pairs among channels, one a data line, strongest first."""
    busy = [channel for channel in channels if len(channel.edge_ticks) >= FEWEST_DATA_EDGES]
    clocks = []
    for channel in busy:
        even, period, free = is_even(channel.edge_ticks)
        if even:
            clocks.append(_Clock(channel, period, free))
    found: list[tuple[float, PairReport]] = []
    for clock in clocks:
        for data in busy:
            # Data moves at most once a clock period; this also tells a select line from a clock, and drops aliases.
            if data is clock.channel or len(data.edge_ticks) > len(clock.channel.edge_ticks) // 2 + 2:
                continue
            pair = _pair(capture, clock, data, channels)
            if pair is not None and pair[0] > BITS_SURE + math.log2(len(busy) * len(clocks)):
                found.append(pair)
    return _without_conflicts(found)


def _without_conflicts(found: list[tuple[float, PairReport]]) -> list[PairReport]:
    """Keep the strongest pair of each data line; a line that is a clock or selects is nobody's data."""
    out: list[PairReport] = []
    selects = {pair.settings.select for _, pair in found if pair.settings is not None}
    for _, pair in sorted(found, key=lambda item: -item[0]):
        clocks = {kept.clock for kept in out}
        datas = {kept.data for kept in out}
        if pair.data not in datas | clocks | selects and pair.clock not in datas:
            out.append(pair)
    return out


def _pair(
    capture: Capture, clock: _Clock, data: Channel, channels: list[Channel],
) -> tuple[float, PairReport] | None:
    i2c = _i2c(capture, clock, data)
    if i2c is not None:
        return i2c
    edges = data.edge_ticks[:MOST_EDGES]
    while_low, while_high = _moves(capture, clock, edges)
    n = while_low + while_high
    if n < FEWEST_DATA_EDGES or n < 0.6 * len(edges) or max(while_low, while_high) < LOCKED_SHARE * n:
        return None
    edge: Literal["rising", "falling"] = "rising" if while_low > while_high else "falling"
    settings = ClockedSettings(clock=clock.channel.name, data=data.name, edge=edge, bits_per_word=8)
    settings = replace(settings, select=_select(clock, data, channels))
    settings = replace(settings, bits_per_word=_word_bits(capture, settings, clock))
    order, evidence = _bit_order(capture, settings)
    settings = replace(settings, bit_order=order)
    rows = read_clocked(capture, settings)
    shown = [f"{max(while_low, while_high)} of {n} moves of {data.name} come while {clock.channel.name} is "
             f"{'low' if edge == 'rising' else 'high'}", evidence]
    lost = min(while_low, while_high)
    bits = n - lost * math.log2(n + 1) * 2
    return bits, PairReport(kind="clocked", clock=clock.channel.name, data=data.name, settings=settings,
                            words=len(rows), probability=1 - 2.0 ** -min(bits, 50), free_running=clock.free_running,
                            evidence=tuple(shown))


def _moves(capture: Capture, clock: _Clock, edges: NDArray[np.int64]) -> tuple[int, int]:
    """Count data moves while the clock is low and while it is high, as far as they come during a burst."""
    ticks = clock.channel.edge_ticks
    after = np.searchsorted(ticks, edges, side="right")
    gap_before = edges - ticks[np.maximum(after - 1, 0)]
    gap_after = ticks[np.minimum(after, len(ticks) - 1)] - edges
    grid = max(capture.sample_ticks, 1)
    in_burst = ((after > 0) & (gap_before < 1.6 * clock.period)) | ((after < len(ticks)) & (gap_after < clock.period))
    levels = clock.channel.level_at(edges)
    # A move seen one sample before the clock edge that caused it counts as after it.
    early = (after < len(ticks)) & (gap_after > 0) & (gap_after <= grid) & (gap_before > 2 * grid) & (
        clock.period > 4 * grid)
    levels = np.where(early, 1 - levels, levels)
    return int((in_burst & (levels == 0)).sum()), int((in_burst & (levels == 1)).sum())


def _select(clock: _Clock, data: Channel, channels: list[Channel]) -> str:
    """Return the channel that is at one level whenever the clock moves and leaves it between, empty for none."""
    ticks = clock.channel.edge_ticks[:MOST_EDGES]
    best, most = "", 0
    for other in channels:
        n = len(other.edge_ticks)
        if other in (clock.channel, data) or n < 2 or n > len(ticks) // 4:
            continue
        levels = other.level_at(ticks)
        active = int(levels[len(levels) // 2])
        inside = other.edge_ticks[(other.edge_ticks >= ticks[0] - 4 * clock.period) & (other.edge_ticks <= ticks[-1])]
        if (levels != active).sum() > 0.002 * len(levels) or len(inside) < 1:
            continue
        # Every time it is active the clock must move: a line that merely rests does not select.
        begins = other.edge_ticks[other.level_at(other.edge_ticks) == active]
        ends = np.append(other.edge_ticks[other.level_at(other.edge_ticks) != active], 2**62)
        stops = ends[np.searchsorted(ends, begins, side="right")]
        used = np.searchsorted(ticks, stops) > np.searchsorted(ticks, begins)
        seen = begins < ticks[-1]
        if seen.sum() and used[seen].mean() > 0.9 and len(inside) > most:
            best, most = other.name, len(inside)
    return best


def _word_bits(capture: Capture, settings: ClockedSettings, clock: _Clock) -> int:
    """Return the commonest number of bits between two gaps or selections; 8 where the clock never pauses."""
    _, n_bits = words_of(capture, settings)
    if len(n_bits) < 2 and clock.free_running:
        return 8
    lengths, counts = np.unique(n_bits, return_counts=True)
    best = int(lengths[np.argmax(counts)])
    if best > 64:
        # A long burst of bytes: whole words of a usual length, if it divides.
        return next((size for size in (8, 16, 24, 32, 10, 12) if best % size == 0), 8)
    return max(best, 1)


def _bit_order(capture: Capture, settings: ClockedSettings) -> tuple[BitOrder, str]:
    """Return the order in which successive words change least, most significant first where nothing tells."""
    rows = read_clocked(capture, settings)
    n = settings.bits_per_word
    values = rows.values[rows.errors == 0][:4000]
    if len(values) < 4 or n > 60:
        return "msb first", "bit order is not settled by so few words; msb first is usual"
    shifts = np.arange(n, dtype=np.uint64)
    bits = (values[:, None] >> shifts) & np.uint64(1)
    other = (bits << shifts[::-1]).sum(1)
    change = [float(np.minimum(steps, 2.0**n - steps).mean()) for steps in
              (np.abs(np.diff(v.astype(np.float64))) for v in (values, other))]
    if min(change) < 0.7 * max(change):
        order: BitOrder = "msb first" if change[0] < change[1] else "lsb first"
        return order, f"read {order}, successive words differ least"
    return "msb first", "bit order is not settled by these words; msb first is usual"


def _i2c(capture: Capture, clock: _Clock, data: Channel) -> tuple[float, PairReport] | None:
    if clock.free_running and len(clock.channel.edge_ticks) > 400:
        return None
    found = i2c_words(clock.channel, data)
    if found is None or found.n_transfers < 1 or found.n_whole < 0.8 * found.n_transfers:
        return None
    high = clock.channel.level_at(data.edge_ticks) == 1
    # At most a start and a stop for every nine clocks; both lines rest high.
    if high.sum() > len(clock.channel.edge_ticks) / 8 + 2 or not (clock.channel.first_level and data.first_level):
        return None
    bits = 3.2 * found.n_whole + 0.5 * int((~high).sum()) + 4 - 4 * (found.n_transfers - found.n_whole)
    acks = int(found.acknowledged.sum())
    return bits, PairReport(
        kind="i2c", clock=clock.channel.name, data=data.name, settings=None, words=len(found.values),
        probability=1 - 2.0 ** -min(bits, 50), free_running=False,
        evidence=(f"{found.n_whole} of {found.n_transfers} transfers between start and stop are whole bytes with "
                  f"acknowledge; {acks} of {len(found.values)} bytes acknowledged",))
