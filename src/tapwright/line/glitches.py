"""Pulses too short for a bit: bridged blindly while nothing is known, then weighed against the characters.

A glitch beside a start edge or a bit's edge leaves two ways of bridging it. Once rate and form are known, what the
whole burst of characters says decides.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tapwright.line.edges import Stretch
from tapwright.line.forms import PARITIES, Form

GLITCH_OF_BIT = 1 / 3  # a pulse shorter than a third of a bit is a glitch
GLITCH_COST = 4.0  # nats: a glitch is met about once in fifty edges
MANY_EDGES = 1 << 16  # looked at in pieces that stay in the cache
LONGEST_RUN = 24  # pulses; longer runs are no glitches, and are bridged as they come
JITTER = 0.03  # of a bit, beside what the sampling adds
CHUNK_EDGES = 1024  # of one burst, weighed at a time
COMPILED_FROM = 600  # edges; below, loading machine code costs more than it saves
_KEPT_BACK = 3  # characters at a chunk's end that what follows may still change


def without_glitches(edges: NDArray[np.int64], t: float, grid: float) -> tuple[NDArray[np.int64], int]:
    """Return edges without glitches, and how many pulses were bridged.

    Parameters
    ----------
    edges : int64, shape (n,), rising ticks
    t : unit interval, ticks
    grid : ticks between samples
    """
    shortest = _widest(t, grid)
    if len(edges) < 2:
        return edges, 0
    if len(edges) > MANY_EDGES and not _any_short(edges, shortest):
        return edges, 0
    short = np.diff(edges) < shortest
    if not short.any():
        return edges, 0
    begins = np.flatnonzero(short & ~np.append(False, short[:-1]))
    ends = np.flatnonzero(short & ~np.append(short[1:], False)) + 1
    keep = np.ones(len(edges), np.bool_)
    alone = ends - begins == 1
    keep[begins[alone]] = keep[ends[alone]] = False
    n = int(alone.sum())
    for begin, end in zip(begins[~alone].tolist(), ends[~alone].tolist(), strict=True):
        n += _bridge(edges, keep, begin, end, t, 0.06 + 0.5 * grid / t)
    return edges[keep], n


def _any_short(edges: NDArray[np.int64], shortest: float) -> bool:
    """Return whether any pulse is short, a piece at a time."""
    return any(bool((np.diff(edges[i:i + MANY_EDGES + 1]) < shortest).any())
               for i in range(0, len(edges) - 1, MANY_EDGES))


def _bridge(
    edges: NDArray[np.int64], keep: NDArray[np.bool_], begin: int, end: int, t: float, spread: float,
) -> int:
    """Choose the line's edges in a run of short pulses (edges `begin` to `end`); return how many pulses go.

    Every pulse bridged costs, and so does every interval off the bit grid; the cheapest way through the run wins.
    """
    if end - begin > LONGEST_RUN:
        keep[begin:end + (end - begin) % 2] = False
        return (end - begin + 1) // 2
    first, last = max(begin - 1, 0), min(end + 1, len(edges) - 1)
    at = [float(edge) / t for edge in edges[first:last + 1] - edges[first]]
    # Outside the capture there is nothing to fit: an edge far away stands for it.
    at = ([-1e6] if begin == 0 else []) + at + ([1e6] if end == len(edges) - 1 else [])
    best: list[tuple[float, int]] = [(0.0, -1)]
    for j in range(1, len(at)):
        ways = [(best[i][0] + GLITCH_COST * ((j - i - 1) // 2) + _misfit(at[j] - at[i], spread), i)
                for i in range(j - 1, -1, -2)]
        best.append(min(ways))
    keep[begin:end + 1] = False
    i, n_kept = best[-1][1], 0
    while i > 0:
        keep[begin + i - 1] = True
        n_kept += 1
        i = best[i][1]
    return (end - begin + 1 - n_kept) // 2


def _misfit(bits: float, spread: float) -> float:
    if bits > 12:
        return 0.0
    if bits < 0.5:
        return 4 * GLITCH_COST
    return min((bits - max(round(bits), 1)) ** 2 / (2 * spread * spread), 1.5 * GLITCH_COST)


def _widest(t: float, grid: float) -> float:
    """Return how wide a glitch may be seen, ticks: one sample longer than it is; a bit is never seen as half of one."""
    return min(t * GLITCH_OF_BIT + (grid if grid > 0.02 * t else 0.0), 0.55 * t)


def reread_bursts(raw: Stretch, cleaned: Stretch, t: float, grid: float, form: Form) -> Stretch:
    """Return a stretch whose disturbed bursts have the edges of their likeliest characters.

    A burst is what lies between two rests of more than a character. Bursts without a short pulse stay as they are;
    where a break or the capture's begin leaves no hold, the blindly bridged edges do.

    Parameters
    ----------
    raw, cleaned : the stretch as seen, and with its glitches bridged blindly
    t : unit interval, ticks
    grid : ticks between samples
    form : of the characters
    """
    edges = raw.edges
    if len(edges) == len(cleaned.edges):
        return cleaned
    to_active = 0 if raw.first_level == (0 if form.inverted else 1) else 1
    rest = (form.before_stop + form.stop_bits + 0.6) * t
    behind = np.diff(np.append(edges, raw.end))
    is_rest = behind >= rest
    is_rest[to_active::2] = False  # idle lasts from an edge to idle to the next
    # An active level that long is a break: no character.
    is_break = behind >= (form.before_stop + 0.5) * t
    is_break[1 - to_active::2] = False
    ends = np.flatnonzero(is_rest) + 1
    begins = np.append(to_active, ends)
    ends = np.append(ends, len(edges))
    if to_active == 0 and len(edges) and edges[0] - raw.start < rest:
        begins, ends = begins[1:], ends[1:]
    if to_active == 1:
        begins, ends = begins[1:], ends[1:]
    is_short = behind[:-1] < _widest(t, grid)
    short = np.append(0, np.cumsum(np.append(is_short, False)))
    broken = np.append(0, np.cumsum(is_break))
    last = np.minimum(ends, len(edges)) - 1
    wanted = (last > begins) & (short[np.maximum(last, begins)] > short[begins]) & (broken[ends] == broken[begins])
    if len(edges) and not is_rest[-1]:
        wanted &= ends < len(edges)  # cut by the capture's end
    pieces = []
    work = int((ends - begins)[wanted].sum())
    for begin, end in zip(begins[wanted].tolist(), ends[wanted].tolist(), strict=True):
        until = int(edges[end]) if end < len(edges) else raw.end
        found = _characters_of(edges[begin:end], until, t, grid, form, compiled=work >= COMPILED_FROM)
        if found is None:
            continue
        pieces += [(int(edges[begin]), until, found)]
    return replace(cleaned, edges=_spliced(cleaned.edges, pieces))


def _spliced(edges: NDArray[np.int64], pieces: list[tuple[int, int, NDArray[np.int64]]]) -> NDArray[np.int64]:
    out, at = [], 0
    for begin, end, found in pieces:
        i, j = np.searchsorted(edges, (begin, end)).tolist()
        out += [edges[at:i], found]
        at = j
    return np.concatenate([*out, edges[at:]])


def _characters_of(
    edges: NDArray[np.int64], until: int, t: float, grid: float, form: Form, *, compiled: bool,
) -> NDArray[np.int64] | None:
    """Return the edges of a burst's likeliest characters, None where it has too many candidates."""
    from tapwright.line._reread import reread

    run = reread if compiled else reread.python
    step = grid / t
    spread = float(np.hypot(0.45 * step, JITTER))
    widest = _widest(t, grid) / t
    begin, out = 0, []
    while begin < len(edges):
        zero = int(edges[begin])
        end = min(begin + CHUNK_EDGES, len(edges))
        part = (edges[begin:end] - zero) / t
        room = 8 * len(part) + 16
        at, own, best = np.empty(room), np.empty(room), np.empty(room)
        word, back = np.empty(room, np.int64), np.empty(room, np.int64)
        starts, words = np.empty(room), np.empty(room, np.int64)
        is_last = end == len(edges)
        stop_at = ((until if is_last else int(edges[end])) - zero) / t
        n = run(part, len(part), stop_at, form.before_stop, form.stop_bits, PARITIES.index(form.parity), spread, widest,
                at, own, word, best, back, room, starts, words)
        if n < 0:
            return None
        kept = n if is_last else n - _KEPT_BACK
        if kept <= 0 and not is_last:
            return None
        out.append(_edges_of(starts[:kept], words[:kept], form.before_stop) * t + zero)
        if is_last:
            break
        # Go on at the edge to active nearest the first character held back.
        candidates = part[::2]
        begin += 2 * int(np.abs(candidates - starts[kept]).argmin())
    found = np.rint(np.concatenate(out)).astype(np.int64) if out else np.empty(0, np.int64)
    return found if not len(found) or np.diff(found).min(initial=1) > 0 else None


def _edges_of(starts: NDArray[np.float64], words: NDArray[np.int64], before_stop: int) -> NDArray[np.float64]:
    """Return the edges of characters, bits: where the level changes from idle through their bits to idle."""
    bits = np.arange(before_stop)
    level = (words[:, None] >> bits) & 1
    level = np.concatenate([np.ones((len(words), 1), np.int64), level, np.ones((len(words), 1), np.int64)], 1)
    change = level[:, 1:] != level[:, :-1]
    places = starts[:, None] + np.arange(before_stop + 1)
    return np.asarray(places[change])
