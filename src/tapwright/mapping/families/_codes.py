"""What the families of one code a place share: reading them, and finding the code of a place among many fields."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import BitRef, Field, Zeros
from tapwright.mapping.hypothesis import Numbers


@dataclass(frozen=True)
class Keyed:
    """Every field of a sort against every place: field value ^ key = what the place shows.

    Parameters
    ----------
    key : int64, shape (n_places, n_fields): the commonest key
    right : bool, shape (n_places, n_fields, n_labels): the labels that agree with it; open labels count as right
    distinct : int64, shape (n_places,): different characters seen in the place
    """

    key: NDArray[np.int64]
    right: NDArray[np.bool_]
    distinct: NDArray[np.int64]


def keyed(values: NDArray[np.int64], wanted: NDArray[np.int64], bits: int) -> Keyed:
    """Find the constant that turns each field into each place.

    Parameters
    ----------
    values : int64, shape (n_labels, n_fields), each under 2**bits
    wanted : int64, shape (n_labels, n_places), -1 where the place is open
    """
    n_fields, n_places = values.shape[1], wanted.shape[1]
    key = np.zeros((n_places, n_fields), np.int64)
    right = np.ones((n_places, n_fields, len(values)), np.bool_)
    distinct = np.zeros(n_places, np.int64)
    for place in range(n_places):
        known = wanted[:, place] >= 0
        distinct[place] = len(np.unique(wanted[known, place]))
        if not known.any():
            continue
        keys = values[known] ^ wanted[known, place][:, None]
        counts = np.zeros((n_fields, 1 << bits), np.int64)
        np.add.at(counts, (np.broadcast_to(np.arange(n_fields), keys.shape), keys), 1)
        key[place] = counts.argmax(axis=1)
        right[place][:, known] = (keys == key[place]).T
    return Keyed(key, right, distinct)


def keyed_field(byte: int, first_bit: int, bits: int, key: int) -> Field:
    """Return a run of bits of a byte, inverted where the key says so."""
    return tuple(BitRef(byte, first_bit + i, bool(key >> i & 1)) for i in range(bits))


def zeros_that_fit(sent: list[str], numbers: Numbers, explained: NDArray[np.bool_], width: int) -> tuple[Zeros, ...]:
    """Return the ways of showing leading zeros that turn the places as sent into every explained label's digits."""
    ways: tuple[Zeros, ...] = ("as sent", "shown", "suppressed", "bare")
    fits: list[Zeros] = []
    shown: list[int] = np.flatnonzero(explained & numbers.is_number).tolist()
    for way in ways:
        if all(with_zeros(sent[i].strip(" "), way, int(numbers.decimals[i]), width) == numbers.digits[i]
               for i in shown):
            fits.append(way)
    if "as sent" in fits and (any(text.startswith(" ") for text in sent) or "suppressed" not in fits):
        # Dark places are sent as such, or all noughts are shown: nothing is done to them on the way.
        return ("as sent",)
    return tuple(fits)


def with_zeros(digits: str, zeros: Zeros, decimals: int, width: int) -> str:
    """Return digits with their leading zeros as a display shows them."""
    if zeros == "as sent":
        return digits
    bare = digits.lstrip("0")
    if zeros == "shown":
        return bare.rjust(width, "0")
    return bare.rjust(max(decimals + (zeros == "suppressed"), 1), "0")
