"""A judged mask -> what to say of it: the mask with what stays open, the evidence, the next thing to do."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tapwright.core.mask import Mask, Settled, Step
from tapwright.evidence.mask_file import hex_text, mask_values
from tapwright.mask.apply import forward_tables
from tapwright.mask.fits import OPEN, Fit, Table
from tapwright.mask.judge import Verdict
from tapwright.mask.solve import Solution

REPEAT_PLACES = 3  # places that must repeat a key before it is taken to go on beyond the longest frame seen


@dataclass(frozen=True, kw_only=True)
class MaskReport:
    """What the recordings say about the mask.

    Parameters
    ----------
    mask : None where no mask is claimed
    probability : that the mask is right; 0 without one
    evidence, advice : in words
    undetermined : what stays open, each with `what` and `why`
    settled_by : of a radio recording alone, what each kind of knowledge settles of a xored key
    open_bits : of that key, None where that was not asked
    next : the measurement that settles what is open, with `do` and `settles`
    """

    mask: Mask | None
    probability: float = 0.0
    evidence: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    undetermined: tuple[dict[str, object], ...] = ()
    pairs_dropped: int = 0
    settled_by: tuple[dict[str, object], ...] = ()
    open_bits: int | None = None
    next: tuple[dict[str, object], ...] = ()

    def document(self) -> dict[str, object]:
        """Return the contract's JSON document."""
        if self.mask is None:
            values: dict[str, object] = {"kind": None, "key": None, "determined_bits": 0, "total_bits": 0,
                                         "pairs_used": 0, "pairs_checked": 0, "mismatches": 0}
        else:
            # In the file a key byte of a place that is not wholly settled has one of its possible values; here it would
            # look like a fact.
            values = {"key": None} | mask_values(replace(self.mask, steps=_only_settled(self.mask)))
        if self.open_bits is not None:
            values |= {"settled_by": list(self.settled_by), "open_bits": self.open_bits, "next": list(self.next)}
        return values | {"advice": list(self.advice), "probability": self.probability,
                         "pairs_dropped": self.pairs_dropped, "undetermined": list(self.undetermined),
                         "evidence": list(self.evidence)}


def report_of(verdict: Verdict) -> MaskReport:
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
    if rivals := _rivals(solution):
        evidence.append(f"Also possible: {'; '.join(rivals)}. What they disagree on is left open.")
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


def _undetermined(solution: Solution) -> tuple[dict[str, object], ...]:
    """Return what the pairs leave open, in words."""
    table, best = solution.table, solution.best
    open_ = (table == OPEN).sum(axis=1)
    if not open_.any():
        return ()
    rivals = _rivals(solution)
    why = (f"the pairs fit {' as well as '.join([_kinds_text(best), *rivals])}" if rivals else
           "never seen, and not implied by what was seen")
    if (open_ == open_[0]).all() and (table == table[0]).all():
        return ({"what": f"{open_[0]} of the 256 byte values, at every place", "why": why},)
    by_count: dict[int, list[int]] = {}
    for place, count in enumerate(open_.tolist()):
        if count:
            by_count.setdefault(count, []).append(place)
    return tuple({"what": f"byte{'s' * (len(places) > 1)} {spans(places)}: {count} of the 256 values", "at": places,
                  "why": why} for count, places in by_count.items())


def spans(numbers: list[int]) -> str:
    """Return rising numbers with runs of them as ranges: `0 to 4, 7`."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    return ", ".join(str(part[0]) if len(part) == 1 else f"{part[0]} to {part[-1]}" for part in parts)


def _rivals(solution: Solution) -> list[str]:
    """Return the kinds, in words, that leave open what the likeliest kind would settle."""
    best = solution.best.table
    return list(dict.fromkeys(_kinds_text(rival) for rival in solution.rivals
                              if ((best != OPEN) & (rival.table != best)).any()))[:4]


def _kinds_text(fit: Fit) -> str:
    kinds = " then ".join(step.kind for step in fit.steps)
    return kinds if fit.period == 1 else f"{kinds} with a period of {fit.period}"


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


def described(mask: Mask) -> str:
    """Return a mask in words."""
    return ", then ".join(_step_text(step) for step in _only_settled(mask))


def _only_settled(mask: Mask) -> tuple[Step, ...]:
    """Return the steps with `None` for key bytes of places that are not wholly settled."""
    if any(step.kind in ("substitution", "affine") for step in mask.steps):
        return mask.steps  # there a place is open where the map is, not where its key byte is
    return tuple(replace(step, key=tuple(
        None if any(part.at is None or part.at % len(step.key) == i for part in mask.settled) else byte
        for i, byte in enumerate(step.key))) for step in mask.steps)


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
