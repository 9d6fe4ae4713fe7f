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

# Up to so many points a walk over the segments is quicker than looking each value's segment up.
_FEW = 4


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
    if xs.ndim == 1 and len(xs) > _FEW:
        return _interpolate_rows(np.asarray(x), xs, ys)
    out = np.broadcast_to(ys[0], np.broadcast_shapes(np.shape(x), ys[0].shape, xs[0].shape)).astype(np.float64)
    for i in range(len(xs) - 1):
        width = xs[i + 1] - xs[i]
        share = np.clip((x - xs[i]) / np.where(width > 0, width, 1.0), 0.0, 1.0)
        out = out + share * (ys[i + 1] - ys[i])
    return out


def _interpolate_rows(x: Array, xs: Array, ys: Array) -> Array:
    """The same for common `xs`, and `ys` of shape (n_points, ...) that broadcasts against x behind its first axis."""
    shape = np.broadcast_shapes(x.shape, ys.shape[1:])
    rows = np.broadcast_to(ys.reshape(len(xs), *([1] * (len(shape) - ys.ndim + 1)), *ys.shape[1:]), (len(xs), *shape))
    i = np.broadcast_to(np.clip(np.searchsorted(xs, x, side="right") - 1, 0, len(xs) - 2), shape)
    share = np.clip((x - xs[i]) / (xs[i + 1] - xs[i]), 0.0, 1.0)
    low, high = (np.take_along_axis(rows, j[np.newaxis], axis=0)[0] for j in (i, i + 1))
    return np.asarray(low + (high - low) * share)
