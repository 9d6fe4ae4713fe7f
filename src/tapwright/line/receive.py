"""The receiver's walk: from start edge to start edge, with the levels in the middle of the bits behind each.

The chain of characters depends on the bits before the stop bit alone, not on what they mean.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.line import forms
from tapwright.line.edges import Stretch

COMPILED_FROM = 60_000  # edges; below, loading machine code (0.1 s) costs more than it saves
_SYNC_EDGES = 3000


@dataclass(frozen=True)
class Received:
    """Characters of one stretch, as read with one length.

    Parameters
    ----------
    stretch : where they stand
    before_stop : bits before the stop bit
    index : int64, shape (n,), the edges that start them
    levels : uint16, shape (n,), bit k is 1 where the line is idle in the middle of bit k
    half_bits : uint8, shape (n,), half bits to the next start, at most `forms.FAR`
    whole : bool, shape (n,), False where the stretch ends before the stop bit
    unsure : how many at the begin may not be characters
    """

    stretch: Stretch
    before_stop: int
    index: NDArray[np.int64]
    levels: NDArray[np.uint16]
    half_bits: NDArray[np.uint8]
    whole: NDArray[np.bool_]
    unsure: int


def receive(
    stretch: Stretch, t: float, before_stop: int, *, inverted: bool, form: forms.Form | None = None,
    table: forms.Starts | None = None,
) -> Received:
    """Walk through a stretch.

    Parameters
    ----------
    stretch : without glitches
    t : unit interval, ticks
    before_stop : bits before the stop bit
    form : where known, its parity helps to find the first whole character
    table : the stretch's start candidates where they were made before
    """
    if len(stretch.edges) >= COMPILED_FROM:
        return _compiled(stretch, t, before_stop, inverted, form)
    if table is None:
        table = forms.starts(stretch, t, inverted=inverted)
    if not len(table.at):
        return Received(stretch, before_stop, np.empty(0, np.int64), np.empty(0, np.uint16), np.empty(0, np.uint8),
                        np.empty(0, np.bool_), 0)
    sync = forms.synchronise(table, before_stop, t, form)
    picked = forms.chain(table, before_stop, sync.begin)
    at = table.at[picked]
    gaps = np.append(np.diff(at), np.inf)
    half = np.minimum(np.floor(gaps / t * 2 + 0.7), forms.FAR).astype(np.uint8)
    return Received(stretch, before_stop, table.index[picked], table.levels[picked].astype(np.uint16), half,
                    table.whole[picked] > before_stop, sync.unsure)


def _compiled(
    stretch: Stretch, t: float, before_stop: int, inverted: bool, form: forms.Form | None,
) -> Received:
    from tapwright.line import _kernels

    head = replace(stretch, edges=stretch.edges[:_SYNC_EDGES], end=int(stretch.edges[_SYNC_EDGES]))
    table = forms.starts(head, t, inverted=inverted)
    sync = forms.synchronise(table, before_stop, t, form)
    # A character takes its bits: time bounds their number better than edges do.
    most = min(len(stretch.edges) // 2, int((stretch.end - stretch.start) / ((before_stop + 0.2) * t))) + 2
    index, levels = np.empty(most, np.int64), np.empty(most, np.uint16)
    half, whole = np.empty(most, np.uint8), np.empty(most, np.uint8)
    n = _kernels.walk(stretch.edges, len(stretch.edges), int(table.index[sync.begin]), stretch.end, t, before_stop,
                      index, levels, half, whole, np.empty(_kernels.PHASE_BITS + 1))
    # Cut where they are: what was not written has no pages.
    index.resize(n, refcheck=False)
    return Received(stretch, before_stop, index, levels[:n], half[:n], whole[:n].view(np.bool_), sync.unsure)


def characters(received: list[Received]) -> forms.Characters:
    """Count what the characters hold and how soon the next one comes, without the cut and the unsure ones."""
    keys = []
    for part in received:
        keep = part.whole.copy()
        keep[:part.unsure] = False
        keys.append(((part.levels.astype(np.int32) << 6) | part.half_bits)[keep])
    joined = np.concatenate(keys)
    if len(joined) > 100_000:
        table = np.bincount(joined)
        distinct = np.flatnonzero(table)
        counts = table[distinct]
    else:
        joined.sort()
        first = np.flatnonzero(np.append(True, joined[1:] != joined[:-1])) if len(joined) else np.empty(0, np.int64)
        distinct, counts = joined[first].astype(np.int64), np.diff(np.append(first, len(joined)))
    return forms.Characters(received[0].before_stop, distinct >> 6, distinct & 63, counts)
