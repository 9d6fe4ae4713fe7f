"""A mask as the fewest byte maps that an emitted decoder needs: one a place of the frame, repeated with a period."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapwright.core.mask import Mask
from tapwright.mask.apply import inverse_tables

MapKind = Literal["xor", "sub", "table"]
LONGEST = 256


@dataclass(frozen=True)
class ByteMap:
    """Radio byte -> wire byte: ^ `key`, - `key`, or a table; `known` lists the settled radio bytes, None for all."""

    kind: MapKind
    key: int = 0
    table: bytes = b""
    known: bytes | None = None

    @property
    def settles_all(self) -> bool:
        """Whether the wire byte of every radio byte is settled."""
        return self.known is None


@dataclass(frozen=True)
class MaskMaps:
    """`which[i % period]` is the map of place i; places from `n_bytes` on are not settled (0: no such limit)."""

    maps: tuple[ByteMap, ...]
    which: tuple[int, ...]
    n_bytes: int

    @property
    def period(self) -> int:
        """Places after which the maps repeat."""
        return len(self.which)

    @property
    def all_known(self) -> bool:
        """Whether every radio byte is settled at every place."""
        return not self.n_bytes and all(one.settles_all for one in self.maps)


def mask_maps(mask: Mask | None) -> MaskMaps | None:
    """Return a mask's maps, None where there is no mask or it changes nothing."""
    if mask is None:
        return None
    length = mask.n_bytes or LONGEST
    table, known = inverse_tables(mask, length)
    maps: dict[ByteMap, int] = {}
    which = [maps.setdefault(_byte_map(table[i], known[i]), len(maps)) for i in range(length)]
    found = tuple(maps)
    if found == (ByteMap("xor"),) and not mask.n_bytes:
        return None
    period = length if mask.n_bytes else _period(which)
    return MaskMaps(found, tuple(which[:period]), mask.n_bytes)


def _byte_map(table: NDArray[np.uint8], known: NDArray[np.bool_]) -> ByteMap:
    radio = np.flatnonzero(known)
    settled = None if known.all() else bytes(radio.tolist())
    wire = table[radio].astype(int)
    if len(radio):
        keys, differences = set((wire ^ radio).tolist()), set(((radio - wire) & 0xFF).tolist())
        if len(keys) == 1:
            return ByteMap("xor", keys.pop(), known=settled)
        if len(differences) == 1:
            return ByteMap("sub", differences.pop(), known=settled)
    return ByteMap("table", table=table.astype(np.uint8).tobytes(), known=settled)


def _period(which: list[int]) -> int:
    return next(p for p in range(1, len(which) + 1) if all(which[i] == which[i % p] for i in range(len(which))))
