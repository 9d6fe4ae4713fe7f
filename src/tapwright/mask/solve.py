"""Pairs of wire and radio bytes -> every kind of mask that joins them all, with what each leaves open.

Each kind is a set of byte maps with free parameters. The pairs leave part of the parameters open; the share of all
parameter values that they leave, in bits, is the kind's `fit_bits` (0: no free parameter was needed, -32: four key
bytes had to be set). By Bayes, the kind that needed the fewest bits is the likeliest; kinds within `RIVAL_BITS` of it
stand as well, and only what all standing kinds agree on is settled.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

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
    fits = [fit for family in _FAMILIES for fit in family(triples)]
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


def _keyed(triples: Triples) -> Iterator[Fit]:
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
                      prior_bits=prior - 2 - (kind == "add") - 3 * bool(steps) - np.log2(triples.n_bytes), period=period,
                      determined_bits=8 * known + bits, total_bits=8 * period + bits)


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


def _two_keys(triples: Triples) -> Iterator[Fit]:
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
            yield _two_keys_fit(order, left)


def _two_keys_fit(order: tuple[str, str], left: NDArray[np.bool_]) -> Fit:
    n = len(left)
    period = next(p for p in range(1, n + 1) if all(left[g::p].all(axis=0).any() for g in range(p)))
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
    lengths = [next(p for p in range(1, period + 1) if all(key[i] == key[i % p] for i in range(period)))
               for key in keys]
    total = 8 * sum(lengths)
    # Both keys' top bits turned over make the same map, so two possible pairs of a place are one answer.
    open_bits = float(np.ceil(np.log2(shares * 65536 / 2)).clip(0).sum())
    return Fit(steps=tuple(Step(kind=kind, key=tuple(key[:p])) for kind, key, p in zip(order, keys, lengths, strict=True)),
               table=np.resize(table, (n, 256)), fit_bits=float(np.log2(shares).sum()),
               prior_bits=-9.0 - 2 * float(np.log2(n)), period=period,
               determined_bits=max(total - int(open_bits), 0), total_bits=total)


def _affine(triples: Triples) -> Iterator[Fit]:
    """Yield one affine map over GF(2) for every place, alone or with a xored key."""
    for period in _periods(triples, _affine_fit):
        fit = _affine_fit(triples, period)
        if fit is not None:
            yield fit


def _periods(triples: Triples, try_one: Callable[[Triples, int], object]) -> list[int]:
    """Return the shortest period that works, or none: what fails place by place cannot work with places joined."""
    if try_one(triples, triples.n_bytes) is None:
        return []
    return [next(p for p in range(1, triples.n_bytes + 1) if try_one(triples, p) is not None)]


def _affine_fit(triples: Triples, period: int) -> Fit | None:
    group = triples.place % period
    base_wire, base_radio = np.full(period, OPEN), np.full(period, OPEN)
    groups, first = np.unique(group, return_index=True)
    base_wire[groups], base_radio[groups] = triples.wire[first], triples.radio[first]
    inputs = (triples.wire ^ base_wire[group]).tolist()
    outputs = (triples.radio ^ base_radio[group]).tolist()
    basis = _echelon(zip(inputs, outputs, strict=True))
    if basis is None:
        return None
    columns = _completed(basis)
    if columns is None:
        return None
    image = np.zeros(256, np.int64)
    for b in range(8):
        image[_BYTES >> b & 1 == 1] ^= columns[b]
    inside = np.zeros(256, np.bool_)
    inside[[0]] = True
    for vector in basis:
        inside |= inside[_BYTES ^ vector]
    constant = np.where(base_wire == OPEN, OPEN, base_radio ^ image[base_wire])
    table = np.full((period, 256), OPEN, np.int16)
    for g in groups:
        table[g] = np.where(inside[_BYTES ^ base_wire[g]], image ^ constant[g], OPEN)
    n_groups, rank = len(groups), len(basis)
    matrix = tuple(int(column) for column in columns)
    n = triples.n_bytes
    if period == 1:
        return Fit(steps=(Step(kind="affine", matrix=matrix, constant=int(constant[0])),),
                   table=np.resize(table, (n, 256)), fit_bits=-8.0 * rank - 8, prior_bits=-7.0, period=1,
                   determined_bits=8 * rank + 8, total_bits=72)
    # The constant and the key say the same: the constant is left at 0.
    key = tuple(None if value == OPEN else int(value) for value in constant)
    return Fit(steps=(Step(kind="affine", matrix=matrix), Step(kind="xor", key=key)), table=np.resize(table, (n, 256)),
               fit_bits=-8.0 * rank - 8 * n_groups, prior_bits=-10.0 - np.log2(n), period=period,
               determined_bits=8 * rank + 8 * n_groups, total_bits=64 + 8 * period)


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


@dataclass
class _Potentials:
    """Numbers on nodes, known up to one constant a component, from differences along edges (union-find)."""

    xored: bool
    parent: dict[int, int] = field(default_factory=dict)
    above: dict[int, int] = field(default_factory=dict)  # value minus the parent's value

    def root(self, node: int) -> tuple[int, int]:
        """Return the node's root and its value relative to it."""
        if node not in self.parent:
            self.parent[node], self.above[node] = node, 0
        total, at = 0, node
        while self.parent[at] != at:
            total = self._plus(total, self.above[at])
            at = self.parent[at]
        self.parent[node], self.above[node] = at, total
        return at, total

    def join(self, one: int, two: int, difference: int) -> bool:
        """Take value(one) - value(two) = difference; return False where that contradicts."""
        (root_1, value_1), (root_2, value_2) = self.root(one), self.root(two)
        if root_1 == root_2:
            return self._minus(value_1, value_2) == difference
        self.parent[root_1] = root_2
        self.above[root_1] = self._minus(self._plus(difference, value_2), value_1)
        return True

    def _plus(self, a: int, b: int) -> int:
        return a ^ b if self.xored else a + b & 255

    def _minus(self, a: int, b: int) -> int:
        return a ^ b if self.xored else a - b & 255


def _substitution(triples: Triples) -> Iterator[Fit]:
    """Yield one table for every place, alone or with a key xored or added, before or after."""
    for xored in (True, False):
        for key_first in (False, True):
            try_one = _Graph(xored, key_first)
            for period in _periods(triples, try_one):
                if period == 1 and (key_first or not xored):
                    continue  # one table says it all
                graph = try_one(triples, period)
                if graph is not None:
                    yield _graph_fit(triples, period, xored, key_first, graph)
                    if period > 1 and not xored:
                        yield from _affine_with_add(triples, period, key_first, graph)


@dataclass(frozen=True)
class _Graph:
    """Solves table[a] - node[place] = b, where a is the wire and b the radio byte, or the other way round.

    Key last: radio = table[wire] + key, so node is the key's negative. Key first: radio = back[wire + key], where back
    undoes the table, so table[radio] - key = wire and node is the key. Minus is xor where the key is xored.
    """

    xored: bool
    key_first: bool

    def __call__(self, triples: Triples, period: int) -> _Potentials | None:
        graph = _Potentials(self.xored)
        group = (triples.place % period).tolist()
        ins, outs = (triples.radio, triples.wire) if self.key_first else (triples.wire, triples.radio)
        for g, a, b in zip(group, ins.tolist(), outs.tolist(), strict=True):
            # Nodes: 0 to 255 are table entries, 256 + g a group's key (key last: its negative).
            if not graph.join(a, 256 + g, b):
                return None
        # One to one: two entries of a component never have one value.
        seen: set[tuple[int, int]] = set()
        for node in list(graph.parent):
            if node < 256:
                at = graph.root(node)
                if at in seen:
                    return None
                seen.add(at)
        return graph


def _graph_fit(triples: Triples, period: int, xored: bool, key_first: bool, graph: _Potentials) -> Fit:
    n = triples.n_bytes
    components: dict[int, list[int]] = {}
    for node in list(graph.parent):
        components.setdefault(graph.root(node)[0], []).append(node)
    ordered = sorted(components.values(), key=lambda nodes: (-len(nodes), nodes))
    entry: list[int | None] = [None] * 256
    key: list[int | None] = [None] * period
    table = np.full((period, 256), OPEN, np.int16)
    used: set[int] = set()
    for nodes in ordered:
        entries = [node for node in nodes if node < 256]
        values = {node: graph.root(node)[1] for node in nodes}
        groups = [node - 256 for node in nodes if node >= 256]
        for g in groups:
            # What the component settles, whatever constant it is given.
            made = {a: _minus(xored, values[a], values[256 + g]) for a in entries}
            for a, b in made.items():
                wire, radio = (b, a) if key_first else (a, b)
                table[g, wire] = radio
        # The first key byte is called 0: a constant moved from the key into the table changes nothing.
        first = min(groups, default=None)
        start = 0 if first is None else _minus(xored, 0, values[256 + first])
        shift = next((c for c in [start, *range(256)]
                      if not used & {_plus(xored, values[a], c) for a in entries}), None)
        if shift is None:
            continue
        for a in entries:
            entry[a] = _plus(xored, values[a], shift)
            used.add(_plus(xored, values[a], shift))
        for g in groups:
            node = _plus(xored, values[256 + g], shift)
            key[g] = node if xored or key_first else -node & 255
    n_values = sum(node < 256 for node in graph.parent)
    n_groups = len(graph.parent) - n_values
    substitution = _substitution_step(entry, key_first)
    bits = 8 * (n_values + n_groups - len(components))
    if period == 1:
        return Fit(steps=(substitution,), table=np.resize(table, (n, 256)),
                   fit_bits=-float(np.log2(256 - np.arange(n_values)).sum()), prior_bits=-7.0, period=1,
                   determined_bits=8 * n_values, total_bits=2048)
    key_step = Step(kind="xor" if xored else "add", key=tuple(key))
    steps = (key_step, substitution) if key_first else (substitution, key_step)
    return Fit(steps=steps, table=np.resize(table, (n, 256)), fit_bits=-float(bits),
               prior_bits=-11.0 - np.log2(n) - (not xored), period=period,
               determined_bits=min(bits + 8, 2048 + 8 * period), total_bits=2048 + 8 * period)


def _substitution_step(entry: list[int | None], backwards: bool) -> Step:
    if not backwards:
        return Step(kind="substitution", table=tuple(entry))
    table: list[int | None] = [None] * 256
    for radio, wire in enumerate(entry):
        if wire is not None:
            table[wire] = radio
    return Step(kind="substitution", table=tuple(table))


def _affine_with_add(triples: Triples, period: int, key_first: bool, graph: _Potentials) -> Iterator[Fit]:
    """Yield an affine map with an added key where the table found is affine for some constant moved into the key."""
    components: dict[int, list[int]] = {}
    for node in list(graph.parent):
        components.setdefault(graph.root(node)[0], []).append(node)
    nodes = max(components.values(), key=lambda members: (len(members), members))
    entries = [node for node in nodes if node < 256]
    if len(nodes) < len(graph.parent) or len(entries) < 12:
        return  # places of another component would each have to be tried with 256 constants
    values = {node: graph.root(node)[1] for node in nodes}
    kept: list[Fit] = []
    for shift in range(256):
        made = [(a, values[a] + shift & 255) for a in entries]
        a0, b0 = made[0]
        pairs = ((b ^ b0, a ^ a0) if key_first else (a ^ a0, b ^ b0) for a, b in made)
        basis = _echelon(pairs)
        columns = None if basis is None else _completed(basis)
        if basis is None or columns is None or len(basis) < 8:
            continue
        image = np.zeros(256, np.int64)
        for b in range(8):
            image[_BYTES >> b & 1 == 1] ^= columns[b]
        wire0, radio0 = (b0, a0) if key_first else (a0, b0)
        constant = int(radio0 ^ image[wire0])
        key = [None if 256 + g not in values else values[256 + g] + shift & 255 for g in range(period)]
        steps = (Step(kind="affine", matrix=tuple(int(c) for c in columns), constant=constant),)
        spread = np.array([OPEN if value is None else value for value in key])[:, None]
        if key_first:
            made_table = (image ^ constant)[_BYTES + spread & 255]
            key_step = Step(kind="add", key=tuple(key))
        else:
            made_table = (image ^ constant)[None, :] - spread & 255
            key_step = Step(kind="add", key=tuple(None if value is None else -value & 255 for value in key))
        table = np.where(spread == OPEN, OPEN, made_table).astype(np.int16)
        known = sum(value is not None for value in key)
        kept.append(Fit(steps=(key_step, *steps) if key_first else (*steps, key_step),
                        table=np.resize(table, (triples.n_bytes, 256)), fit_bits=-64.0 - 8 * known,
                        prior_bits=-12.0 - np.log2(triples.n_bytes), period=period, determined_bits=72 + 8 * known - 8,
                        total_bits=72 + 8 * period - 8))
    yield from kept[:2]


def _plus(xored: bool, a: int, b: int) -> int:
    return a ^ b if xored else a + b & 255


def _minus(xored: bool, a: int, b: int) -> int:
    return a ^ b if xored else a - b & 255


_FAMILIES: tuple[Callable[[Triples], Iterator[Fit]], ...] = (_keyed, _two_keys, _affine, _substitution)
