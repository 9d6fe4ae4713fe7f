"""Frames and a mask -> the same frames on the other side of the mask.

The reference for emitted decoders: a mask is one byte map for each place of the frame, and `inverse_tables` gives them.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from tapwright.core import registry
from tapwright.core.errors import MaskError
from tapwright.core.frame import Frames
from tapwright.core.mask import Mask, Step

_PACKAGE = "tapwright.mask.kinds"


def unmask(frames: Frames, mask: Mask) -> Frames:
    """Turn radio frames into wire frames.

    Parameters
    ----------
    frames : as received over the radio; bytes already `unsettled` stay so

    Returns
    -------
    frames of the same number, times and lengths; `unsettled` is True where the mask does not settle the wire byte (the
    byte is then 0), None where all are settled

    Raises
    ------
    MaskError : the mask has a step of no known kind
    """
    return _through(frames, inverse_tables(mask, _longest(frames)))


def apply_mask(frames: Frames, mask: Mask) -> Frames:
    """Turn wire frames into radio frames: the inverse of `unmask`, with the same meaning of `unsettled`."""
    return _through(frames, forward_tables(mask, _longest(frames)))


def forward_tables(mask: Mask, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the radio byte of each wire byte at each place.

    Returns
    -------
    table : uint8, shape (n_bytes, 256), place x wire byte; 0 where not settled
    known : bool, shape (n_bytes, 256)
    """
    rows = np.arange(n_bytes)[:, None]
    table = np.broadcast_to(np.arange(256, dtype=np.uint8), (n_bytes, 256))
    known = np.ones((n_bytes, 256), np.bool_)
    for step in mask.steps:
        step_table, step_known = _forward(step, n_bytes)
        known = known & step_known[rows, table]
        table = step_table[rows, table]
    for settled in mask.settled:
        allowed = np.zeros(256, np.bool_)
        allowed[list(settled.radio)] = True
        places = slice(None) if settled.at is None else slice(settled.at, settled.at + 1)
        known[places] &= allowed[table[places]]
    if mask.n_bytes:
        known[mask.n_bytes:] = False
    return np.where(known, table, 0).astype(np.uint8), known


def inverse_tables(mask: Mask, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the wire byte of each radio byte at each place, shaped as `forward_tables`."""
    table, known = forward_tables(mask, n_bytes)
    place, wire = np.nonzero(known)
    inverse = np.zeros((n_bytes, 256), np.uint8)
    settled = np.zeros((n_bytes, 256), np.bool_)
    inverse[place, table[place, wire]] = wire
    settled[place, table[place, wire]] = True
    return inverse, settled


@cache
def _kinds() -> dict[str, str]:
    """Return the seam's member of each kind's name."""
    return {module.KIND: name for name, module in registry.members(_PACKAGE).items()}


def _forward(step: Step, n_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    name = _kinds().get(step.kind)
    if name is None:
        raise MaskError(f"no mask kind named '{step.kind}'", expected="one of " + ", ".join(sorted(_kinds())))
    table, known = registry.member(_PACKAGE, name).forward(step, n_bytes)
    return table, known


def _longest(frames: Frames) -> int:
    return int(frames.lengths.max()) if len(frames) else 0


def _through(frames: Frames, tables: tuple[NDArray[np.uint8], NDArray[np.bool_]]) -> Frames:
    table, known = tables
    place = np.arange(len(frames.data)) - np.repeat(frames.offsets[:-1], frames.lengths)
    unsettled = ~known[place, frames.data]
    if frames.unsettled is not None:
        unsettled |= frames.unsettled
    data = np.where(unsettled, 0, table[place, frames.data]).astype(np.uint8)
    return replace(frames, data=data, unsettled=unsettled if unsettled.any() else None)
