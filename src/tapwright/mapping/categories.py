"""Codes: which few bits tell one of several meanings (units, points, states), and what every code seen stood for.

Every field of bits of which the meaning is a function is a candidate; its support is what it predicted (labels whose
code had been seen before) against how many fields were tried. Those with much less support than the best are out, all
others stay and must agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import BitRef, Field, Table
from tapwright.mapping.sight import Sight

MARGIN_BITS = 8.0
_MOST_KEPT, _MOST_BYTES = 24, 40


@dataclass(frozen=True)
class Coded:
    """Tables that explain a meaning; `explained` is bool, shape (n_labels,), True where no meaning is known."""

    tables: tuple[Table, ...]
    explained: NDArray[np.bool_]
    support: float


@dataclass(frozen=True)
class _Fit:
    columns: tuple[int, ...]
    codes: NDArray[np.int64]
    meaning_of: dict[int, str]
    wrong: NDArray[np.bool_]
    support: float


def explain(sight: Sight, meanings: Sequence[str | None], usable: NDArray[np.bool_], *,
            most_wrong: int = 0) -> Coded | None:
    """Return the tables that explain a meaning for every label, None where no field of bits does.

    Parameters
    ----------
    meanings : one for each label, None where it is not known
    usable : bool, shape (n_bits,): bits that may be part of the code
    most_wrong : labels that may be left unexplained
    """
    known = np.array([meaning is not None for meaning in meanings], np.bool_)
    names = sorted({meaning for meaning in meanings if meaning is not None})
    everything = np.ones(len(sight), np.bool_)
    if not names:
        return Coded((), everything, 0.0)
    number = np.array([names.index(meaning) if meaning is not None else -1 for meaning in meanings], np.int64)
    some = sight.take(known)
    wanted = number[known]
    varied = usable & (some.bits != some.bits[:1]).any(axis=0)
    fits = [fit for columns, trials in _fields(varied)
            if (fit := _fit(some, wanted, names, columns, trials, most_wrong)) is not None]
    if len(names) == 1:
        return Coded(_of_one(some, names[0], fits), everything, 0.0)
    if not fits:
        return None
    fits.sort(key=lambda fit: (int(fit.wrong.sum()), -fit.support, len(fit.columns)))
    best = fits[0]
    kept = [fit for fit in fits if fit.support >= best.support - MARGIN_BITS and (fit.wrong <= best.wrong).all()]
    if len(kept) > _MOST_KEPT:
        # Beyond that many, all of their bits together: known only where every one of them is.
        together = tuple(sorted({column for fit in kept for column in fit.columns}))
        joint = _fit(some, wanted, names, together, 1.0, most_wrong) if len(together) <= 60 else None
        kept = kept[:_MOST_KEPT - 1] + ([joint] if joint is not None else [])
    explained = everything.copy()
    explained[np.flatnonzero(known)[best.wrong]] = False
    return Coded(tuple(_table(fit) for fit in kept), explained, best.support)


def _of_one(some: Sight, name: str, fits: list[_Fit]) -> tuple[Table, ...]:
    """Return the tables of a meaning that never changed; codes never seen, in bytes of few codes, may change it."""
    always = Table((), {0: name}, {0: len(some)})
    rows = len(np.unique(some.rows, axis=0))
    wide = [fit for fit in fits if _is_whole_byte(fit, fits) and 2 * len(fit.meaning_of) <= rows]
    return (always, *(_table(fit) for fit in wide[:_MOST_KEPT]))


def _is_whole_byte(fit: _Fit, fits: list[_Fit]) -> bool:
    at = {column // 8 for column in fit.columns}
    return len(at) == 1 and not any(set(fit.columns) < set(other.columns) and {c // 8 for c in other.columns} == at
                                    for other in fits)


def _fields(varied: NDArray[np.bool_]) -> list[tuple[tuple[int, ...], float]]:
    """Return fields of bits with the number of fields of their sort: runs in a byte, whole bytes and nibbles by two."""
    columns = np.flatnonzero(varied)
    by_byte: dict[int, list[int]] = {}
    for column in columns.tolist():
        by_byte.setdefault(column // 8, []).append(column)
    fields: dict[tuple[int, ...], float] = {}
    trials = max(len(columns), 1)
    for inside in by_byte.values():
        for i in range(len(inside)):
            for j in range(i + 1, len(inside) + 1):
                fields.setdefault(tuple(inside[i:j]), 2.0 * trials)
    parts = [tuple(inside) for inside in by_byte.values()]
    halves = [tuple(c for c in part if c % 8 // 4 == half) for part in parts for half in (0, 1)]
    parts += [half for half in halves if half and half not in parts]
    if len(by_byte) <= _MOST_BYTES:
        for i, a in enumerate(parts):
            for b in parts[i + 1:]:
                if a[0] // 8 != b[0] // 8:
                    fields.setdefault(tuple(sorted((*a, *b))), 8.0 * len(parts) ** 2)
    return list(fields.items())


def _fit(some: Sight, wanted: NDArray[np.int64], names: list[str], columns: tuple[int, ...], trials: float,
         most_wrong: int) -> _Fit | None:
    codes = some.bits[:, columns].astype(np.int64) @ (1 << np.arange(len(columns), dtype=np.int64))
    values, code = np.unique(codes, return_inverse=True)
    tally = np.zeros((len(values), len(names)), np.int64)
    np.add.at(tally, (code, wanted), 1)
    top = tally.max(axis=1)
    if int((tally.sum(axis=1) - top).sum()) > most_wrong:
        return None
    meaning = tally.argmax(axis=1)
    wrong = meaning[code] != wanted
    # A wrong label may not be all that a code rests on, nor a tie decide.
    if most_wrong and ((tally == top[:, None]).sum(axis=1) > 1).any():
        return None
    runs = 1 + int(((np.diff(code) != 0) | (np.diff(wanted) != 0)).sum())
    support = (runs - len(values)) * np.log2(max(len(names), 2)) - np.log2(trials) - 6.0 * int(wrong.sum())
    return _Fit(columns, codes, {int(value): names[int(m)] for value, m in zip(values, meaning, strict=True)}, wrong,
                float(support))


def _table(fit: _Fit) -> Table:
    values, counts = np.unique(fit.codes, return_counts=True)
    return Table(field_of(fit.columns), dict(sorted(fit.meaning_of.items())),
                 {int(value): int(count) for value, count in zip(values, counts, strict=True)})


def field_of(columns: Sequence[int]) -> Field:
    """Return a field of bit columns (8 byte + bit), least significant first."""
    return tuple(BitRef(column // 8, column % 8) for column in columns)
