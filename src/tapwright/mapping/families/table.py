"""Digits as codes of a substitution table: a byte or nibble a place, each character with a code of its own."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import Codes, Table
from tapwright.mapping.categories import field_of
from tapwright.mapping.families._codes import zeros_that_fit
from tapwright.mapping.hypothesis import BITS_A_DIGIT, Hypothesis, Numbers
from tapwright.mapping.sight import Sight

_SHARED_PROOF = 3  # codes that places must share before one table is taken to serve all


def find(sight: Sight, numbers: Numbers, most_wrong: int) -> list[Hypothesis]:
    """Return the ways in which tables explain the labels."""
    width, n_bytes = numbers.width, sight.rows.shape[1]
    if not 1 <= width <= 16 or not n_bytes:
        return []
    low, high = sight.rows & 15, sight.rows >> 4
    nibbles = np.stack([low, high], axis=2).reshape(len(sight), -1).astype(np.int64)
    usable = sight.usable
    out: list[Hypothesis] = []
    for values, bits in ((sight.rows.astype(np.int64), 8), (nibbles, 4)):
        loose = ~np.asarray(usable.reshape(-1, bits).all(axis=1))
        fits = [[_fit(values[:, column], numbers, place) if not loose[column] else None
                 for column in range(values.shape[1])] for place in range(width)]
        for columns in _orders(width, values.shape[1], bits):
            chosen = [fits[place][column] for place, column in enumerate(columns)]
            if all(fit is not None for fit in chosen):
                hypothesis = _of(sight, numbers, columns, [fit for fit in chosen if fit is not None], bits, most_wrong)
                out += [hypothesis] if hypothesis is not None else []
    out.sort(key=lambda hypothesis: -hypothesis.support)
    return out[:8]


def _orders(width: int, n: int, bits: int) -> list[tuple[int, ...]]:
    forth = list(range(n))
    lines = [forth, forth[::-1]]
    if bits == 8:
        lines += [forth[half::2][::way] for half in (0, 1) for way in (1, -1)]
    else:
        swapped = [2 * (i // 2) + 1 - i % 2 for i in forth]
        lines += [swapped, swapped[::-1]]
    return list(dict.fromkeys(tuple(line[i:i + width]) for line in lines for i in range(len(line) - width + 1)))


def _fit(codes: NDArray[np.int64], numbers: Numbers, place: int) -> tuple[dict[int, str], NDArray[np.bool_]] | None:
    """Return the table of one field for one place, and the labels that it gives; None where codes and characters do
    not go together one to one for most labels."""
    characters = numbers.characters(place)
    dark = numbers.is_number & (characters == " ")
    known = numbers.is_number & ~dark
    pairs, counts = np.unique(np.stack([codes[known].astype(str), characters[known]], axis=1), axis=0,
                              return_counts=True)
    table: dict[int, str] = {}
    code_of: dict[str, int] = {}
    for i in np.argsort(-counts, kind="stable").tolist():
        code, character = int(pairs[i, 0]), str(pairs[i, 1])
        if code not in table and character not in code_of:
            table[code] = character
            code_of[character] = code
    # A place that the display leaves out is sent as a nought, or as a code of its own.
    for code in np.unique(codes[dark]).tolist():
        table.setdefault(code, " ")
    right = np.array([table.get(int(code)) == character for code, character in zip(codes, characters, strict=True)])
    right |= ~numbers.is_number | (dark & np.array([table.get(int(code)) in (" ", "0") for code in codes]))
    return (table, right) if right.mean() >= 0.85 else None


def _of(sight: Sight, numbers: Numbers, columns: tuple[int, ...], fits: list[tuple[dict[int, str], NDArray[np.bool_]]],
        bits: int, most_wrong: int) -> Hypothesis | None:
    explained: NDArray[np.bool_] = np.logical_and.reduce([right for _, right in fits])
    if int((~explained).sum()) > most_wrong:
        return None
    tables, shared = _shared([table for table, _ in fits])
    entries = sum(len(table) for table, _ in fits) - shared
    # Blanks stand for noughts that the display leaves out as well as for a code of their own.
    support = BITS_A_DIGIT * (numbers.distinct * numbers.moving - entries) \
        - np.log2(8 * sight.rows.shape[1]) - 3 - 8 * int((~explained).sum())
    places = tuple(Table(field_of(range(bits * column, bits * column + bits)), table)
                   for column, table in zip(reversed(columns), reversed(tables), strict=True))
    bodies = [row.tobytes() for row in sight.rows]
    sent = ["".join(place.of(body) or "?" for place in places) for body in bodies]
    zeros = zeros_that_fit(sent, numbers, explained, numbers.width)
    claimed = frozenset(bits * column + bit for column in columns for bit in range(bits))
    return Hypothesis(kind="table", digits=Codes("table", places), explained=explained, support=float(support),
                      claimed=claimed, width=numbers.width, zeros=zeros) if zeros else None


def _shared(tables: list[dict[int, str]]) -> tuple[list[dict[int, str]], int]:
    """Return the tables joined to one where places bear each other out, and how many entries that saves."""
    joint: dict[int, str] = {}
    codes: dict[str, int] = {}
    shared = 0
    for table in tables:
        for code, character in table.items():
            if character == " ":
                continue
            if joint.get(code, character) != character or codes.get(character, code) != code:
                return tables, 0
            shared += code in joint
            joint[code], codes[character] = character, code
    if shared < _SHARED_PROOF:
        return tables, 0
    with_blanks = [{**joint, **{code: " " for code, c in table.items() if c == " " and code not in joint}}
                   for table in tables]
    return with_blanks, shared
