"""Frames and labels -> the reading map, what it leaves open, and the readings that would settle that.

The labels' clock is aligned first; then every family of values says how it explains the labels. What has far less
support than the best is out; all else stays as alternatives. Labels that, left out, make everything else consistent are
named as wrong, never bent to.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core import registry
from tapwright.core.errors import LabelError
from tapwright.core.frame import FrameLayout, Frames
from tapwright.core.reading_map import BitRef, Lamp, ReadingMap, Table, UnitMap
from tapwright.evidence.labels import Label
from tapwright.mapping import categories, offset, unit_signs
from tapwright.mapping.complete import Completed, complete
from tapwright.mapping.hypothesis import Hypothesis, most_wrong, numbers_of
from tapwright.mapping.lamps import DARK, LIT, candidates, consistent_labels, lamp
from tapwright.mapping.report import Contradicted
from tapwright.mapping.sight import Recording, Sight, fields_of, in_fields, recording_of, recordings, see

FAMILIES = "tapwright.mapping.families"
MARGIN_BITS = 12.0  # odds of 4000 to 1 rule an alternative out
#: Support under which chance explains the labels as well: odds of 16 to 1, the trials of its family counted.
_FLOOR_BITS = 4.0
#: Fewer numbers than these leave the families with most freedom silent: what else fits may fit by chance.
_FEW_NUMBERS = 8
_CERTAIN_FLAG_BITS = 6.0
_CERTAIN_SUPPORT_BITS = 60.0
_MOST_ALTERNATIVES, _MOST_OFFSETS = 12, 6
_MANY, _ENOUGH = 400, 150  # labels
_DOUBTED = 24  # labels up to which another one may be the wrong one
NO_FRAME = "no frame of the capture falls into its stretch of time"
Progress = Callable[[float, str], None]


@dataclass(frozen=True, kw_only=True)
class Learned:
    """What labels settle at one offset.

    Parameters
    ----------
    reading_map : None where no family explains the labels
    sight : the labels that were believed, and what they saw
    contradicted : the others
    """

    reading_map: ReadingMap | None
    sight: Sight
    contradicted: tuple[Contradicted, ...]
    offset_s: float
    support: float = 0.0


def find_map(captures: Mapping[str, Frames], labels: Sequence[Label], *, layout: FrameLayout | None,
             offset_s: float | None = None, progress: Progress | None = None) -> tuple[Learned, dict[str, Recording]]:
    """Return what labels settle, with the offset of their clock.

    Parameters
    ----------
    captures : frames by the capture's file name
    labels : in the file's order
    layout : of the frames, None where it is not known
    offset_s : the labels' clock less the captures'; None: it is found, up to 5 s

    Raises
    ------
    LabelError : a label names a capture that is not given, or no label saw a frame
    """
    recorded = recordings(captures, layout)
    for label in labels:
        recording_of(label, recorded)
    if not any(len(part.t_s) for part in recorded.values()):
        raise LabelError("no sound frame in the captures given", expected="frames to learn from",
                         do="see 'tapwright frames' for what the capture holds")
    separator, slots = fields_of(recorded)
    if separator >= 0:
        recorded = in_fields(recorded, separator, slots)
    period_s = offset.period_of(recorded)
    tried = [offset_s] if offset_s is not None else offset.candidates(labels, recorded, period_s, _MOST_OFFSETS)
    if len(labels) > _MANY and len(tried) > 1:
        # Some labels tell the offset as well as thousands do.
        some = _best_offset(tuple(labels[::len(labels) // _ENOUGH]), recorded, tried, period_s, None)
        tried = [some.offset_s] if some is not None else tried
    best = _best_offset(tuple(labels), recorded, tried, period_s, progress)
    if best is None:
        raise LabelError("no label's stretch holds a frame", expected="labels within the captures' time",
                         do="check the times in the labels file, or give --offset")
    best = _doubted(best, tuple(labels), recorded, period_s)
    if separator >= 0 and best.reading_map is not None:
        best = replace(best, reading_map=replace(best.reading_map, separator=separator, slots=slots, lengths=()))
    return best, recorded


def _best_offset(labels: tuple[Label, ...], recorded: Mapping[str, Recording], tried: Sequence[float], period_s: float,
                 progress: Progress | None) -> Learned | None:
    best: Learned | None = None
    for i, at in enumerate(tried):
        if progress is not None:
            progress(i / len(tried), f"offset {at:+.2f} s")
        learned = _at_offset(labels, recorded, at, period_s)
        if learned is not None and (best is None or _better(learned, best)):
            best = learned
        if best is not None and best.support > _CERTAIN_SUPPORT_BITS:
            break  # no other offset could explain that many labels by chance
    return best


def _better(a: Learned, b: Learned) -> bool:
    if (a.reading_map is None) != (b.reading_map is None):
        return a.reading_map is not None
    if len(a.contradicted) != len(b.contradicted):
        return len(a.contradicted) < len(b.contradicted)
    return a.support > b.support + 1


def _at_offset(labels: tuple[Label, ...], recorded: Mapping[str, Recording], offset_s: float,
               period_s: float) -> Learned | None:
    sight, missed = see(labels, recorded, offset_s, period_s)
    if not len(sight):
        return None
    gone = [Contradicted(label.row, NO_FRAME) for label in missed]
    left = most_wrong(len(sight))
    while True:
        outcome = _fit(sight, left)
        if isinstance(outcome, Learned) or outcome is None:
            break
        # Some labels are named wrong: learn again from the others alone, strictly.
        wrong, gone_now = outcome
        gone += gone_now
        left -= int(wrong.sum())
        sight = sight.take(~wrong)
    if outcome is None:
        return Learned(reading_map=None, sight=sight, contradicted=tuple(gone), offset_s=offset_s)
    return replace(outcome, contradicted=tuple(sorted(gone, key=lambda c: c.row)), offset_s=offset_s)


def _doubted(learned: Learned, labels: tuple[Label, ...], recorded: Mapping[str, Recording],
             period_s: float) -> Learned:
    """Leave out every label, too, that may be the wrong one in place of the one named: the evidence tells no more."""
    named = [item for item in learned.contradicted if item.why != NO_FRAME]
    sight, _ = see(labels, recorded, learned.offset_s, period_s)
    if learned.reading_map is None or len(named) != 1 or len(sight) > _DOUBTED:
        return learned
    bad = next(i for i, label in enumerate(sight.labels) if label.row == named[0].row)
    places = np.arange(len(sight))
    rivals = []
    for i in places[places != bad].tolist():
        other = _fit(sight.take(places != i), 0)
        if isinstance(other, Learned) and other.support >= learned.support - MARGIN_BITS:
            rivals.append(i)
    left = _fit(sight.take(~np.isin(places, [bad, *rivals])), 0) if rivals else None
    if not isinstance(left, Learned):
        return learned
    rows = ", ".join(str(sight.labels[i].row) for i in rivals)
    gone = [Contradicted(named[0].row, f"it and label {rows} contradict each other; which is wrong, nothing tells")]
    gone += [Contradicted(sight.labels[i].row, f"it and label {named[0].row} contradict each other; which is wrong, "
                                               "nothing tells") for i in rivals]
    missed = [item for item in learned.contradicted if item.why == NO_FRAME]
    return replace(left, contradicted=tuple(sorted(gone + missed, key=lambda c: c.row)), offset_s=learned.offset_s)


_Wrong = tuple[NDArray[np.bool_], list[Contradicted]]


def _fit(sight: Sight, left: int) -> Learned | _Wrong | None:
    """Return what the labels settle if they agree, the labels that are wrong if not, None where nothing fits."""
    numbers = numbers_of(sight.labels)
    completed: list[Completed] = []
    certain: dict[frozenset[int], frozenset[int]] = {}
    for hypothesis in _hypotheses(sight, left):
        if hypothesis.claimed not in certain:
            certain[hypothesis.claimed] = _certain_flag_bits(sight, hypothesis.claimed, left)
        done = complete(hypothesis, sight, numbers, left, certain[hypothesis.claimed])
        if done is not None and int((~done.explained).sum()) <= left:
            completed.append(done)
    if not completed:
        return None
    completed.sort(key=lambda done: (int((~done.explained).sum()) * 13.0 - done.support))
    best = completed[0]
    if not best.explained.all():
        if by_chance(best.support, sight):
            return None  # nothing that would prove a label wrong
        return _named(sight, ~best.explained, "its display contradicts what all other labels settle")
    alternatives = [done for done in completed if done.explained.all() and done.support >= best.support - MARGIN_BITS]
    claimed = frozenset.intersection(*(done.claimed for done in alternatives))
    learned = _with_unit_and_flags(sight, alternatives[:_MOST_ALTERNATIVES], claimed, left)
    loose = frozenset.union(*(done.loose for done in alternatives)) & claimed
    if loose and not isinstance(learned, Learned):
        # A bit that only happened to go with the minus sign may be part of the unit's code.
        other = _with_unit_and_flags(sight, alternatives[:_MOST_ALTERNATIVES], claimed - loose, left)
        return other if isinstance(other, Learned) else learned
    return learned


def by_chance(support: float, sight: Sight) -> bool:
    """Say whether so few labels bear a map with that support that chance may have made it."""
    return support < _FLOOR_BITS and numbers_of(sight.labels).distinct < _FEW_NUMBERS


def _hypotheses(sight: Sight, left: int) -> list[Hypothesis]:
    numbers = numbers_of(sight.labels)
    found: list[Hypothesis] = []
    for family in registry.members(FAMILIES).values():
        found += family.find(sight, numbers, left)
    best = max(found, key=lambda hypothesis: hypothesis.support, default=None)
    if best is None or best.support < _CERTAIN_SUPPORT_BITS or not best.explained.all():
        # Ratios, and offsets under a mask, have so many forms that they are asked only where nothing plainer stands.
        for family in registry.members(FAMILIES).values():
            if hasattr(family, "find_scaled"):
                found += family.find_scaled(sight, numbers, left)
    found.sort(key=lambda hypothesis: -hypothesis.support)
    return [one for one in found if not any(_covers(other, one) for other in found)]


def _covers(wider: Hypothesis, one: Hypothesis) -> bool:
    """Say whether one says no more than part of what a plain text says: its low nibbles, or it without its sign."""
    if wider is one or wider.kind != "text" or not wider.is_plain or one.kind not in ("text", "bcd", "table"):
        return False
    within = one.claimed < wider.claimed or (one.claimed == wider.claimed and one.kind != "text")
    return within and bool((one.explained <= wider.explained).all())


def _named(sight: Sight, wrong: NDArray[np.bool_], why: str) -> _Wrong:
    return wrong, [Contradicted(sight.labels[i].row, why) for i in np.flatnonzero(wrong).tolist()]


def _with_unit_and_flags(sight: Sight, done: list[Completed], claimed: frozenset[int],
                         left: int) -> Learned | _Wrong:
    free = sight.varied
    free[list(claimed)] = False
    flags = _flags(sight, free, left)
    if not flags.kept.all():
        return _named(sight, ~flags.kept, "its flags contradict what all other labels settle")
    for column in flags.claimed:
        free[column] = False
    units, kept = _units(sight, free, left, segments=done[0].display.kind == "segments")
    if units is None:
        units = ()
    if not kept.all():
        return _named(sight, ~kept, "its unit contradicts what all other labels settle")
    words: dict[str, str] = {}
    for one in done:
        words.update(one.words)
    reading_map = ReadingMap(
        displays=tuple(one.display for one in done), units=units or (Table((), {}),), flags=flags.maps,
        watch=_watch(sight, done), lengths=tuple(np.unique(sight.lengths).tolist()), words=words)
    return Learned(reading_map=reading_map, sight=sight, contradicted=(), offset_s=0.0, support=done[0].support)


def _certain_flag_bits(sight: Sight, claimed: frozenset[int], left: int) -> frozenset[int]:
    """Return the bits that show flags beyond chance, so that they are no part of any code."""
    free = sight.varied
    free[list(claimed)] = False
    rows = len(np.unique(sight.rows, axis=0))
    if rows - 1 - np.log2(2 * max(int(free.sum()), 1)) < _CERTAIN_FLAG_BITS:
        return frozenset()
    return _flags(sight, free, left).claimed


@dataclass(frozen=True)
class _Flags:
    maps: dict[str, Lamp | Table]
    kept: NDArray[np.bool_]
    claimed: frozenset[int]


def _flags(sight: Sight, free: NDArray[np.bool_], left: int) -> _Flags:
    """Find each flag's bit; a flag that no one bit shows may be a code."""
    names = list(dict.fromkeys(flag for label in sight.labels for flag in label.flags))
    kept = np.ones(len(sight), np.bool_)
    if not names:
        return _Flags({}, kept, frozenset())
    states = np.array([[LIT if name in label.flags else DARK for name in names] for label in sight.labels], np.int8)
    fine = consistent_labels(sight, states, free, left)
    if fine is not None and not fine.all():
        believed = candidates(sight.take(fine), states[fine], free)
        alone = {next(iter(option)) for option in believed if len(option) == 1}
        return _Flags({}, fine, frozenset(candidate % sight.bits.shape[1] for candidate in alone))
    options = candidates(sight, states, free)
    n_bits = sight.bits.shape[1]
    maps: dict[str, Lamp | Table] = {}
    claimed: set[int] = set()
    for i, name in enumerate(names):
        both = (states[:, i] == LIT).any() and (states[:, i] == DARK).any()
        if options[i] or not both:
            maps[name] = lamp(options[i], states[:, i], n_bits)
            if len(options[i]) == 1:
                claimed.add(next(iter(options[i])) % n_bits)
            continue
        coded = categories.explain(sight, ["on" if state == LIT else "off" for state in states[:, i]], free)
        maps[name] = coded.tables[0] if coded is not None else Table((), {})
    return _Flags(maps, kept, frozenset(claimed))


def _units(sight: Sight, free: NDArray[np.bool_], left: int, *,
           segments: bool) -> tuple[tuple[UnitMap, ...] | None, NDArray[np.bool_]]:
    """Return the alternatives for the unit and the labels whose unit they give."""
    shown: list[str | None] = [label.unit for label in sight.labels]
    loose: list[str | None] = [None if not label.unit and not label.is_number else label.unit for label in sight.labels]
    for wanted in ([shown, loose] if loose != shown else [shown]):
        for most in sorted({0, left}):
            found = _unit_maps(sight, wanted, free, most, segments=segments)
            if found is not None:
                return found
    return None, np.ones(len(sight), np.bool_)


def _unit_maps(sight: Sight, wanted: list[str | None], free: NDArray[np.bool_], most: int, *,
               segments: bool) -> tuple[tuple[UnitMap, ...], NDArray[np.bool_]] | None:
    coded = categories.explain(sight, wanted, free, most_wrong=most)
    signed = unit_signs.explain(sight, wanted, free, most_wrong=most)
    if coded is not None and not coded.explained.all():
        coded = None if signed is not None and signed.explained.all() else coded
    if signed is not None and coded is not None and signed.explained.sum() < coded.explained.sum():
        signed = None
    if signed is None and coded is None:
        return None
    odds = 0.0 if signed is None else signed.odds + (6.0 if segments else -4.0)
    maps: tuple[UnitMap, ...] = ()
    if signed is not None and (coded is None or odds > -2.0):
        maps += signed.maps
    if coded is not None and (signed is None or odds < 6.0):
        maps += coded.tables
    kept = np.ones(len(sight), np.bool_)
    for found in (signed, coded):
        if found is not None:
            kept &= found.explained
    return maps, kept


def _watch(sight: Sight, done: list[Completed]) -> tuple[BitRef, ...]:
    """Return the bits that no label saw change and no settled formula covers, each 0 at rest."""
    formula = frozenset.intersection(*(one.claimed for one in done))
    row = sight.bits[0]
    return tuple(BitRef(column // 8, column % 8, bool(row[column]))
                 for column in np.flatnonzero(sight.constant).tolist() if column not in formula)


