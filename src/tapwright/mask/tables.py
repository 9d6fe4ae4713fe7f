"""Byte maps without a rule, the same at every place, alone or with a key before or behind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step
from tapwright.mask.affine import completed, echelon, linear_image
from tapwright.mask.fits import BYTES, OPEN, RIVAL_BITS, Fit, Triples


@dataclass(frozen=True)
class _Graph:
    """Solves table[a] - node[place] = b, known up to one constant for each connected part of tables and places.

    Key last: radio = table[wire] + key, so a is the wire byte and node the key's negative. Key first: radio =
    back[wire + key] where back undoes the table, so table[radio] - key = wire: a is the radio byte and node the key.
    Plus and minus are xor where `xored`.

    Parameters
    ----------
    entry, entry_part : int64, shape (256,): table values and the part they belong to, OPEN where not seen
    node, node_part : int64, shape (period,): the same for places modulo the period
    n_parts : number of parts, the first one has most places
    """

    xored: bool
    key_first: bool
    entry: NDArray[np.int64]
    entry_part: NDArray[np.int64]
    node: NDArray[np.int64]
    node_part: NDArray[np.int64]
    n_parts: int

    def plus(self, a: NDArray[np.int64] | int, b: NDArray[np.int64] | int) -> NDArray[np.int64]:
        """Return a + b in the graph's arithmetic."""
        return np.asarray(a ^ b if self.xored else a + b & 255)

    def minus(self, a: NDArray[np.int64] | int, b: NDArray[np.int64] | int) -> NDArray[np.int64]:
        """Return a - b in the graph's arithmetic."""
        return np.asarray(a ^ b if self.xored else a - b & 255)


def _solve_graph(triples: Triples, period: int, xored: bool, key_first: bool) -> _Graph | None:
    """Return the solution, None where there is none."""
    group = triples.place % period
    ins, outs = (triples.radio, triples.wire) if key_first else (triples.wire, triples.radio)
    seen = np.full((period, 256), OPEN, np.int64)
    seen[group, ins] = outs
    if (seen[group, ins] != outs).any():
        return None
    entry, entry_part = np.zeros(256, np.int64), np.full(256, OPEN, np.int64)
    node: NDArray[np.int64] = np.zeros(period, np.int64)
    node_part: NDArray[np.int64] = np.full(period, OPEN, np.int64)
    has = seen != OPEN
    graph = _Graph(xored, key_first, entry, entry_part, node, node_part, 0)
    part = -1
    while True:
        waiting = (node_part == OPEN) & has.any(axis=1)
        if not waiting.any():
            break
        linked = waiting & (has & (entry_part == part) & (part >= 0)).any(axis=1)
        if linked.any():
            g = int(np.flatnonzero(linked)[0])
            both = has[g] & (entry_part == part)
            offsets = graph.minus(entry[both], seen[g][both])
            if (offsets != offsets[0]).any():
                return None
            node[g] = offsets[0]
        else:
            part += 1
            g = int(np.argmax(np.where(waiting, has.sum(axis=1), -1)))
            node[g] = 0
        new = has[g] & (entry_part == OPEN)
        node_part[g] = part
        entry[new] = graph.plus(seen[g][new], int(node[g]))
        entry_part[new] = part
        members = entry[entry_part == part]
        if len(np.unique(members)) < len(members):
            return None  # not one to one
    return _Graph(xored, key_first, entry, entry_part, node, node_part, part + 1)


def substitution(triples: Triples, floor: float) -> Iterator[Fit]:
    """Yield one table for every place, alone or with a key xored or added, before or after."""
    for xored in (True, False):
        for key_first in (False, True):
            n_values = len(np.unique(triples.radio if key_first else triples.wire))
            widest = _solve_graph(triples, triples.n_bytes, xored, key_first)
            if widest is None or (-8.0 * (n_values - widest.n_parts) < floor and n_values > 20):
                continue
            for period in range(1, triples.n_bytes + 1):
                graph = _solve_graph(triples, period, xored, key_first)
                if graph is None or (period == 1 and (key_first or not xored)):
                    continue  # of period 1, one table says it all
                fit = _graph_fit(triples, graph)
                for closer in _affine_with_add(triples, graph) if period > 1 and not xored else ():
                    floor = max(floor, closer.score - RIVAL_BITS)
                    yield closer
                if fit.score < floor:
                    break
                floor = max(floor, fit.score - RIVAL_BITS)
                yield fit


def _graph_fit(triples: Triples, graph: _Graph) -> Fit:
    n, period = triples.n_bytes, len(graph.node)
    entry: list[int | None] = [None] * 256
    key: list[int | None] = [None] * period
    table = np.full((period, 256), OPEN, np.int16)
    used = np.zeros(256, np.bool_)
    for part in range(graph.n_parts):
        entries, groups = np.flatnonzero(graph.entry_part == part), np.flatnonzero(graph.node_part == part)
        values = graph.entry[entries]
        for g in groups:
            # What the part settles, whatever constant it is given.
            made = graph.minus(values, int(graph.node[g]))
            if graph.key_first:
                table[g, made] = entries
            else:
                table[g, entries] = made
        # The first key byte is called 0: a constant moved from the key into the table changes nothing.
        start = int(graph.minus(0, int(graph.node[groups[0]])))
        shift = next((c for c in [start, *range(256)] if not used[graph.plus(values, c)].any()), None)
        if shift is None:
            continue
        used[graph.plus(values, shift)] = True
        for a, value in zip(entries.tolist(), graph.plus(values, shift).tolist(), strict=True):
            entry[a] = value
        for place, value in zip(groups.tolist(), graph.plus(graph.node[groups], shift).tolist(), strict=True):
            key[place] = value if graph.xored or graph.key_first else -value & 255
    n_values, n_groups = int((graph.entry_part != OPEN).sum()), int((graph.node_part != OPEN).sum())
    looked_up = _substitution_step(entry, graph.key_first)
    table_bits = -float(np.log2(256 - np.arange(n_values)).sum())
    if period == 1:
        return Fit(steps=(looked_up,), table=np.resize(table, (n, 256)), fit_bits=table_bits, prior_bits=-7.0,
                   period=1, determined_bits=8 * n_values, total_bits=2048)
    key_step = Step(kind="xor" if graph.xored else "add", key=tuple(key))
    return Fit(steps=(key_step, looked_up) if graph.key_first else (looked_up, key_step),
               table=np.resize(table, (n, 256)), fit_bits=table_bits - 8.0 * (n_groups - graph.n_parts),
               prior_bits=-11.0 - float(np.log2(n)) - (not graph.xored), period=period,
               determined_bits=8 * (n_values + n_groups - graph.n_parts + 1),
               total_bits=2048 + 8 * period)


def _substitution_step(entry: list[int | None], backwards: bool) -> Step:
    if not backwards:
        return Step(kind="substitution", table=tuple(entry))
    table: list[int | None] = [None] * 256
    for radio, wire in enumerate(entry):
        if wire is not None:
            table[wire] = radio
    return Step(kind="substitution", table=tuple(table))


def _affine_with_add(triples: Triples, graph: _Graph) -> Iterator[Fit]:
    """Yield an affine map with an added key where the table found is affine for some constant moved into the key."""
    entries, values = np.flatnonzero(graph.entry_part == 0), graph.entry[graph.entry_part == 0]
    if graph.n_parts > 1 or len(entries) < 12:
        return  # places of another part would each have to be tried with 256 constants
    for shift in _affine_shifts(entries, values):
        moved = graph.plus(values, shift)
        wire, radio = (moved, entries) if graph.key_first else (entries, moved)
        basis = echelon(zip((wire ^ wire[0]).tolist(), (radio ^ radio[0]).tolist(), strict=True))
        columns = None if basis is None or len(basis) < 8 else completed(basis)
        if columns is None:
            continue
        image = linear_image(columns)
        constant = int(radio[0] ^ image[wire[0]])
        node = graph.plus(graph.node, shift)
        if graph.key_first:
            table, key = (image ^ constant)[BYTES + node[:, None] & 255], node
        else:
            table, key = (image ^ constant)[None, :] - node[:, None] & 255, -node & 255
        affine = Step(kind="affine", matrix=tuple(columns), constant=constant)
        add = Step(kind="add", key=tuple(key.tolist()))
        n, period = triples.n_bytes, len(node)
        # 256 constants were tried, and each may be had by the key or by the map: 8 bits of both are one choice.
        yield Fit(steps=(add, affine) if graph.key_first else (affine, add),
                  table=np.resize(table.astype(np.int16), (n, 256)), fit_bits=-64.0 - 8 * period,
                  prior_bits=-12.0 - float(np.log2(n)), period=period, determined_bits=72 + 8 * period,
                  total_bits=72 + 8 * period)


def _affine_shifts(entries: NDArray[np.int64], values: NDArray[np.int64]) -> list[int]:
    """Return the constants that, added to the values, may make the table affine.

    Under an affine map four entries whose xor is 0 have values whose xor is 0; some forty fours are tried.
    """
    at = np.full(256, OPEN)
    at[entries] = np.arange(len(entries))
    fours = np.random.default_rng(13).integers(0, len(entries), (3, 4000))
    fourth = at[np.bitwise_xor.reduce(entries[fours], axis=0)]
    found = np.flatnonzero((fourth != OPEN) & (fourth != fours[0]) & (fourth != fours[1]) & (fourth != fours[2]))[:40]
    moved = values[None, :] + BYTES[:, None] & 255
    total = np.bitwise_xor.reduce(moved[:, np.concatenate([fours[:, found], fourth[None, found]])], axis=1)
    return np.flatnonzero((total == 0).all(axis=1)).tolist()
