"""Units as signs of a display: prefix and base lit apart, or one sign for the whole; every split that fits stays."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core import units
from tapwright.core.reading_map import UnitSigns
from tapwright.mapping.lamps import DARK, LIT, OPEN, candidates, consistent_labels, lamp, one_each, two_sided
from tapwright.mapping.sight import Sight

_MOST_SPLITS = 64


@dataclass(frozen=True)
class Signed:
    """Sign hypotheses that explain the units; `odds` is log2 for signs against a table of arbitrary codes."""

    maps: tuple[UnitSigns, ...]
    explained: NDArray[np.bool_]
    odds: float


def explain(sight: Sight, shown: Sequence[str | None], usable: NDArray[np.bool_], *,
            most_wrong: int = 0) -> Signed | None:
    """Return the sign hypotheses for the units that labels showed, None where no split gives every sign a bit.

    Parameters
    ----------
    shown : the unit of each label, empty for none, None where not known
    usable : bool, shape (n_bits,): bits that may be signs
    """
    names = sorted({unit for unit in shown if unit})
    if not names:
        return None
    maps: list[UnitSigns] = []
    explained = np.zeros(len(sight), np.bool_)
    odds = 0.0
    for split in _splits(names):
        found = _of_split(sight, shown, usable, split, most_wrong)
        if found is None:
            continue
        signs, kept, split_odds = found
        if maps and int(kept.sum()) < int(explained.sum()):
            continue
        if maps and int(kept.sum()) > int(explained.sum()):
            maps, odds = [], 0.0
        maps.append(signs)
        explained, odds = kept, max(odds, split_odds)
    return Signed(tuple(maps), explained, odds) if maps else None


def _splits(names: Sequence[str]) -> list[dict[str, tuple[str, str]]]:
    """Return every way of taking units apart, base by base: unit -> (prefix, base)."""
    parsed = {name: units.parse(name) for name in names}
    bases = sorted({unit.base for unit in parsed.values() if unit.prefix})
    choices = list(itertools.islice(itertools.product((True, False), repeat=len(bases)), _MOST_SPLITS))
    return [{name: (unit.prefix, unit.base) if unit.prefix and apart[bases.index(unit.base)] else ("", name)
             for name, unit in parsed.items()} for apart in choices]


def _of_split(sight: Sight, shown: Sequence[str | None], usable: NDArray[np.bool_], split: dict[str, tuple[str, str]],
              most_wrong: int) -> tuple[UnitSigns, NDArray[np.bool_], float] | None:
    prefixes = sorted({prefix for prefix, _ in split.values() if prefix})
    bases = sorted({base for _, base in split.values()})
    rows = {unit: [LIT if sign in (("p", prefix), ("b", base)) else DARK
                   for sign in [*(("p", p) for p in prefixes), *(("b", b) for b in bases)]]
            for unit, (prefix, base) in split.items()}
    rows[""] = [DARK] * (len(prefixes) + len(bases))
    states = np.array([[OPEN] * len(rows[""]) if unit is None else rows[unit] for unit in shown], np.int8)
    kept = consistent_labels(sight, states, usable & sight.varied, most_wrong)
    if kept is None:
        return None
    seen, states = sight.take(kept), states[kept]
    options = candidates(seen, states, usable & seen.varied)
    wanted = two_sided(states)
    if any(need and not option for need, option in zip(wanted.tolist(), options, strict=True)):
        return None
    n_bits = sight.bits.shape[1]
    pruned = one_each(options, n_bits)
    if pruned is None:
        return None
    lamps = [lamp(option, states[:, i], n_bits) for i, option in enumerate(pruned)]
    n_units = len({unit for unit in shown if unit is not None})
    runs = 1 + sum(a != b for a, b in itertools.pairwise(shown))
    chance = 16.0 * 2.0 ** -(n_units - 1) + 2.0 * float(usable.sum()) * 2.0 ** -(runs - 1)
    odds = int(wanted.sum()) * max(0.0, -float(np.log2(chance)))
    signs = UnitSigns(dict(zip(prefixes, lamps, strict=False)), dict(zip(bases, lamps[len(prefixes):], strict=True)),
                      none_seen="" in shown)
    return signs, kept, odds
