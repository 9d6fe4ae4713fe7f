"""Pairs of wire and radio bytes -> every kind of mask that joins them all, with what each leaves open.

Each kind is a set of byte maps with free parameters. The pairs leave part of the parameters open; the share of all
parameter values that they leave, in bits, is the kind's `fit_bits` (0: no free parameter was needed, -32: four key
bytes had to be set). By Bayes, the kind that needed the fewest bits is the likeliest; kinds within `RIVAL_BITS` of it
stand as well, and only what all standing kinds agree on is settled.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from tapwright.mask.affine import affine
from tapwright.mask.fits import OPEN, RIVAL_BITS, Fit, Table, Triples
from tapwright.mask.keyed import keyed, two_keys
from tapwright.mask.tables import substitution

# Each yields the fits of one family; those that score under the floor may be left out.
_FAMILIES: tuple[Callable[[Triples, float], Iterator[Fit]], ...] = (keyed, two_keys, affine, substitution)


@dataclass(frozen=True)
class Solution:
    """The likeliest kind, its rivals, and what all of them agree on (`table`)."""

    best: Fit
    rivals: tuple[Fit, ...]
    table: Table


def solve(triples: Triples) -> Solution | None:
    """Return the likeliest kind of mask that explains every triple, None where no kind does."""
    if not len(triples.place) or not _one_to_one(triples):
        return None
    fits: list[Fit] = []
    for family in _FAMILIES:
        floor = max((fit.score for fit in fits), default=-np.inf) - RIVAL_BITS
        fits += family(triples, floor)
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
