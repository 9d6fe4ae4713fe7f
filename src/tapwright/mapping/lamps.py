"""Which bit lights what: columns of bits beside columns of things seen lit or dark, one bit for each thing.

States are int8: 1 lit, 0 dark, -1 not known. A candidate is an index into both polarities of all bits: `bit` for a bit
that is 1 when lit, `bit + n_bits` for one that is 0 when lit.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import BitRef, Lamp
from tapwright.mapping.sight import Sight

LIT, DARK, OPEN = 1, 0, -1
_MOST_TIES = 6


def mismatches(sight: Sight, states: NDArray[np.int8]) -> NDArray[np.int64]:
    """Return how many labels speak against each candidate.

    Parameters
    ----------
    states : int8, shape (n_labels, n_things)

    Returns
    -------
    int64, shape (n_things, 2 n_bits)
    """
    ones = ((sight.bits == 1) & ~sight.mixed).astype(np.float32)
    noughts = ((sight.bits == 0) & ~sight.mixed).astype(np.float32)
    lit, dark = (states == LIT).astype(np.float32).T, (states == DARK).astype(np.float32).T
    plain = lit @ noughts + dark @ ones
    inverted = lit @ ones + dark @ noughts
    return np.concatenate([plain, inverted], axis=1).astype(np.int64)


def two_sided(states: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Return which things were seen both lit and dark, shape (n_things,)."""
    both: NDArray[np.bool_] = (states == LIT).any(axis=0) & (states == DARK).any(axis=0)
    return both


def consistent_labels(sight: Sight, states: NDArray[np.int8], usable: NDArray[np.bool_],
                      most_wrong: int) -> NDArray[np.bool_] | None:
    """Return the labels that leave a bit for every thing, the fewest left out; None where more must be left out.

    Parameters
    ----------
    usable : bool, shape (n_bits,)
    most_wrong : labels that may be left out
    """
    kept = np.ones(len(sight), np.bool_)
    closed = np.concatenate([~usable, ~usable])
    against = mismatches(sight, states)
    n_lit, n_dark = (states == LIT).sum(axis=0), (states == DARK).sum(axis=0)
    for _ in range(most_wrong + 1):
        open_ = np.where(closed, len(sight) + 1, against)
        best = open_.min(axis=1, initial=len(sight) + 1)
        sides = (n_lit > 0) & (n_dark > 0)
        if not (sides & (best > 0)).any():
            return kept
        blame = _blame(sight, states, sides, open_, best)
        worst = int(np.where(kept, blame, -1).argmax())
        if blame[worst] <= 0:
            return None
        kept[worst] = False
        against -= mismatches(sight.take(np.arange(len(sight)) == worst), states[worst:worst + 1])
        n_lit -= states[worst] == LIT
        n_dark -= states[worst] == DARK
    return None


def _blame(sight: Sight, states: NDArray[np.int8], sides: NDArray[np.bool_], against: NDArray[np.int64],
           best: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return for each label how many things' best bits it contradicts."""
    blame = np.zeros(len(sight))
    n_bits = sight.bits.shape[1]
    for thing in np.flatnonzero((best > 0) & (best < len(sight)) & sides):
        ties = np.flatnonzero(against[thing] == best[thing])[:_MOST_TIES]
        for candidate in ties:
            bit = candidate % n_bits
            value = sight.bits[:, bit] ^ (candidate >= n_bits)
            wrong = (states[:, thing] != OPEN) & (value != states[:, thing]) & ~sight.mixed[:, bit]
            blame += wrong / (len(ties) * best[thing])
    return blame


def candidates(sight: Sight, states: NDArray[np.int8], usable: NDArray[np.bool_]) -> list[set[int]]:
    """Return for each thing the candidates that no label speaks against; empty where it was not seen both ways."""
    fits = mismatches(sight, states) == 0
    fits &= np.concatenate([usable, usable])
    fits &= two_sided(states)[:, None]
    return [set(np.flatnonzero(row).tolist()) for row in fits]


def one_each(options: Sequence[set[int]], n_bits: int) -> list[set[int]] | None:
    """Leave out candidates that cannot be part of any assignment of a bit of its own to every thing.

    Things without options are left alone. None where there is no such assignment.

    Source: Régin 1994, "A filtering algorithm for constraints of difference": matching, then strong components.
    """
    things = [i for i, option in enumerate(options) if option]
    bits_of = [sorted({candidate % n_bits for candidate in options[i]}) for i in things]
    of_bit: dict[int, int] = {}
    for thing in range(len(things)):
        if not _augment(thing, bits_of, of_bit, set()):
            return None
    allowed = _allowed(bits_of, of_bit)
    out = [set(option) for option in options]
    for k, i in enumerate(things):
        out[i] = {candidate for candidate in options[i] if candidate % n_bits in allowed[k]}
    return out


def _augment(thing: int, bits_of: list[list[int]], of_bit: dict[int, int], tried: set[int]) -> bool:
    for bit in bits_of[thing]:
        if bit not in tried:
            tried.add(bit)
            if bit not in of_bit or _augment(of_bit[bit], bits_of, of_bit, tried):
                of_bit[bit] = thing
                return True
    return False


def _allowed(bits_of: list[list[int]], of_bit: dict[int, int]) -> list[set[int]]:
    bit_of = {thing: bit for bit, thing in of_bit.items()}
    takers: dict[int, list[int]] = {}
    for thing, bits in enumerate(bits_of):
        for bit in bits:
            takers.setdefault(bit, []).append(thing)
    # From a free bit: its takers may move to it, which frees their own bits in turn.
    reached = {bit for bit in takers if bit not in of_bit}
    queue = list(reached)
    while queue:
        for thing in takers[queue.pop()]:
            own = bit_of[thing]
            if own not in reached:
                reached.add(own)
                queue.append(own)
    component = _components({thing: [of_bit[bit] for bit in bits if bit in of_bit]
                             for thing, bits in enumerate(bits_of)})
    return [{bit for bit in bits
             if bit == bit_of[thing] or bit in reached or component[of_bit[bit]] == component[thing]}
            for thing, bits in enumerate(bits_of)]


def _components(graph: dict[int, list[int]]) -> dict[int, int]:
    """Return the strong component of every node (Kosaraju, two depth-first walks without recursion)."""
    order: list[int] = []
    seen: set[int] = set()
    for root in graph:
        if root in seen:
            continue
        seen.add(root)
        stack = [(root, iter(graph[root]))]
        while stack:
            node, rest = stack[-1]
            step = next((other for other in rest if other not in seen), None)
            if step is None:
                order.append(node)
                stack.pop()
            else:
                seen.add(step)
                stack.append((step, iter(graph[step])))
    back: dict[int, list[int]] = {node: [] for node in graph}
    for node, others in graph.items():
        for other in others:
            back[other].append(node)
    component: dict[int, int] = {}
    for root in reversed(order):
        if root in component:
            continue
        todo = [root]
        while todo:
            node = todo.pop()
            if node not in component:
                component[node] = root
                todo += back[node]
    return component


def bit_ref(candidate: int, n_bits: int) -> BitRef:
    """Return the bit of a candidate, inverted where it is 0 when lit."""
    bit = candidate % n_bits
    return BitRef(bit // 8, bit % 8, candidate >= n_bits)


def lamp(options: set[int], states: NDArray[np.int8], n_bits: int) -> Lamp:
    """Return the lamp of a thing with the candidates left and the states (shape (n_labels,)) that labels saw."""
    lit, dark = int((states == LIT).sum()), int((states == DARK).sum())
    bits = tuple(bit_ref(candidate, n_bits) for candidate in sorted(options, key=lambda c: (c % n_bits, c)))
    return Lamp(bits=bits, rest=not bits and lit > 0 and not dark, lit=lit, dark=dark)
