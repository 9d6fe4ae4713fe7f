"""Edges and known settings in, bytes out: the receiver.

A character begins at an edge to the active level, is read in the middle of its bits, and the next one is looked for
after the middle of its first stop bit. Low for a whole character and its stop is a break: no byte.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture
from tapwright.core.line import AsyncSettings, ByteError, LineBytes
from tapwright.line import forms
from tapwright.line.edges import Stretch, stretches, time_grid, without_glitches


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
    decoded = decode(capture, found.name, settings)
    return LineBytes(channel=found.name, t_s=capture.seconds(decoded.ticks), values=decoded.values.astype(np.uint64),
                     errors=decoded.errors, bits=settings.data_bits, character_s=settings.character_s)


def decode(capture: Capture, channel: str, settings: AsyncSettings) -> Decoded:
    """Read the characters of one channel, in ticks."""
    grid = time_grid(capture, capture.channel(channel).edge_ticks)
    t = float(1 / ((settings.measured_baud or settings.baud) * float(capture.tick_s)))
    form = forms.Form(settings.data_bits, settings.parity, settings.stop_bits, settings.inverted)
    done, glitches = [], 0
    for part in stretches(capture, capture.channel(channel)):
        edges, n = without_glitches(part.edges, t, grid)
        glitches += n
        done.append(_stretch(replace(part, edges=edges), t, form))
    if not done:
        return Decoded(np.empty(0, np.int64), np.empty(0, np.uint16), np.empty(0, np.uint8), 0, glitches)
    return Decoded(np.concatenate([d.ticks for d in done]), np.concatenate([d.values for d in done]),
                   np.concatenate([d.errors for d in done]), sum(d.breaks for d in done), glitches)


def _stretch(stretch: Stretch, t: float, form: forms.Form) -> Decoded:
    table = forms.starts(stretch, t, inverted=form.inverted)
    if not len(table.at):
        return Decoded(np.empty(0, np.int64), np.empty(0, np.uint16), np.empty(0, np.uint8), 0, 0)
    sync = forms.synchronise(table, form.before_stop, t, form)
    picked = forms.chain(table, form.before_stop, sync.begin)
    levels = table.levels[picked]
    data = (levels >> 1) & ((1 << form.data_bits) - 1)
    stop = (levels >> form.before_stop) & 1 == 1
    errors = np.zeros(len(picked), np.uint8)
    parity_ok = forms.parity_holds(data, (levels >> (1 + form.data_bits)) & 1, form.parity)
    errors[~parity_ok] = ByteError.PARITY
    late = np.append(np.diff(table.at[picked]), np.inf) / t >= form.before_stop + form.stop_bits - 0.35
    errors[~stop | (~late & (form.stop_bits > 1))] = ByteError.FRAMING
    cut = table.whole[picked] <= form.before_stop
    errors[cut] = ByteError.BROKEN
    errors[:sync.unsure] = ByteError.BROKEN  # the stretch may begin inside a character
    is_break = ((levels & ((2 << form.before_stop) - 1)) == 0) & ~cut
    keep = ~is_break
    ticks = stretch.edges[table.index[picked]]
    return Decoded(ticks[keep], data[keep].astype(np.uint16), errors[keep], int(is_break.sum()), 0)
