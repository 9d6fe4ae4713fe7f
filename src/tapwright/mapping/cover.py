"""The fewest of many readings that together do all that any of them does: a set cover, exact where it is small."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_MOST_NODES = 60
_MOST_CELLS = 60_000


def fewest(does: NDArray[np.bool_], most: int) -> list[int] | None:
    """Return which readings do everything, at most `most` of them; None where none so few were found.

    Parameters
    ----------
    does : bool, shape (n_readings, n_facts): what each reading does; what none does is left out

    By HiGHS through scipy, with a bound on its nodes, so that one input always gives one answer.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    facts = np.unique(does[:, does.any(axis=0)], axis=1)
    kept = _undominated(facts)
    facts = facts[kept]
    facts = facts[:, _unimplied(facts)]
    if not facts.size or facts.size > _MOST_CELLS:
        return None
    n = len(kept)
    rows = np.concatenate([facts.T.astype(float), np.ones((1, n))])
    low = np.append(np.ones(facts.shape[1]), 0)
    high = np.append(np.full(facts.shape[1], np.inf), most)
    found = milp(np.ones(n), constraints=LinearConstraint(rows, low, high), integrality=np.ones(n),
                 bounds=Bounds(0, 1), options={"node_limit": _MOST_NODES})
    return None if found.x is None else [int(kept[i]) for i in np.flatnonzero(found.x > 0.5)]


def _undominated(facts: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the rows that do something which no other row does with all else that they do."""
    some = facts.astype(np.float32)
    size = some.sum(axis=1)
    within = (some @ some.T) == size[:, None]  # [i, j]: all that i does, j does too
    alike = within & within.T
    earlier = np.tri(len(facts), k=-1, dtype=bool)  # of rows alike the first stays
    gone = (within & ~alike).any(axis=1) | (alike & earlier).any(axis=1)
    out: NDArray[np.int64] = np.flatnonzero(~gone)
    return out


def _unimplied(facts: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the columns that are not done by doing another one: every row that does the other does them."""
    return _undominated(~facts.T)
