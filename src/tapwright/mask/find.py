"""Wire and radio frames of the same readings -> the fixed mask between them, or a plain "there is none".

A mask is claimed only where one kind of it joins the paired frames, and where masks solved without a third of the
pairs foretell that third: each correct byte that could have been another counts, and chance must be left no room.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Frames
from tapwright.core.mask import Mask, Settled, Step
from tapwright.evidence.mask_file import hex_text, mask_values
from tapwright.mask import align
from tapwright.mask.align import Pairing, Pairs, Rows
from tapwright.mask.apply import forward_tables
from tapwright.mask.solve import OPEN, Solution, Table, bit_orders, solve, triples_of

PROOF_BITS = 60.0  # foretold in held-back frames before a mask is claimed: chance, tried often, would need 2^-60
CONFIRMED_BITS = 8.0  # foretold in a pair, but half of what it holds is enough, before it settles anything itself
MOST_STRAYS = 0.12  # share of clock-made pairs that may fit nothing
MOST_PASSED = 0.25  # share of order-made pairs that may have had to be passed over
LOOSE_STRAYS = 0.4  # the same of pairs that are only to show a mask to pair again with
MOST_CONTRADICTED = 0.05
LEAST_PAIRS, LEAST_DISTINCT = 16, 8
REPEAT_PLACES = 3  # places that must repeat a key before it is taken to go on beyond the longest frame seen
MAX_WIDTH = 512


@dataclass(frozen=True, kw_only=True)
class MaskReport:
    """What the recordings say about the mask.

    Parameters
    ----------
    mask : None where no mask is claimed
    probability : that the mask is right; 0 without one
    evidence, advice : in words
    undetermined : what stays open, each with `what` and `why`
    """

    mask: Mask | None
    probability: float = 0.0
    evidence: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    undetermined: tuple[dict[str, str], ...] = ()
    pairs_dropped: int = 0

    def document(self) -> dict[str, object]:
        """Return the contract's JSON document."""
        if self.mask is None:
            values: dict[str, object] = {"kind": None, "key": None, "determined_bits": 0, "total_bits": 0,
                                         "pairs_used": 0, "pairs_checked": 0, "mismatches": 0}
        else:
            values = {"key": None} | mask_values(self.mask)
        return values | {"advice": list(self.advice), "probability": self.probability,
                         "pairs_dropped": self.pairs_dropped, "undetermined": list(self.undetermined),
                         "evidence": list(self.evidence)}


@dataclass(frozen=True, kw_only=True)
class _Verdict:
    """One pairing judged."""

    solution: Solution
    pairs: Pairs
    n_checked: int
    dropped: int
    mismatches: int
    proof_bits: float
    n_distinct: int


def find_mask(wire: Frames, radio: Frames) -> MaskReport:
    """Find the mask between a wire and a radio recording of the same readings.

    Parameters
    ----------
    wire, radio : their clocks, starts and lost frames need not agree; frames of other kinds may lie between
    """
    width = min(MAX_WIDTH, max([1, *wire.lengths.tolist(), *radio.lengths.tolist()]))
    rows_w, rows_r = align.rows_of(wire, width), align.rows_of(radio, width)
    few = _too_few(rows_w, rows_r)
    if few:
        return MaskReport(mask=None, advice=(few,))
    part_w, part_r = _busiest(rows_w), rows_r.take(slice(0, 4 * align.MOST_FRAMES))
    best: _Verdict | None = None
    for pairing in _pairings(part_w, part_r):
        verdict = _judge(part_w, part_r, pairing)
        if verdict is not None and (best is None or _rank(verdict) > _rank(best)):
            best = verdict
            if best.proof_bits > 2 * PROOF_BITS and not best.mismatches and best.dropped < 0.03 * len(best.pairs):
                break
    if best is None or best.proof_bits < PROOF_BITS or best.mismatches:
        return MaskReport(mask=None, advice=_why_none(rows_w, rows_r, best))
    return _report(best)


def _rank(verdict: _Verdict) -> tuple[bool, float]:
    return verdict.mismatches == 0, verdict.proof_bits


def _pairings(wire: Rows, radio: Rows) -> Iterator[Pairing]:
    """Yield pairings to judge; those of the order of frames alone are made anew with the mask that most of them fit."""
    for pairing in align.proposals(wire, radio):
        if pairing.by_clock:
            yield pairing
        else:
            kept = _without_strays(wire, radio, pairing.pairs, most=LOOSE_STRAYS)
            trial = None if kept is None else _solve_robustly(wire, radio, kept, 1 - LOOSE_STRAYS)[0]
            if trial is not None:
                yield from align.by_equality(wire, radio, _joins(trial.table))
    for equal in _votes(wire, radio):
        yield from align.by_equality(wire, radio, equal)


def _joins(table: Table) -> Callable[[Rows, Rows], NDArray[np.bool_]]:
    """Return the test whether a mask joins frames: every byte that it settles, and at least half of them settled."""
    def equal(wire: Rows, radio: Rows) -> NDArray[np.bool_]:
        width = min(len(table), wire.data.shape[1])
        inside = np.arange(width)[None, :] < wire.lengths[:, None]
        made = table[np.arange(width)[None, :], wire.data[:, :width]]
        known = inside & (made != OPEN)
        same = wire.lengths[:, None] == radio.lengths[None, :]
        same &= (2 * known.sum(axis=1) >= wire.lengths)[:, None]
        for place in range(width):
            same &= ~known[:, place, None] | (made[:, place, None] == radio.data[None, :, place])
        return np.asarray(same)
    return equal


def _busiest(rows: Rows) -> Rows:
    """Return the rows, or of very many the stretch with the most distinct ones."""
    most = align.MOST_FRAMES
    if len(rows) <= most:
        return rows
    starts = np.linspace(0, len(rows) - most, 20).astype(np.int64)
    distinct = [len(np.unique(rows.data[s:s + most], axis=0)) for s in starts]
    start = int(starts[int(np.argmax(distinct))])
    return rows.take(slice(start, start + most))


def _too_few(wire: Rows, radio: Rows) -> str:
    for name, rows in (("wire", wire), ("radio", radio)):
        distinct = len(np.unique(rows.data, axis=0)) if len(rows) else 0
        if len(rows) < LEAST_PAIRS:
            return (f"The {name} recording has {len(rows)} whole frames; record at least 60 on both sides, over the "
                    "same minutes, while the reading changes.")
        if distinct < LEAST_DISTINCT:
            return (f"The {name} recording has {distinct} different frame{'s' * (distinct != 1)} only, and many masks "
                    "join those; record while the reading changes, until there are at least 20 different ones.")
    return ""


def _judge(wire: Rows, radio: Rows, pairing: Pairing) -> _Verdict | None:
    """Solve one pairing and hold each third of it against the mask of the other two; None where no mask fits."""
    pairs, passed = pairing.pairs, pairing.passed_over
    pairs = pairs[wire.lengths[pairs[:, 0]] == radio.lengths[pairs[:, 1]]]
    if len(pairs) < LEAST_PAIRS or passed > (
            MOST_STRAYS if pairing.by_clock else MOST_PASSED) * (len(pairs) + passed):
        return None
    kept = _without_strays(wire, radio, pairs)
    if kept is None:
        return None
    trial, kept = _solve_robustly(wire, radio, kept, 1 - MOST_STRAYS)
    if trial is None:
        return None
    checked = _checked(wire, radio, kept)
    if checked is not None and 0 < checked.n_contradicted <= MOST_CONTRADICTED * checked.n_distinct:
        # One wrong pair among those trained on contradicts right ones: without all of them it must come out clean.
        kept = kept[~checked.contradicted]
        checked = _checked(wire, radio, kept)
    if checked is None or len(pairs) - len(kept) > MOST_STRAYS * len(pairs):
        return None
    sure = kept[checked.confirmed]
    solution = _solved(wire, radio, sure) if len(sure) >= LEAST_PAIRS else None
    if solution is None:
        return None
    if not pairing.by_clock:
        # Without clocks a frame may stand for its like neighbour: what a single frame alone has shown stays open.
        for table in checked.tables:
            n = min(len(table), len(solution.table))
            solution.table[n:] = OPEN
            solution.table[:n][table[:n] != solution.table[:n]] = OPEN
    return _Verdict(solution=solution, pairs=sure, n_checked=len(kept), dropped=len(pairs) - len(kept),
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


def _solved(wire: Rows, radio: Rows, pairs: Pairs) -> Solution | None:
    return solve(triples_of(wire.data[pairs[:, 0]], radio.data[pairs[:, 1]], wire.lengths[pairs[:, 0]]))


def _checked(wire: Rows, radio: Rows, pairs: Pairs) -> _Checked | None:
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


def _without_strays(wire: Rows, radio: Rows, pairs: Pairs, most: float = MOST_STRAYS) -> Pairs | None:
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


def _solve_robustly(wire: Rows, radio: Rows, pairs: Pairs, least_share: float) -> tuple[Solution | None, Pairs]:
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


def _votes(wire: Rows, radio: Rows) -> Iterator[Callable[[Rows, Rows], NDArray[np.bool_]]]:
    """Yield tests whether one key, xored or added, joins wire and radio frames.

    The key of a true pair is the same for all true pairs, so over all pairs of different frames it is the one had most
    often. Frames of the commonest length alone are looked at.
    """
    lengths = np.intersect1d(wire.lengths, radio.lengths)
    if not len(lengths):
        return
    n = int(max(lengths, key=lambda length: (radio.lengths == length).sum()))
    at_w, at_r = np.flatnonzero(wire.lengths == n), np.flatnonzero(radio.lengths == n)
    distinct_w = np.unique(wire.data[at_w, :n], axis=0)[:300]
    distinct_r = np.unique(radio.data[at_r, :n], axis=0)[:300]
    found: list[tuple[int, int, int, np.uint64]] = []
    orders = [order.astype(np.uint8) for _, order, _ in bit_orders()]
    for which, order in enumerate(orders):
        for added in (0, 1):
            one, two = _linear(order[distinct_w], bool(added)), _linear(distinct_r, bool(added))
            keys, count = np.unique(_difference(two[None, :], one[:, None], bool(added)), return_counts=True)
            found += [(int(count[k]), which, added, keys[k]) for k in np.argsort(-count)[:2] if count[k] >= 6]
    found.sort(key=lambda item: -item[0])
    for _, which, added, key in found[:8]:
        yield _keyed_test(n, orders[which], bool(added), key)


def _keyed_test(n: int, order: NDArray[np.uint8], added: bool, key: np.uint64
                ) -> Callable[[Rows, Rows], NDArray[np.bool_]]:
    def equal(wire: Rows, radio: Rows) -> NDArray[np.bool_]:
        one = _linear(order[wire.data[:, :n]], added)
        two = _difference(_linear(radio.data[:, :n], added), key, added)
        right_length = (wire.lengths == n)[:, None] & (radio.lengths == n)[None, :]
        return np.asarray((one[:, None] == two[None, :]) & right_length)
    return equal


def _linear(rows: NDArray[np.uint8], added: bool) -> NDArray[np.uint64]:
    """Return a 64-bit number a frame, linear in its bytes: modulo 256 in eight lanes where added, else over GF(2)."""
    rng = np.random.default_rng(3)
    width = rows.shape[1]
    if added:
        weights = rng.integers(0, 256, (width, 8), np.uint8)
        weights[:, 0] |= 1
        lanes = (rows[:, :, None] * weights[None, :, :]).sum(axis=1, dtype=np.uint8)
        return np.ascontiguousarray(lanes).view(np.uint64)[:, 0]
    bits = np.unpackbits(rows, axis=1).astype(np.float32)
    weights = rng.integers(0, 2, (width * 8, 64)).astype(np.float32)
    parity = ((bits @ weights).astype(np.int64) & 1).astype(np.uint8)
    return np.packbits(parity, axis=1).view(np.uint64)[:, 0]


def _difference(one: NDArray[np.uint64], two: NDArray[np.uint64] | np.uint64, added: bool) -> NDArray[np.uint64]:
    if not added:
        return one ^ two
    a, b = np.broadcast_arrays(one, two)
    lanes = np.ascontiguousarray(a).view(np.uint8) - np.ascontiguousarray(b).view(np.uint8)
    return lanes.view(np.uint64)


def _report(verdict: _Verdict) -> MaskReport:
    solution, best = verdict.solution, verdict.solution.best
    n = len(solution.table)
    n_bytes = 0 if best.period == 1 or n - best.period >= REPEAT_PLACES else n
    bare = Mask(steps=best.steps)
    settled = _settled(bare, solution.table)
    undetermined = _undetermined(solution)
    rivals_open = _open_bits(solution)
    advice = [f"Not settled: {part['what']} ({part['why']})." for part in undetermined]
    if undetermined:
        advice.append("To settle the rest, record both sides again while the reading goes through other values and "
                      "modes.")
    if n_bytes and verdict.solution.best.period < n:
        advice.append(f"The key seems to repeat every {best.period} bytes, but too few places show it: frames of more "
                      f"than {n} bytes stay open behind byte {n - 1}.")
    mask = Mask(steps=best.steps, settled=settled, n_bytes=n_bytes,
                determined_bits=max(best.determined_bits - rivals_open, 0), total_bits=best.total_bits,
                pairs_used=len(verdict.pairs), pairs_checked=verdict.n_checked, mismatches=0, advice=tuple(advice))
    evidence = [f"{verdict.n_checked} frames found on both sides, {verdict.n_distinct} of them different.",
                "Each third of them was foretold by a mask solved from the other two, without a mismatch "
                f"(chance: 1 in 2^{verdict.proof_bits:.0f})."]
    if verdict.n_checked > len(verdict.pairs):
        evidence.append(f"{verdict.n_checked - len(verdict.pairs)} of them hold too little that others confirm, and "
                        "settle nothing.")
    if verdict.dropped:
        evidence.append(f"{verdict.dropped} pairs fitted nothing and were taken for stray or damaged frames.")
    if solution.rivals:
        evidence.append("Also possible: " + "; ".join(" then ".join(step.kind for step in rival.steps)
                                                      for rival in solution.rivals[:4])
                        + "; what they disagree on is left open.")
    weights = 2.0 ** np.array([fit.score - best.score for fit in (best, *solution.rivals)])
    return MaskReport(mask=mask, probability=round(float(1 / weights.sum()), 4), evidence=tuple(evidence),
                      advice=tuple(advice), undetermined=undetermined, pairs_dropped=verdict.dropped)


def _settled(bare: Mask, table: Table) -> tuple[Settled, ...]:
    """Return what must be said beside the steps so that nothing open is taken for settled."""
    made, known = forward_tables(bare, len(table))
    parts = []
    for place, row in enumerate(table):
        if (known[place] & (row == OPEN)).any():
            parts.append(Settled(place, bytes(sorted(int(value) for value in row[row != OPEN]))))
        assert (row[known[place] & (row != OPEN)] == made[place][known[place] & (row != OPEN)]).all()
    if len(parts) == len(table) and len({part.radio for part in parts}) == 1:
        return (Settled(None, parts[0].radio),)
    return tuple(parts)


def _undetermined(solution: Solution) -> tuple[dict[str, str], ...]:
    """Return what the pairs leave open, in words."""
    table, best = solution.table, solution.best
    open_ = (table == OPEN).sum(axis=1)
    if not open_.any():
        return ()
    why = ("never seen, and not implied by what was seen" if not solution.rivals else
           "the pairs fit " + " as well as ".join(" then ".join(step.kind for step in fit.steps)
                                                  for fit in (best, *solution.rivals[:2])))
    if (open_ == open_[0]).all() and (table == table[0]).all():
        return ({"what": f"{open_[0]} of the 256 byte values, at every place", "why": why},)
    return tuple({"what": f"byte {place}: {count} of its 256 values", "why": why}
                 for place, count in enumerate(open_.tolist()) if count)


def _open_bits(solution: Solution) -> int:
    """Return how many bits of the key the rivals leave open: bits of a place on which the kinds do not agree."""
    best, open_ = solution.best, 0
    for place in range(min(best.period, len(solution.table))):
        differ = 0
        for rival in solution.rivals:
            one, two = best.table[place], rival.table[place]
            differ |= int(np.bitwise_or.reduce(np.where((one == OPEN) | (two == OPEN), 0, one ^ two)))
        open_ += differ.bit_count()
    return open_


def _why_none(wire: Rows, radio: Rows, best: _Verdict | None) -> tuple[str, ...]:
    """Return what to say and do where no mask is claimed."""
    n_random, places = random_places(radio)
    wire_random, wire_places = random_places(wire)
    if places and n_random == places and not (wire_places and wire_random == wire_places):
        return ("Every byte of the radio frames looks random, and no fixed mask joins them to the wire: they look "
                "encrypted. That is where this stops; read the instrument's wire side instead.",)
    if best is not None:
        return (f"{best.n_checked} frames could be paired, {best.n_distinct} different ones, but too few bytes are "
                f"foretold to claim a mask ({best.proof_bits:.0f} bits, {PROOF_BITS:.0f} needed).",
                "Record both sides again over the same minutes while the reading changes, at least 60 frames each with "
                "20 different ones.")
    advice = ["No fixed mask joins these two recordings."]
    if n_random:
        advice.append(f"{n_random} of {places} bytes of the radio frames look random: those may be encrypted, or "
                      "under a key that moves from frame to frame.")
    advice.append("Check that both were made over the same minutes, from the same instrument, while the reading "
                  "changed, and that frames are cut the same way on both sides (see 'tapwright frames').")
    return tuple(advice)


def random_places(radio: Rows) -> tuple[int, int]:
    """Return how many places of the commonest frame length look uniformly random, and how many there are.

    Of n uniform bytes 256 (1 - (1 - 1/256)^n) different ones are expected; structured bytes show far fewer.
    """
    if len(radio) < 40:
        return 0, 0
    n = int(np.bincount(radio.lengths).argmax())
    data = radio.data[radio.lengths == n, :n]
    if len(np.unique(data, axis=0)) < 0.98 * len(data):
        return 0, n
    data = data[:2000]
    expected = 256 * (1 - (1 - 1 / 256) ** len(data))
    spread = max(1.5, float(np.sqrt(expected * np.exp(-len(data) / 256))))
    different = np.array([len(np.unique(data[:, place])) for place in range(n)])
    ones = np.unpackbits(data, axis=1).mean(axis=0).reshape(n, 8)
    balanced = (np.abs(ones - 0.5) < 5 * 0.5 / np.sqrt(len(data))).all(axis=1)
    return int(((different >= expected - 5 * spread) & balanced).sum()), n


def described(mask: Mask) -> str:
    """Return a mask in words."""
    return ", then ".join(_step_text(step) for step in mask.steps)


def _step_text(step: Step) -> str:
    if step.kind in ("xor", "add"):
        return f"{step.kind} with a key of {len(step.key)} byte{'s' * (len(step.key) != 1)}: {hex_text(step.key)}"
    if step.kind == "rotate":
        return f"rotate each byte left by {step.bits}"
    if step.kind == "substitution":
        known = sum(byte is not None for byte in step.table)
        return f"substitution by a table, {known} of its 256 entries known"
    if step.kind == "affine":
        return f"affine map of the bits, constant {step.constant:02X}"
    return {"none": "none, the radio sends the wire's bytes", "bit order": "the bits of each byte in the other order",
            "nibble swap": "the halves of each byte swapped"}[step.kind]
