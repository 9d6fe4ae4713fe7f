"""Fixed bit orders and keys: the kinds none, xor, add, bit order, nibble swap, rotate, and lists of them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Step
from tapwright.mask.fits import BYTES, OPEN, RIVAL_BITS, Fit, Triples
from tapwright.mask.kinds.bit_order import REVERSED

_ROTATED = [((BYTES << k | BYTES >> (8 - k)) & 255).astype(np.int16) for k in range(8)]


def bit_orders() -> Iterator[tuple[tuple[Step, ...], NDArray[np.int16], float]]:
    """Yield the sixteen fixed bit orders made of turning and reversing: steps, map, prior in bits."""
    for k in range(8):
        turn = () if k == 0 else (Step(kind="nibble swap"),) if k == 4 else (Step(kind="rotate", bits=k),)
        yield turn, _ROTATED[k], -1.0 if k == 0 else -5.0
    for k in range(8):
        turn = () if k == 0 else (Step(kind="nibble swap"),) if k == 4 else (Step(kind="rotate", bits=k),)
        yield (Step(kind="bit order"), *turn), _ROTATED[k][REVERSED], -5.0 if k == 0 else -9.0


def keyed(triples: Triples, floor: float) -> Iterator[Fit]:
    """Yield the bit orders alone and with a key xored or added, before or after."""
    for steps, turn, prior in bit_orders():
        turned, back = turn[triples.wire].astype(np.int64), np.argsort(turn)
        options = [("xor", turned ^ triples.radio, False), ("add", triples.radio - turned & 255, False)]
        if steps:
            options.append(("add", back[triples.radio] - triples.wire & 255, True))
        for kind, key, before in options:
            found = _key_of(triples, key)
            if found is None:
                continue
            period, values = found
            spread = np.array([OPEN if values[p % period] is None else values[p % period]
                               for p in range(triples.n_bytes)])[:, None]
            if kind == "xor":
                table = turn[None, :] ^ spread
            else:
                table = turn[BYTES + spread & 255] if before else turn[None, :] + spread & 255
            table = np.where(spread == OPEN, OPEN, table).astype(np.int16)
            if all(not value for value in values):
                if kind == "xor" and None not in values:
                    plain = steps or (Step(kind="none"),)
                    bits = 3 * sum(step.kind == "rotate" for step in plain)
                    yield Fit(steps=plain, table=table, fit_bits=0.0, prior_bits=prior, period=1,
                              determined_bits=bits, total_bits=bits)
                continue
            step = Step(kind=kind, key=values)
            known = sum(value is not None for value in values)
            bits = 3 * sum(other.kind == "rotate" for other in steps)
            yield Fit(steps=(step, *steps) if before else (*steps, step), table=table, fit_bits=-8.0 * known,
                      prior_bits=prior - 2 - (kind == "add") - 3 * bool(steps) - float(np.log2(triples.n_bytes)),
                      period=period, determined_bits=8 * known + bits, total_bits=8 * period + bits)


def _key_of(triples: Triples, key: NDArray[np.int64]) -> tuple[int, tuple[int | None, ...]] | None:
    """Return the shortest period and its key where every place has one key byte, else None."""
    places, first = np.unique(triples.place, return_index=True)
    value = np.full(triples.n_bytes, OPEN)
    value[places] = key[first]
    if (value[triples.place] != key).any():
        return None
    for period in range(1, triples.n_bytes + 1):
        columns: list[int | None] = []
        for start in range(period):
            seen = value[start::period]
            seen = seen[seen != OPEN]
            if len(seen) and (seen != seen[0]).any():
                break
            columns.append(int(seen[0]) if len(seen) else None)
        else:
            return period, tuple(columns)
    return None


def two_keys(triples: Triples, floor: float) -> Iterator[Fit]:
    """Yield a xored key with an added one, in both orders; either may have any period."""
    for order in (("xor", "add"), ("add", "xor")):
        left = np.ones((triples.n_bytes, 256, 256), np.bool_)  # place, first key, second key: still possible
        for place in np.unique(triples.place):
            at = triples.place == place
            wire, radio, first = triples.wire[at][None, :], triples.radio[at][None, :], BYTES[:, None]
            second = (radio - (wire ^ first)) & 255 if order[0] == "xor" else radio ^ (wire + first & 255)
            good = (second == second[:, :1]).all(axis=1)
            left[place] = False
            left[place, np.flatnonzero(good), second[good, 0]] = True
            if not good.any():
                break
        else:
            for period in range(1, triples.n_bytes + 1):
                if all(left[g::period].all(axis=0).any() for g in range(period)):
                    fit = _two_keys_fit(order, left, period)
                    if fit.score < floor:
                        break
                    floor = max(floor, fit.score - RIVAL_BITS)
                    yield fit


def _two_keys_fit(order: tuple[str, str], left: NDArray[np.bool_], period: int) -> Fit:
    n = len(left)
    keys: list[list[int]] = [[], []]
    table = np.full((period, 256), OPEN, np.int16)
    shares = np.empty(period)
    for g in range(period):
        one, two = (side[:, None] for side in np.nonzero(left[g::period].all(axis=0)))
        keys[0].append(int(one[0, 0]))
        keys[1].append(int(two[0, 0]))
        shares[g] = len(one) / 65536
        made = (BYTES ^ one) + two & 255 if order[0] == "xor" else (BYTES + one & 255) ^ two
        table[g] = np.where((made == made[0]).all(axis=0), made[0], OPEN)
    lengths = [next(p for p in range(1, period + 1) if (period == n or period % p == 0) and all(
        key[i] == key[i % p] for i in range(period))) for key in keys]
    total = 8 * sum(lengths)
    # Both keys' top bits turned over make the same map, so two possible pairs of a place are one answer.
    open_bits = float(np.ceil(np.log2(shares * 65536 / 2)).clip(0).sum())
    steps = tuple(Step(kind=kind, key=tuple(key[:p])) for kind, key, p in zip(order, keys, lengths, strict=True))
    return Fit(steps=steps, table=np.resize(table, (n, 256)), fit_bits=float(np.log2(shares).sum()),
               prior_bits=-9.0 - 2 * float(np.log2(n)), period=period,
               determined_bits=max(total - int(open_bits), 0), total_bits=total)
