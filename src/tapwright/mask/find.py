"""Wire and radio frames of the same readings -> the fixed mask between them, or a plain "there is none".

A mask is claimed only where one kind of it joins the paired frames, and where masks solved without a third of the
pairs foretell that third: each correct byte that could have been another counts, and chance must be left no room.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tapwright.core.frame import Frames
from tapwright.mask import align
from tapwright.mask.align import Pairing, Rows
from tapwright.mask.fits import OPEN, Table
from tapwright.mask.judge import LEAST_DISTINCT, LEAST_PAIRS, Verdict, judge, solve_robustly, without_strays
from tapwright.mask.report import MaskReport, report_of
from tapwright.mask.votes import Joins, voted

PROOF_BITS = 52.0  # foretold in held-back frames before a mask is claimed: chance, tried often, would need 2^-52
LOOSE_STRAYS = 0.4  # share of pairs that may fit nothing where they are only to show a mask to pair again with
MAX_WIDTH = 512
MOST_WIRE, MOST_RADIO = 800, 20_000  # frames to pair; when they are, all of the first 20 000 are used


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
    rows_w, rows_r = (rows.take(slice(0, MOST_RADIO)) for rows in (rows_w, rows_r))
    first = _busiest(rows_w)
    part = rows_w.take(slice(first, first + MOST_WIRE))
    best: Verdict | None = None
    for pairing in _pairings(part, rows_r):
        verdict = judge(part, rows_r, pairing)
        if verdict is not None and (best is None or _rank(verdict) > _rank(best)):
            best = verdict
            if best.proof_bits > 2 * PROOF_BITS and not best.mismatches and best.dropped < 0.03 * len(best.pairs):
                break
    if best is None or best.proof_bits < PROOF_BITS or best.mismatches:
        return MaskReport(mask=None, advice=_why_none(rows_w, rows_r, best))
    if len(part) < len(rows_w):
        # The stretch shows where the recordings lie on each other; all of both settles more.
        whole = align.track(rows_w, rows_r, best.pairs + np.array([first, 0]))
        verdict = None if whole is None else judge(rows_w, rows_r, whole)
        if verdict is not None and not verdict.mismatches and verdict.proof_bits >= PROOF_BITS:
            best = verdict
    return report_of(best)


def _rank(verdict: Verdict) -> tuple[bool, float]:
    return verdict.mismatches == 0, verdict.proof_bits


def _pairings(wire: Rows, radio: Rows) -> Iterator[Pairing]:
    """Yield pairings to judge; those of the order of frames alone are made anew with the mask that most of them fit."""
    for pairing in align.proposals(wire, radio):
        if pairing.by_clock:
            yield pairing
        else:
            kept = without_strays(wire, radio, pairing.pairs, most=LOOSE_STRAYS)
            trial = None if kept is None else solve_robustly(wire, radio, kept, 1 - LOOSE_STRAYS)[0]
            if trial is not None:
                yield from align.by_equality(wire, radio, _joins(trial.table))
    for equal in voted(wire, radio):
        yield from align.by_equality(wire, radio, equal)


def _joins(table: Table) -> Joins:
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


def _busiest(rows: Rows) -> int:
    """Return where the stretch of `MOST_WIRE` rows with the most different ones begins."""
    if len(rows) <= MOST_WIRE:
        return 0
    starts = np.linspace(0, len(rows) - MOST_WIRE, 40).astype(np.int64)
    return int(max(starts, key=lambda start: len(np.unique(rows.data[start:start + MOST_WIRE], axis=0))))


def _too_few(wire: Rows, radio: Rows) -> str:
    for name, rows in (("wire", wire), ("radio", radio)):
        distinct = len(np.unique(rows.data, axis=0)) if len(rows) else 0
        if len(rows) < LEAST_PAIRS:
            return (f"The {name} recording has {len(rows)} whole frame{'s' * (len(rows) != 1)}; record at least 60 on "
                    "both sides, over the same minutes, while the reading changes.")
        if distinct < LEAST_DISTINCT:
            return (f"The {name} recording has {distinct} different frame{'s' * (distinct != 1)} only, and many masks "
                    "join those; record while the reading changes, until there are at least 20 different ones.")
    return ""


def _why_none(wire: Rows, radio: Rows, best: Verdict | None) -> tuple[str, ...]:
    """Return what to say and do where no mask is claimed."""
    n_random, places = random_places(radio)
    wire_random, wire_places = random_places(wire)
    if places and n_random == places and not (wire_places and wire_random == wire_places):
        return ("Every byte of the radio frames looks random, and no fixed mask joins them to the wire: they look "
                "encrypted. That is where this stops; read the instrument's wire side instead.",)
    if best is not None and not best.mismatches:
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
