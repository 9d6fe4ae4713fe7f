"""Edges and known settings in, bytes out: the receiver.

A character begins at an edge to the active level, is read in the middle of its bits, and the next one is looked for
after the middle of its first stop bit. Low for a whole character and its stop is a break: no byte.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.core.line import AsyncSettings, ByteError, ClockedSettings, LineBytes
from tapwright.line import forms
from tapwright.line.edges import middle, stretches, time_grid
from tapwright.line.glitches import reread_bursts, without_glitches
from tapwright.line.receive import Received, receive


@dataclass(frozen=True)
class Decoded:
    """Characters of one channel.

    Parameters
    ----------
    ticks : int64, shape (n,), start edges
    values : uint16, shape (n,), data bits
    errors : uint8, shape (n,), `ByteError`
    breaks : how many breaks there were (no row)
    glitches : pulses bridged
    """

    ticks: NDArray[np.int64]
    values: NDArray[np.uint16]
    errors: NDArray[np.uint8]
    breaks: int
    glitches: int


def read_line(capture: Capture, channel: str, settings: AsyncSettings) -> LineBytes:
    """Read the bytes of one channel.

    Parameters
    ----------
    capture : as read
    channel : full name, or the last part of a dotted one
    settings : rate (`measured_baud` where there is one), form and polarity

    Returns
    -------
    LineBytes : `t_s` is each start edge, on the capture's clock

    Raises
    ------
    UsageError : no such channel
    """
    found = capture.channel(channel)
    return as_bytes(capture, found.name, settings, decode(capture, found.name, settings))


def as_bytes(capture: Capture, channel: str, settings: AsyncSettings, found: Decoded) -> LineBytes:
    """Return decoded characters with times in seconds."""
    return LineBytes(channel=channel, t_s=capture.seconds(found.ticks), values=found.values.astype(np.uint64),
                     errors=found.errors, bits=settings.data_bits, character_s=settings.character_s)


def decode(capture: Capture, channel: str, settings: AsyncSettings) -> Decoded:
    """Read the characters of one channel, in ticks."""
    found = capture.channel(channel)
    t = float(1 / ((settings.measured_baud or settings.baud) * float(capture.tick_s)))
    grid = time_grid(capture, found.edge_ticks, t)
    form = forms.Form(settings.data_bits, settings.parity, settings.stop_bits, settings.inverted)
    done, glitches = [], 0
    for part in stretches(capture, found):
        edges, n = without_glitches(part.edges, t, grid)
        glitches += n
        bridged = reread_bursts(part, replace(part, edges=edges), t, grid, form)
        done.append(receive(bridged, t, form.before_stop, inverted=form.inverted, form=form))
    return decoded(done, form, glitches)


def decoded(received: list[Received], form: forms.Form, glitches: int) -> Decoded:
    """Say what received characters mean in a form."""
    done = [_stretch(part, form) for part in received]
    if not done:
        return Decoded(np.empty(0, np.int64), np.empty(0, np.uint16), np.empty(0, np.uint8), 0, glitches)
    return Decoded(np.concatenate([d.ticks for d in done]), np.concatenate([d.values for d in done]),
                   np.concatenate([d.errors for d in done]), sum(d.breaks for d in done), glitches)


def _stretch(part: Received, form: forms.Form) -> Decoded:
    levels = part.levels
    data = (levels >> np.uint16(1)) & np.uint16((1 << form.data_bits) - 1)
    errors = np.zeros(len(levels), np.uint8)
    if form.parity != "none":
        bit = (levels >> np.uint16(1 + form.data_bits)) & np.uint16(1)
        errors[~forms.parity_holds(data, bit, form.parity)] = ByteError.PARITY
    stop = levels & np.uint16(1 << form.before_stop) != 0
    if form.stop_bits > 1:
        stop &= part.half_bits >= 2 * (form.before_stop + form.stop_bits)
    errors[~stop] = ByteError.FRAMING
    errors[~part.whole] = ByteError.BROKEN
    errors[:part.unsure] = ByteError.BROKEN  # the stretch may begin inside a character
    is_break = (levels & np.uint16((2 << form.before_stop) - 1) == 0) & part.whole
    ticks = part.stretch.edges[part.index]
    n_breaks = int(is_break.sum())
    if n_breaks:
        ticks, data, errors = ticks[~is_break], data[~is_break], errors[~is_break]
    return Decoded(ticks, data, errors, n_breaks, 0)


GAP_PERIODS = 1.9  # a pause of the clock longer than this parts two words


def words_of(capture: Capture, settings: ClockedSettings) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where words begin among the reading edges, and their bits: parted by pauses and by the select line.

    Returns
    -------
    starts : int64, shape (n_words,), index of the first reading edge
    n_bits : int64, shape (n_words,)
    """
    clock = capture.channel(settings.clock)
    ticks = _reading_edges(clock, settings.edge)
    if not len(ticks):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    periods = np.diff(ticks)
    typical = middle(periods) if len(periods) else 1.0
    parted = np.append(True, periods > GAP_PERIODS * typical)
    if settings.select:
        moved = np.searchsorted(capture.channel(settings.select).edge_ticks, ticks, side="right")
        parted |= np.append(True, moved[1:] != moved[:-1])
    starts = np.flatnonzero(parted)
    return starts, np.diff(np.append(starts, len(ticks)))


def _reading_edges(clock: Channel, edge: str) -> NDArray[np.int64]:
    rising_first = clock.first_level == 0
    return clock.edge_ticks[0 if rising_first == (edge == "rising") else 1::2]


def read_clocked(capture: Capture, settings: ClockedSettings) -> LineBytes:
    """Read the words of a clocked pair; a burst of another length than a whole number of words ends in a broken one.

    Raises
    ------
    UsageError : no such channel
    """
    clock, data = capture.channel(settings.clock), capture.channel(settings.data)
    ticks = _reading_edges(clock, settings.edge)
    starts, n_bits = words_of(capture, settings)
    size = settings.bits_per_word
    per_burst = (n_bits + size - 1) // size
    first = np.repeat(starts, per_burst) + size * (np.arange(int(per_burst.sum())) -
                                                   np.repeat(np.cumsum(per_burst) - per_burst, per_burst))
    left = np.repeat(starts + n_bits, per_burst) - first
    # Data may move with the very edge that reads it: what stood just before counts.
    levels = data.level_at(ticks - 1)
    values = np.zeros(len(first), np.uint64)
    broken = left < size
    for bit in range(size):
        at = np.minimum(first + bit, len(ticks) - 1) if len(ticks) else first
        level = np.where(bit < left, levels[at], 0) if len(ticks) else np.zeros(0, np.int8)
        broken |= level < 0
        place = bit if settings.bit_order == "lsb first" else size - 1 - bit
        if place < 64:
            values |= (level == 1).astype(np.uint64) << np.uint64(place)
    period = middle(np.diff(ticks)) if len(ticks) > 1 else 0.0
    return LineBytes(channel=data.name, t_s=capture.seconds(ticks[first]), values=values,
                     errors=np.where(broken, ByteError.BROKEN, ByteError.NONE).astype(np.uint8), bits=size,
                     character_s=period * size * float(capture.tick_s))


@dataclass(frozen=True)
class I2cWords:
    """Bytes of an I2C bus.

    Parameters
    ----------
    ticks : int64, shape (n,), each byte's first rising clock edge
    values : uint8, shape (n,), address bytes too, with their read bit
    acknowledged : bool, shape (n,)
    cut : bool, shape (n,), fewer than nine clocks
    n_transfers, n_whole : stretches between start and next start or stop, and those of whole bytes
    """

    ticks: NDArray[np.int64]
    values: NDArray[np.uint8]
    acknowledged: NDArray[np.bool_]
    cut: NDArray[np.bool_]
    n_transfers: int
    n_whole: int


def i2c_words(clock: Channel, data: Channel) -> I2cWords | None:
    """Read a pair of lines as I2C; None where there is no start or the lines do not idle high.

    *Source*: the published I2C specification (UM10204): data falls (start) or rises (stop) while the clock is high;
    eight bits, most significant first, then the acknowledge bit, low for yes; read while the clock is high.
    """
    edges = data.edge_ticks
    high = clock.level_at(edges) == 1
    falls = data.level_at(edges) == 0
    marks, is_start = edges[high], falls[high]
    rising = _reading_edges(clock, "rising")
    if not is_start.any() or not len(rising):
        return None
    begins = np.flatnonzero(is_start)
    lows = np.searchsorted(rising, marks[begins], side="right")
    ends = np.append(marks, 2**62)[begins + 1]
    highs = np.searchsorted(rising, ends, side="right")
    # The clock rises once more for the stop or the next start that ends the transfer.
    closed = begins + 1 < len(marks)
    counts = np.maximum(highs - lows - closed, 0)
    whole = (counts % 9 == 0) & (counts > 0)
    per = (counts + 8) // 9
    first = np.repeat(lows, per) + 9 * (np.arange(int(per.sum())) - np.repeat(np.cumsum(per) - per, per))
    left = np.repeat(lows + counts, per) - first
    levels = data.level_at(rising)
    values = np.zeros(len(first), np.uint8)
    for bit in range(8):
        level = np.where(bit < left, levels[np.minimum(first + bit, len(rising) - 1)], 0)
        values |= (level == 1).astype(np.uint8) << np.uint8(7 - bit)
    acknowledged = (left >= 9) & (levels[np.minimum(first + 8, len(rising) - 1)] == 0)
    # A transfer that runs to the end of the capture may be whole as far as it goes.
    n = len(counts) - int(not closed[-1] and not whole[-1])
    return I2cWords(rising[first], values, acknowledged, left < 9, n, int(whole[:n].sum()))


def read_i2c(capture: Capture, clock: str, data: str) -> LineBytes:
    """Read the bytes of an I2C bus (address bytes too); a byte that is cut short is broken.

    Raises
    ------
    UsageError : no such channel
    """
    c, d = capture.channel(clock), capture.channel(data)
    found = i2c_words(c, d)
    if found is None:
        return LineBytes(channel=d.name, t_s=np.empty(0), values=np.empty(0, np.uint64), errors=np.empty(0, np.uint8))
    errors = np.where(found.cut, ByteError.BROKEN, ByteError.NONE).astype(np.uint8)
    return LineBytes(channel=d.name, t_s=capture.seconds(found.ticks), values=found.values.astype(np.uint64),
                     errors=errors)
