"""Pairs of wire and radio bytes -> every kind of mask that joins them all, with what each leaves open.

Each kind is a set of byte maps with free parameters. The pairs leave part of the parameters open; the share of all
parameter values that they leave, in bits, is the kind's `fit_bits` (0: no free parameter was needed, -32: four key
bytes had to be set). By Bayes, the kind that needed the fewest bits is the likeliest; kinds within `RIVAL_BITS` of it
stand as well, and only what all standing kinds agree on is settled.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step
from tapwright.mask.kinds.bit_order import REVERSED

RIVAL_BITS = 24.0  # a rival of less than 2^-24 of the best one's probability is not heard
OPEN = -1

Table = NDArray[np.int16]  # shape (n_bytes, 256), place x wire byte -> radio byte, OPEN where not settled

_BYTES = np.arange(256)
_ROTATED = [((_BYTES << k | _BYTES >> (8 - k)) & 255).astype(np.int16) for k in range(8)]


@dataclass(frozen=True)
class Triples:
    """Distinct (place, wire byte, radio byte) of the pairs, int64, each shape (m,); `n_bytes` is the longest frame."""

    place: NDArray[np.int64]
    wire: NDArray[np.int64]
    radio: NDArray[np.int64]
    n_bytes: int


@dataclass(frozen=True, kw_only=True)
class Fit:
    """One kind of mask that joins all pairs.

    Parameters
    ----------
    steps : wire to radio, with one choice of what is open
    table : what the kind settles
    fit_bits : log2 of the share of its parameter values that the pairs leave
    prior_bits : log2 of the kind's probability before any pair
    period : places after which the map repeats, 1 where it is the same at every place
    determined_bits, total_bits : of the steps' parameters
    """

    steps: tuple[Step, ...]
    table: Table
    fit_bits: float
    prior_bits: float
    period: int
    determined_bits: int
    total_bits: int

    @property
    def score(self) -> float:
        """log2 of the probability, up to a constant."""
        return self.fit_bits + self.prior_bits


@dataclass(frozen=True)
class Solution:
    """The likeliest kind, its rivals, and what all of them agree on (`table`)."""

    best: Fit
    rivals: tuple[Fit, ...]
    table: Table


def triples_of(wire: NDArray[np.uint8], radio: NDArray[np.uint8], lengths: NDArray[np.int64]) -> Triples:
    """Return the distinct triples of paired frames, shape (m, width) each, with their lengths, shape (m,)."""
    inside = np.arange(wire.shape[1])[None, :] < lengths[:, None]
    place = np.broadcast_to(np.arange(wire.shape[1]), wire.shape)[inside].astype(np.int64)
    code = np.unique(place << 16 | wire[inside].astype(np.int64) << 8 | radio[inside])
    return Triples(code >> 16, code >> 8 & 255, code & 255, int(lengths.max()) if len(lengths) else 0)


def solve(triples: Triples) -> Solution | None:
    """Return the likeliest kind of mask that explains every triple, None where no kind does."""
    if not len(triples.place) or not _one_to_one(triples):
        return None
    fits: list[Fit] = []
    for family in _FAMILIES:
        floor = max((fit.score for fit in fits), default=-np.inf) - RIVAL_BITS
        fits += family(triples, floor)
    if not fits:
        return None
    fits.sort(key=lambda fit: -fit.score)
    best = fits[0]
    rivals = tuple(fit for fit in fits[1:] if fit.score >= best.score - RIVAL_BITS)
    table = best.table.copy()
    for rival in rivals:
        table[table != rival.table] = OPEN
    return Solution(best, rivals, table)


def _one_to_one(triples: Triples) -> bool:
    """Whether at each place equal wire bytes have equal radio bytes, and the other way round."""
    n = len(triples.place)
    return (len(np.unique(triples.place << 8 | triples.wire)) == n
            and len(np.unique(triples.place << 8 | triples.radio)) == n)


def bit_orders() -> Iterator[tuple[tuple[Step, ...], NDArray[np.int16], float]]:
    """Yield the sixteen fixed bit orders made of turning and reversing: steps, map, prior in bits."""
    for k in range(8):
        turn = () if k == 0 else (Step(kind="nibble swap"),) if k == 4 else (Step(kind="rotate", bits=k),)
        yield turn, _ROTATED[k], -1.0 if k == 0 else -5.0
    for k in range(8):
        turn = () if k == 0 else (Step(kind="nibble swap"),) if k == 4 else (Step(kind="rotate", bits=k),)
        yield (Step(kind="bit order"), *turn), _ROTATED[k][REVERSED], -5.0 if k == 0 else -9.0


def _keyed(triples: Triples, floor: float) -> Iterator[Fit]:
    """Yield the bit orders alone and with a key xored or added, before or after."""
    for steps, turn, prior in bit_orders():
        turned, back = turn[triples.wire].astype(np.int64), np.argsort(turn)
        options = [("xor", turned ^ triples.radio, False), ("add", triples.radio - turned & 255, False)]
        if steps:
            options.append(("add", back[triples.radio] - triples.wire & 255, True))
        for kind, key, before in options:
            found = _key_of(triples, key)
            if found is None:
                continue
            period, values = found
            spread = np.array([OPEN if values[p % period] is None else values[p % period]
                               for p in range(triples.n_bytes)])[:, None]
            if kind == "xor":
                table = turn[None, :] ^ spread
            else:
                table = turn[_BYTES + spread & 255] if before else turn[None, :] + spread & 255
            table = np.where(spread == OPEN, OPEN, table).astype(np.int16)
            if all(not value for value in values):
                if kind == "xor" and None not in values:
                    plain = steps or (Step(kind="none"),)
                    bits = 3 * sum(step.kind == "rotate" for step in plain)
                    yield Fit(steps=plain, table=table, fit_bits=0.0, prior_bits=prior, period=1,
                              determined_bits=bits, total_bits=bits)
                continue
            step = Step(kind=kind, key=values)
            known = sum(value is not None for value in values)
            bits = 3 * sum(other.kind == "rotate" for other in steps)
            yield Fit(steps=(step, *steps) if before else (*steps, step), table=table, fit_bits=-8.0 * known,
                      prior_bits=prior - 2 - (kind == "add") - 3 * bool(steps) - float(np.log2(triples.n_bytes)),
                      period=period, determined_bits=8 * known + bits, total_bits=8 * period + bits)


def _key_of(triples: Triples, key: NDArray[np.int64]) -> tuple[int, tuple[int | None, ...]] | None:
    """Return the shortest period and its key where every place has one key byte, else None."""
    places, first = np.unique(triples.place, return_index=True)
    value = np.full(triples.n_bytes, OPEN)
    value[places] = key[first]
    if (value[triples.place] != key).any():
        return None
    for period in range(1, triples.n_bytes + 1):
        columns: list[int | None] = []
        for start in range(period):
            seen = value[start::period]
            seen = seen[seen != OPEN]
            if len(seen) and (seen != seen[0]).any():
                break
            columns.append(int(seen[0]) if len(seen) else None)
        else:
            return period, tuple(columns)
    return None


def _two_keys(triples: Triples, floor: float) -> Iterator[Fit]:
    """Yield a xored key with an added one, in both orders; either may have any period."""
    for order in (("xor", "add"), ("add", "xor")):
        left = np.ones((triples.n_bytes, 256, 256), np.bool_)  # place, first key, second key: still possible
        for place in np.unique(triples.place):
            at = triples.place == place
            wire, radio, first = triples.wire[at][None, :], triples.radio[at][None, :], _BYTES[:, None]
            second = (radio - (wire ^ first)) & 255 if order[0] == "xor" else radio ^ (wire + first & 255)
            good = (second == second[:, :1]).all(axis=1)
            left[place] = False
            left[place, np.flatnonzero(good), second[good, 0]] = True
            if not good.any():
                break
        else:
            for period in range(1, triples.n_bytes + 1):
                if all(left[g::period].all(axis=0).any() for g in range(period)):
                    fit = _two_keys_fit(order, left, period)
                    if fit.score < floor:
                        break
                    floor = max(floor, fit.score - RIVAL_BITS)
                    yield fit


def _two_keys_fit(order: tuple[str, str], left: NDArray[np.bool_], period: int) -> Fit:
    n = len(left)
    keys: list[list[int]] = [[], []]
    table = np.full((period, 256), OPEN, np.int16)
    shares = np.empty(period)
    for g in range(period):
        one, two = (side[:, None] for side in np.nonzero(left[g::period].all(axis=0)))
        keys[0].append(int(one[0, 0]))
        keys[1].append(int(two[0, 0]))
        shares[g] = len(one) / 65536
        made = (_BYTES ^ one) + two & 255 if order[0] == "xor" else (_BYTES + one & 255) ^ two
        table[g] = np.where((made == made[0]).all(axis=0), made[0], OPEN)
    lengths = [next(p for p in range(1, period + 1) if (period == n or period % p == 0) and all(
        key[i] == key[i % p] for i in range(period))) for key in keys]
    total = 8 * sum(lengths)
    # Both keys' top bits turned over make the same map, so two possible pairs of a place are one answer.
    open_bits = float(np.ceil(np.log2(shares * 65536 / 2)).clip(0).sum())
    steps = tuple(Step(kind=kind, key=tuple(key[:p])) for kind, key, p in zip(order, keys, lengths, strict=True))
    return Fit(steps=steps, table=np.resize(table, (n, 256)), fit_bits=float(np.log2(shares).sum()),
               prior_bits=-9.0 - 2 * float(np.log2(n)), period=period,
               determined_bits=max(total - int(open_bits), 0), total_bits=total)


def _affine(triples: Triples, floor: float) -> Iterator[Fit]:
    """Yield one affine map over GF(2) for every place, alone or with a xored key."""
    widest = _affine_fit(triples, triples.n_bytes)  # what fails place by place cannot work with places joined
    if widest is None or widest.fit_bits + 8 * (widest.period - 1) < floor:
        return
    for period in range(1, triples.n_bytes + 1):
        fit = _affine_fit(triples, period)
        if fit is not None:
            if fit.score < floor:
                return
            floor = max(floor, fit.score - RIVAL_BITS)
            yield fit


def _affine_fit(triples: Triples, period: int) -> Fit | None:
    group = triples.place % period
    base_wire, base_radio = np.full(period, OPEN), np.full(period, OPEN)
    groups, first = np.unique(group, return_index=True)
    base_wire[groups], base_radio[groups] = triples.wire[first], triples.radio[first]
    differences = np.unique((triples.wire ^ base_wire[group]) << 8 | triples.radio ^ base_radio[group])
    basis = _echelon((row >> 8, row & 255) for row in differences.tolist())
    columns = None if basis is None else _completed(basis)
    if basis is None or columns is None:
        return None
    image = _linear_image(columns)
    inside = np.zeros(256, np.bool_)
    inside[0] = True
    for vector in basis:
        inside |= inside[_BYTES ^ vector]
    constant = np.where(base_wire == OPEN, OPEN, base_radio ^ image[base_wire])
    table = np.full((period, 256), OPEN, np.int16)
    for g in groups:
        table[g] = np.where(inside[_BYTES ^ base_wire[g]], image ^ constant[g], OPEN)
    n_groups, rank, n = len(groups), len(basis), triples.n_bytes
    if period == 1:
        return Fit(steps=(Step(kind="affine", matrix=tuple(columns), constant=int(constant[0])),),
                   table=np.resize(table, (n, 256)), fit_bits=-8.0 * rank - 8, prior_bits=-7.0, period=1,
                   determined_bits=8 * rank + 8, total_bits=72)
    # The map's constant and the key say the same: the constant is left at 0.
    key = tuple(None if value == OPEN else int(value) for value in constant)
    return Fit(steps=(Step(kind="affine", matrix=tuple(columns)), Step(kind="xor", key=key)),
               table=np.resize(table, (n, 256)), fit_bits=-8.0 * rank - 8 * n_groups,
               prior_bits=-10.0 - float(np.log2(n)), period=period, determined_bits=8 * rank + 8 * n_groups,
               total_bits=64 + 8 * period)


def _linear_image(columns: list[int]) -> NDArray[np.int64]:
    image = np.zeros(256, np.int64)
    for b in range(8):
        image[_BYTES >> b & 1 == 1] ^= columns[b]
    return image


def _echelon(pairs: Iterator[tuple[int, int]]) -> dict[int, int] | None:
    """Return independent inputs with their outputs, None where the map is not linear or not one to one."""
    basis: dict[int, int] = {}  # by leading bit: input << 8 | output
    images: dict[int, int] = {}
    for one, two in pairs:
        row = one << 8 | two
        for lead in sorted(basis, reverse=True):
            if row >> (8 + lead) & 1:
                row ^= basis[lead]
        if row >> 8 == 0:
            if row:
                return None
            continue
        basis[(row >> 8).bit_length() - 1] = row
        image = row & 255
        for lead in sorted(images, reverse=True):
            if image >> lead & 1:
                image ^= images[lead]
        if image == 0:
            return None
        images[image.bit_length() - 1] = image
    return {row >> 8: row & 255 for row in basis.values()}


def _completed(basis: dict[int, int]) -> list[int] | None:
    """Return the images of the eight single bits for one invertible map that keeps the basis."""
    inputs, outputs = dict(basis), list(basis.values())
    for b in range(8):
        if not _independent([*inputs, 1 << b]):
            continue
        image = next((1 << c for c in range(8) if _independent([*outputs, 1 << c])), None)
        if image is None:
            return None
        inputs[1 << b] = image
        outputs.append(image)
    # Reduce to single bits: Gauss-Jordan on the eight rows.
    rows = [one << 8 | two for one, two in inputs.items()]
    for b in range(8):
        at = next(i for i in range(b, 8) if rows[i] >> (8 + b) & 1)
        rows[b], rows[at] = rows[at], rows[b]
        rows = [row ^ rows[b] if i != b and row >> (8 + b) & 1 else row for i, row in enumerate(rows)]
    return [row & 255 for row in rows]


def _independent(vectors: Sequence[int]) -> bool:
    rows: list[int] = []
    for vector in vectors:
        for row in rows:
            vector = min(vector, vector ^ row)
        if vector == 0:
            return False
        rows.append(vector)
    return True


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


def _substitution(triples: Triples, floor: float) -> Iterator[Fit]:
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
    substitution = _substitution_step(entry, graph.key_first)
    table_bits = -float(np.log2(256 - np.arange(n_values)).sum())
    if period == 1:
        return Fit(steps=(substitution,), table=np.resize(table, (n, 256)), fit_bits=table_bits, prior_bits=-7.0,
                   period=1, determined_bits=8 * n_values, total_bits=2048)
    key_step = Step(kind="xor" if graph.xored else "add", key=tuple(key))
    return Fit(steps=(key_step, substitution) if graph.key_first else (substitution, key_step),
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
        basis = _echelon(zip((wire ^ wire[0]).tolist(), (radio ^ radio[0]).tolist(), strict=True))
        columns = None if basis is None or len(basis) < 8 else _completed(basis)
        if columns is None:
            continue
        image = _linear_image(columns)
        constant = int(radio[0] ^ image[wire[0]])
        node = graph.plus(graph.node, shift)
        if graph.key_first:
            table, key = (image ^ constant)[_BYTES + node[:, None] & 255], node
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
    moved = values[None, :] + _BYTES[:, None] & 255
    total = np.bitwise_xor.reduce(moved[:, np.concatenate([fours[:, found], fourth[None, found]])], axis=1)
    return np.flatnonzero((total == 0).all(axis=1)).tolist()


# Each yields the fits of one family; those that score under the floor may be left out.
_FAMILIES: tuple[Callable[[Triples, float], Iterator[Fit]], ...] = (_keyed, _two_keys, _affine, _substitution)
