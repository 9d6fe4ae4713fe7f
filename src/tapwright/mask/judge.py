"""A proposed pairing -> the mask of its pairs, held against pairs that it was not solved from.

Pairs that contradict the others are taken for strays, up to a share; a third of the different frames at a time is
foretold by the mask of the others; and only pairs of which enough was foretold settle anything.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.mask.align import Pairing, Pairs, Rows
from tapwright.mask.fits import OPEN, Table, triples_of
from tapwright.mask.solve import Solution, solve

CONFIRMED_BITS = 8.0  # foretold in a pair, but half of what it holds is enough, before it settles anything itself
MOST_STRAYS = 0.12  # share of clock-made pairs that may fit nothing
MOST_PASSED = 0.25  # share of order-made pairs that may have had to be passed over
MOST_CONTRADICTED = 0.08  # share of different frames, before the pairs are weeded once
LEAST_PAIRS, LEAST_DISTINCT = 16, 8

@dataclass(frozen=True, kw_only=True)
class Verdict:
    """One pairing judged."""

    solution: Solution
    pairs: Pairs
    n_checked: int
    dropped: int
    mismatches: int
    proof_bits: float
    n_distinct: int


def judge(wire: Rows, radio: Rows, pairing: Pairing) -> Verdict | None:
    """Solve one pairing and hold each third of it against the mask of the other two; None where no mask fits."""
    pairs, passed = pairing.pairs, pairing.passed_over
    pairs = pairs[wire.lengths[pairs[:, 0]] == radio.lengths[pairs[:, 1]]]
    if len(pairs) < LEAST_PAIRS or passed > (
            MOST_STRAYS if pairing.by_clock else MOST_PASSED) * (len(pairs) + passed):
        return None
    kept = without_strays(wire, radio, pairs)
    if kept is None:
        return None
    trial, kept = solve_robustly(wire, radio, kept, 1 - MOST_STRAYS)
    if trial is None:
        return None
    checked = _held_back(wire, radio, kept)
    if checked is not None and 0 < checked.n_contradicted <= MOST_CONTRADICTED * checked.n_distinct:
        # One wrong pair among those trained on contradicts right ones: without all of them it must come out clean.
        kept = kept[~checked.contradicted]
        checked = _held_back(wire, radio, kept)
    if checked is None or len(pairs) - len(kept) > MOST_STRAYS * len(pairs):
        return None
    # A stray frame does not come twice, so by the clocks a pair seen twice is one.
    sure = kept[checked.confirmed | (_seen_twice(wire, radio, kept) & ~checked.contradicted & pairing.by_clock)]
    solution = _solved(wire, radio, sure) if len(sure) >= LEAST_PAIRS else None
    if solution is None:
        return None
    if not pairing.by_clock:
        # Without clocks a frame may stand for its like neighbour: what a single frame alone has shown stays open.
        for table in checked.tables:
            n = min(len(table), len(solution.table))
            solution.table[n:] = OPEN
            solution.table[:n][table[:n] != solution.table[:n]] = OPEN
    return Verdict(solution=solution, pairs=sure, n_checked=len(kept), dropped=len(pairs) - len(kept),
                   mismatches=checked.n_contradicted, proof_bits=checked.proof_bits, n_distinct=checked.n_distinct)


@dataclass(frozen=True, kw_only=True)
class _Checked:
    """Pairs held against masks solved without them.

    Parameters
    ----------
    contradicted, confirmed : bool, shape (n_pairs,): a byte was foretold wrong; enough was foretold right
    n_contradicted : different frames with a byte foretold wrong
    tables : what each two thirds settle
    """

    contradicted: NDArray[np.bool_]
    confirmed: NDArray[np.bool_]
    n_contradicted: int
    n_distinct: int
    proof_bits: float
    tables: tuple[Table, ...]


def _seen_twice(wire: Rows, radio: Rows, pairs: Pairs) -> NDArray[np.bool_]:
    both = np.column_stack([wire.data[pairs[:, 0]], radio.data[pairs[:, 1]], wire.lengths[pairs[:, 0]]])
    _, inverse, count = np.unique(both, axis=0, return_inverse=True, return_counts=True)
    return np.asarray(count[inverse.ravel()] >= 2)


def _solved(wire: Rows, radio: Rows, pairs: Pairs) -> Solution | None:
    return solve(triples_of(wire.data[pairs[:, 0]], radio.data[pairs[:, 1]], wire.lengths[pairs[:, 0]]))


def _held_back(wire: Rows, radio: Rows, pairs: Pairs) -> _Checked | None:
    """Hold back a third of the different frames at a time; repeats of a frame would foretell themselves."""
    data_w, lengths = wire.data[pairs[:, 0]], wire.lengths[pairs[:, 0]]
    _, first, frame = np.unique(np.column_stack([data_w, lengths]), axis=0, return_index=True, return_inverse=True)
    n_distinct = len(first)
    if n_distinct < LEAST_DISTINCT:
        return None
    worth = _worth(data_w, radio.data[pairs[:, 1]], lengths)[first]
    distinct = pairs[first]
    fold = np.random.default_rng(2).permutation(n_distinct) % 3
    contradicted, bits = np.zeros(n_distinct, np.bool_), np.zeros(n_distinct)
    tables = []
    for third in range(3):
        held = fold == third
        trained = _solved(wire, radio, distinct[~held])
        if trained is None:
            return None
        tables.append(trained.table)
        contradicted[held], bits[held] = _foretold(trained.table, wire.data[distinct[held, 0]],
                                                   radio.data[distinct[held, 1]], lengths[first][held], worth[held])
    # Bytes of a frame depend on each other: a frame proves no more than that it is this one of all.
    proof = np.minimum(bits, np.log2(n_distinct))[~contradicted].sum()
    confirmed = ~contradicted & (bits >= np.minimum(CONFIRMED_BITS, worth.sum(axis=1) / 2))
    frame = frame.ravel()
    return _Checked(contradicted=contradicted[frame], confirmed=confirmed[frame],
                    n_contradicted=int(contradicted.sum()), n_distinct=n_distinct, proof_bits=float(proof),
                    tables=tuple(tables))


def _worth(data_w: NDArray[np.uint8], data_r: NDArray[np.uint8], lengths: NDArray[np.int64]
           ) -> NDArray[np.float64]:
    """Return the bits that foretelling each pair's byte is worth, shape of the data.

    A byte that is the same in most frames is worth little, a plain counter nothing: any two counters can be joined.
    """
    inside = np.arange(data_r.shape[1])[None, :] < lengths[:, None]
    worth = np.zeros(data_r.shape)
    for place in range(data_r.shape[1]):
        at = np.flatnonzero(inside[:, place])
        if len(at) < 2:
            continue
        _, inverse, count = np.unique(data_r[at, place], return_inverse=True, return_counts=True)
        worth[at, place] = -np.log2(count / len(at))[inverse]
        steps = np.diff(data_w[at, place].astype(np.int64)) & 255
        moved = steps[steps != 0]
        if len(moved) and (np.bincount(moved).max() > 0.8 * len(moved)):
            worth[at, place] = 0.0
    return worth


def _foretold(table: Table, data_w: NDArray[np.uint8], data_r: NDArray[np.uint8], lengths: NDArray[np.int64],
              worth: NDArray[np.float64]) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Return for each held-back pair whether a byte was foretold wrong, and the bits foretold right."""
    width = min(len(table), data_w.shape[1])
    inside = np.arange(width)[None, :] < lengths[:, None]
    made = table[np.arange(width)[None, :], data_w[:, :width]]
    known = inside & (made != OPEN)
    right = known & (made == data_r[:, :width])
    return (known & ~right).any(axis=1), (right * worth[:, :width]).sum(axis=1)


def without_strays(wire: Rows, radio: Rows, pairs: Pairs, most: float = MOST_STRAYS) -> Pairs | None:
    """Return the pairs without those whose bytes contradict the others', None where too many do.

    At each place equal wire bytes must have equal radio bytes and the other way round; the pairs outvoted at most
    places go first.
    """
    kept = pairs
    while len(kept) >= max((1 - most) * len(pairs), 1):
        lengths = wire.lengths[kept[:, 0]]
        owner, place = np.nonzero(np.arange(wire.data.shape[1])[None, :] < lengths[:, None])
        byte_w = wire.data[kept[owner, 0], place].astype(np.int64)
        byte_r = radio.data[kept[owner, 1], place].astype(np.int64)
        _, code, count = np.unique(place << 16 | byte_w << 8 | byte_r, return_inverse=True, return_counts=True)
        votes = count[code]
        outvoted = np.zeros(len(owner))
        for key in (place << 8 | byte_w, place << 8 | byte_r):
            top = np.zeros(wire.data.shape[1] << 8, np.int64)
            np.maximum.at(top, key, votes)
            total = np.bincount(key, minlength=len(top))
            # Against an equal number of votes it is as likely the other pair that is wrong.
            outvoted += (votes < top[key]) + 0.5 * ((votes == top[key]) & (votes < total[key]))
        bad = np.bincount(owner, outvoted, minlength=len(kept))
        if not bad.any():
            return kept
        kept = kept[bad < bad.max() - 1e-9]
    return None


def solve_robustly(wire: Rows, radio: Rows, pairs: Pairs, least_share: float) -> tuple[Solution | None, Pairs]:
    """Return the solution of the pairs, leaving out as few as it takes, with the pairs left.

    A stray pair whose bytes are seen once only contradicts no other pair by itself, but every kind of mask: then small
    random parts of the pairs are solved until one is free of strays, and shows the others.
    """
    solution = _solved(wire, radio, pairs)
    if solution is not None:
        return solution, pairs
    rng = np.random.default_rng(5)
    for share in (0.5, 0.5, 0.3, 0.3, 0.3, 0.3, 0.2, 0.2, 0.2, 0.2, 0.2, 0.2):
        trial = _solved(wire, radio, pairs[rng.random(len(pairs)) < share])
        if trial is None:
            continue
        width = len(trial.table)
        data_w, data_r = wire.data[pairs[:, 0], :width], radio.data[pairs[:, 1], :width]
        made = trial.table[np.arange(width)[None, :], data_w]
        inside = np.arange(width)[None, :] < wire.lengths[pairs[:, 0]][:, None]
        good = ~(inside & (made != OPEN) & (made != data_r)).any(axis=1)
        if good.sum() >= least_share * len(pairs):
            solution = _solved(wire, radio, pairs[good])
            if solution is not None:
                return solution, pairs[good]
    return None, pairs
