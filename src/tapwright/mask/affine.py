"""Maps that are affine over GF(2), the same at every place, alone or with a xored key."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step
from tapwright.mask.fits import BYTES, OPEN, RIVAL_BITS, Fit, Triples


def affine(triples: Triples, floor: float) -> Iterator[Fit]:
    """Yield one affine map over GF(2) for every place, alone or with a xored key."""
    widest = _affine_fit(triples, triples.n_bytes)  # what fails place by place cannot work with places joined
    if widest is None or widest.fit_bits + 8 * (widest.period - 1) < floor:
        return
    for period in range(1, triples.n_bytes + 1):
        fit = _affine_fit(triples, period)
        if fit is not None:
            if fit.score < floor:
                return
            floor = max(floor, fit.score - RIVAL_BITS)
            yield fit


def _affine_fit(triples: Triples, period: int) -> Fit | None:
    group = triples.place % period
    base_wire, base_radio = np.full(period, OPEN), np.full(period, OPEN)
    groups, first = np.unique(group, return_index=True)
    base_wire[groups], base_radio[groups] = triples.wire[first], triples.radio[first]
    differences = np.unique((triples.wire ^ base_wire[group]) << 8 | triples.radio ^ base_radio[group])
    basis = echelon((row >> 8, row & 255) for row in differences.tolist())
    columns = None if basis is None else completed(basis)
    if basis is None or columns is None:
        return None
    image = linear_image(columns)
    inside = np.zeros(256, np.bool_)
    inside[0] = True
    for vector in basis:
        inside |= inside[BYTES ^ vector]
    constant = np.where(base_wire == OPEN, OPEN, base_radio ^ image[base_wire])
    table = np.full((period, 256), OPEN, np.int16)
    for g in groups:
        table[g] = np.where(inside[BYTES ^ base_wire[g]], image ^ constant[g], OPEN)
    n_groups, rank, n = len(groups), len(basis), triples.n_bytes
    if period == 1:
        return Fit(steps=(Step(kind="affine", matrix=tuple(columns), constant=int(constant[0])),),
                   table=np.resize(table, (n, 256)), fit_bits=-8.0 * rank - 8, prior_bits=-7.0, period=1,
                   determined_bits=8 * rank + 8, total_bits=72)
    # The map's constant and the key say the same: the constant is left at 0.
    key = tuple(None if value == OPEN else int(value) for value in constant)
    return Fit(steps=(Step(kind="affine", matrix=tuple(columns)), Step(kind="xor", key=key)),
               table=np.resize(table, (n, 256)), fit_bits=-8.0 * rank - 8 * n_groups,
               prior_bits=-10.0 - float(np.log2(n)), period=period, determined_bits=8 * rank + 8 * n_groups,
               total_bits=64 + 8 * period)


def linear_image(columns: list[int]) -> NDArray[np.int64]:
    image = np.zeros(256, np.int64)
    for b in range(8):
        image[BYTES >> b & 1 == 1] ^= columns[b]
    return image


def echelon(pairs: Iterator[tuple[int, int]]) -> dict[int, int] | None:
    """Return independent inputs with their outputs, None where the map is not linear or not one to one."""
    basis: dict[int, int] = {}  # by leading bit: input << 8 | output
    images: dict[int, int] = {}
    for one, two in pairs:
        row = one << 8 | two
        for lead in sorted(basis, reverse=True):
            if row >> (8 + lead) & 1:
                row ^= basis[lead]
        if row >> 8 == 0:
            if row:
                return None
            continue
        basis[(row >> 8).bit_length() - 1] = row
        image = row & 255
        for lead in sorted(images, reverse=True):
            if image >> lead & 1:
                image ^= images[lead]
        if image == 0:
            return None
        images[image.bit_length() - 1] = image
    return {row >> 8: row & 255 for row in basis.values()}


def completed(basis: dict[int, int]) -> list[int] | None:
    """Return the images of the eight single bits for one invertible map that keeps the basis."""
    inputs, outputs = dict(basis), list(basis.values())
    for b in range(8):
        if not _independent([*inputs, 1 << b]):
            continue
        image = next((1 << c for c in range(8) if _independent([*outputs, 1 << c])), None)
        if image is None:
            return None
        inputs[1 << b] = image
        outputs.append(image)
    # Reduce to single bits: Gauss-Jordan on the eight rows.
    rows = [one << 8 | two for one, two in inputs.items()]
    for b in range(8):
        at = next(i for i in range(b, 8) if rows[i] >> (8 + b) & 1)
        rows[b], rows[at] = rows[at], rows[b]
        rows = [row ^ rows[b] if i != b and row >> (8 + b) & 1 else row for i, row in enumerate(rows)]
    return [row & 255 for row in rows]


def _independent(vectors: Sequence[int]) -> bool:
    rows: list[int] = []
    for vector in vectors:
        for row in rows:
            vector = min(vector, vector ^ row)
        if vector == 0:
            return False
        rows.append(vector)
    return True
