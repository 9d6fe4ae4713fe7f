"""Numbers of a plan: one float, or an array of drawn values of the same number.

Where a plan holds ranges, each drawn plan is one row: such a number has shape (n_draws, 1), so that it broadcasts
against an axis of discharge states. Everything in this folder is written for both.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Quantity: TypeAlias = "float | Array"


def is_plain(*values: Quantity) -> bool:
    """Return whether every number is a single one."""
    return all(np.ndim(value) == 0 for value in values)


def stack(values: Sequence[Quantity]) -> Array:
    """Return numbers as one array with a new first axis."""
    return np.stack(np.broadcast_arrays(*[np.asarray(value, dtype=np.float64) for value in values]))


def interpolate(x: Quantity, xs: Array, ys: Array) -> Array:
    """Return y at x on straight lines between points, held at the ends.

    Parameters
    ----------
    x : any shape
    xs, ys : shape (n_points,), or (n_points, n_draws, 1) where the points themselves were drawn; xs rising
    """
    if xs.ndim == 1 and ys.ndim == 1:
        return np.asarray(np.interp(x, xs, ys))
    out = np.broadcast_to(ys[0], np.broadcast_shapes(np.shape(x), ys[0].shape, xs[0].shape)).astype(np.float64)
    for i in range(len(xs) - 1):
        width = xs[i + 1] - xs[i]
        share = np.clip((x - xs[i]) / np.where(width > 0, width, 1.0), 0.0, 1.0)
        out = out + share * (ys[i + 1] - ys[i])
    return out
