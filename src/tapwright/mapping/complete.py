"""From a hypothesis about digits to a whole display map: minus, point, states; every label is read back."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import BitRef, DisplayMap, Float, Lamp, Point, ReadingMap, Table
from tapwright.mapping import categories
from tapwright.mapping.hypothesis import Hypothesis, Numbers
from tapwright.mapping.lamps import DARK, LIT, OPEN, bit_ref, candidates, consistent_labels, lamp
from tapwright.mapping.shown import NUMBER, UNKNOWN, one_display
from tapwright.mapping.sight import Sight

_MOST_STATE_TABLES = 16
_AS_DIGITS = str.maketrans("OSIZB", "05128")


@dataclass(frozen=True)
class Completed:
    """A display map and the labels (bool, shape (n_labels,)) whose display it gives, word for word.

    Parameters
    ----------
    words : as of `ReadingMap`
    claimed : bit columns that nothing else may use
    loose : those of them that only may show the minus sign: another may, too
    """

    display: DisplayMap
    words: dict[str, str]
    explained: NDArray[np.bool_]
    support: float
    claimed: frozenset[int]
    loose: frozenset[int] = frozenset()


def complete(hypothesis: Hypothesis, sight: Sight, numbers: Numbers, most_wrong: int,
             taken: frozenset[int]) -> Completed | None:
    """Return the display map of a hypothesis, None where sign, point or states find no place in the frames.

    `taken` are bit columns that show something else for certain (flags).
    """
    done = _complete(hypothesis, sight, numbers, most_wrong, taken, claims_loose=True)
    if done is not None and done.explained.all():
        return done
    # A bit that only happened to go with the minus sign may be part of the point's code.
    other = _complete(hypothesis, sight, numbers, most_wrong, taken, claims_loose=False)
    return done if other is None or (done is not None and other.explained.sum() <= done.explained.sum()) else other


def _complete(hypothesis: Hypothesis, sight: Sight, numbers: Numbers, most_wrong: int, taken: frozenset[int], *,
              claims_loose: bool) -> Completed | None:
    left = most_wrong - int((~hypothesis.explained).sum())
    free = sight.varied
    free[[*hypothesis.claimed, *taken]] = False
    minus, kept = hypothesis.minus, hypothesis.explained.copy()
    claimed, loose = set(hypothesis.claimed), frozenset[int]()
    if minus is None and not hypothesis.has_sign:
        found = _minus(sight, numbers, free, kept, left)
        if found is None:
            return None
        minus, kept = found
    if minus is not None and (minus.settled or (claims_loose and _beyond_chance(sight, free))):
        columns = frozenset(8 * bit.byte + bit.bit for bit in minus.bits)
        claimed |= columns
        loose = frozenset() if minus.settled else columns
    for column in claimed:
        free[column] = False
    states: tuple[Table, ...] = ()
    if hypothesis.kind not in ("segments", "text"):
        found_states = _states(hypothesis, sight, numbers, free, kept, left)
        if found_states is None:
            return None
        states = found_states
        if states and all(table.otherwise is None for table in states) and len({table.bits for table in states}) == 1:
            claimed |= {8 * bit.byte + bit.bit for bit in states[0].bits}
            free[[8 * bit.byte + bit.bit for bit in states[0].bits]] = False
    if hypothesis.points is not None:
        point = Point(lamps=hypothesis.points)
    elif hypothesis.has_point:
        point = Point()
    else:
        found_point = _point(sight, numbers, free, kept, left, claimed)
        if found_point is None:
            return None
        point = found_point
    display = DisplayMap(digits=hypothesis.digits, point=point, minus=minus, zeros=hypothesis.zeros,
                         width=hypothesis.width, states=states, cost=round(hypothesis.support, 1))
    return replace(_read_back(display, sight, hypothesis, claimed), loose=loose)


def _beyond_chance(sight: Sight, free: NDArray[np.bool_]) -> bool:
    """Say whether so many labels differ that no bit goes with a lamp by chance."""
    rows = len(np.unique(sight.rows, axis=0))
    return bool(rows - 1 - np.log2(2 * max(int(free.sum()), 1)) > categories.MARGIN_BITS)


def _minus(sight: Sight, numbers: Numbers, free: NDArray[np.bool_], kept: NDArray[np.bool_],
           left: int) -> tuple[Lamp, NDArray[np.bool_]] | None:
    states = np.full((len(sight), 1), OPEN, np.int8)
    states[numbers.is_number, 0] = np.where(numbers.negative, LIT, DARK)[numbers.is_number]
    states[~kept] = OPEN
    fine = consistent_labels(sight, states, free, left)
    if fine is None:
        return None
    seen = sight.take(fine)
    options = candidates(seen, states[fine], free)
    if not options[0] and (states[fine] == LIT).any() and (states[fine] == DARK).any():
        return None
    return lamp(options[0], states[fine][:, 0], sight.bits.shape[1]), kept & fine


def _point(sight: Sight, numbers: Numbers, free: NDArray[np.bool_], kept: NDArray[np.bool_], left: int,
           claimed: set[int]) -> Point | None:
    meanings = [str(decimals) if number and keep else None for decimals, number, keep in
                zip(numbers.decimals.tolist(), numbers.is_number.tolist(), kept.tolist(), strict=True)]
    coded = categories.explain(sight, meanings, free, most_wrong=max(left, 0))
    return None if coded is None else Point(tables=tuple(_guarded(table, sight, claimed) for table in coded.tables))


def _guarded(table: Table, sight: Sight, claimed: set[int]) -> Table:
    """Return a table with the bits of its bytes that rested in all labels: another of its codes may move one.

    Bits that the digits or the sign claim are theirs.
    """
    bytes_of = {bit.byte for bit in table.bits}
    resting = [column for column in np.flatnonzero(sight.constant).tolist()
               if column // 8 in bytes_of and column not in claimed]
    rest = tuple(BitRef(column // 8, column % 8, bool(sight.bits[0, column])) for column in resting)
    return replace(table, bits=(*table.bits, *rest))


def _states(hypothesis: Hypothesis, sight: Sight, numbers: Numbers, free: NDArray[np.bool_], kept: NDArray[np.bool_],
            left: int) -> tuple[Table, ...] | None:
    """Return the tables that tell a number from overload, blank and other texts."""
    odd = ~numbers.is_number
    if not odd.any():
        return ()
    digits = hypothesis.digits
    texts = {sight.labels[i].display for i in np.flatnonzero(odd)}
    if isinstance(digits, Float) and texts == {digits.no_number}:
        return ()
    meanings = [None if not keep else NUMBER if number else label.display
                for label, number, keep in zip(sight.labels, numbers.is_number.tolist(), kept.tolist(), strict=True)]
    lit = _state_lamps(sight, meanings, free, left)
    coded = categories.explain(sight, meanings, free, most_wrong=max(left, 0))
    tables = list(lit[0]) if lit is not None else []
    support = lit[1] if lit is not None else -np.inf
    if coded is not None and coded.support > support - categories.MARGIN_BITS:
        tables += coded.tables
        support = max(support, coded.support)
    special = _special_codes(hypothesis, sight, numbers, meanings)
    if special is not None and not (support > categories.MARGIN_BITS and _could_be_numbers(hypothesis, special, sight)):
        tables.append(special)
    return tuple(tables) if tables else None


def _state_lamps(sight: Sight, meanings: list[str | None], free: NDArray[np.bool_],
                 left: int) -> tuple[list[Table], float] | None:
    """Return tables over one bit for each text that is no number, and their support; None where one has no bit."""
    texts = sorted({meaning for meaning in meanings if meaning not in (NUMBER, None)})
    states = np.array([[OPEN if meaning is None else LIT if meaning == text else DARK for text in texts]
                       for meaning in meanings], np.int8)
    fine = consistent_labels(sight, states, free, max(left, 0))
    if fine is None or not texts:
        return None
    texts = [text for i, text in enumerate(texts) if (states[fine][:, i] == LIT).any()]
    options = candidates(sight.take(fine), states[fine], free)
    options = [option for i, option in enumerate(options) if (states[fine][:, i] == LIT).any()]
    if not options or not all(options):
        return None
    n_bits = sight.bits.shape[1]
    tables: list[Table] = []
    ordered = [sorted(option) for option in options]
    for i in range(min(max(map(len, ordered)), _MOST_STATE_TABLES)):
        bits = tuple(bit_ref(option[i % len(option)], n_bits) for option in ordered)
        if len({(bit.byte, bit.bit) for bit in bits}) == len(bits):
            tables.append(Table(bits, {0: NUMBER, **{1 << k: text for k, text in enumerate(texts)}}))
    if not tables:
        return None
    rows = len(np.unique(sight.rows, axis=0))
    return tables, len(texts) * (rows - 1.0 - float(np.log2(2 * max(int(free.sum()), 1))))


def _could_be_numbers(hypothesis: Hypothesis, special: Table, sight: Sight) -> bool:
    """Say whether all codes of a table would be numbers that the display can show, were they not listed."""
    display = DisplayMap(digits=hypothesis.digits, zeros=hypothesis.zeros, width=hypothesis.width)
    plain = ReadingMap(displays=(display,))
    size = sight.rows.shape[1]
    for code in special.entries:
        body = bytearray(size)
        for i, bit in enumerate(special.bits):
            body[bit.byte] |= (code >> i & 1) << bit.bit
        if UNKNOWN in one_display(display, plain, bytes(body), False, "").display().lstrip(UNKNOWN):
            return False
    return True


def _special_codes(hypothesis: Hypothesis, sight: Sight, numbers: Numbers, meanings: list[str | None]) -> Table | None:
    """Return a table of the digits' own codes that stood for no number, None where numbers use the same codes."""
    columns = np.array(sorted(hypothesis.claimed), np.int64)
    if not 0 < len(columns) <= 62:
        return None
    codes = sight.bits[:, columns].astype(np.int64) @ (1 << np.arange(len(columns), dtype=np.int64))
    entries: dict[int, str] = {}
    seen: dict[int, int] = {}
    usual = set(codes[numbers.is_number].tolist())
    for code, meaning, number in zip(codes.tolist(), meanings, numbers.is_number.tolist(), strict=True):
        if number or meaning is None:
            continue
        if code in usual or entries.setdefault(code, meaning) != meaning:
            return None
        seen[code] = seen.get(code, 0) + 1
    return Table(tuple(BitRef(c // 8, c % 8) for c in columns.tolist()), entries, seen, otherwise=NUMBER)


def _read_back(display: DisplayMap, sight: Sight, hypothesis: Hypothesis, claimed: set[int]) -> Completed:
    """Read every label's body by the map; learn how labels write texts that are no numbers."""
    plain = ReadingMap(displays=(display,))
    explained = np.zeros(len(sight), np.bool_)
    words: dict[str, str] = {}
    cache: dict[tuple[bytes, str], str] = {}
    for i, label in enumerate(sight.labels):
        body = sight.rows[i].tobytes()
        if (body, label.unit) not in cache:
            cache[body, label.unit] = one_display(display, plain, body, False, label.unit).display()
        read = cache[body, label.unit]
        explained[i] = read == label.display
        if not explained[i] and not label.is_number and label.display and hypothesis.kind in ("segments", "text"):
            raw = one_display(display, plain, body, False, "").word
            if raw and "?" not in raw and words.setdefault(raw, label.display) == label.display:
                explained[i] = True
        # On seven segments some letters are digits: with a place still open, OL is read as 0?.
        shown = label.display if label.is_number else label.display.translate(_AS_DIGITS)
        if not explained[i] and hypothesis.explained[i] and _open_only(read, shown):
            explained[i] = True
    return Completed(display, words, explained, hypothesis.support, frozenset(claimed))


def _open_only(read: str, wanted: str) -> bool:
    """Say whether a reading differs from a label only by what is left open."""
    return read == "?" or (len(read) == len(wanted) and all(a in ("?", b) for a, b in zip(read, wanted, strict=True))) \
        or (read == "?" + wanted)
