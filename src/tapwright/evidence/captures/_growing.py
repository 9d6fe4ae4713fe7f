"""Arrays that loops of machine code fill, and that grow without being copied."""

from __future__ import annotations

import mmap

import numpy as np
from numpy.typing import NDArray

_NOTHING = np.empty(0, np.int64)
_MAPPED_FROM = 1 << 14  # items; smaller arrays are copied as they grow


class Growing:
    """An array of int64 for each line; to grow, the system moves its pages, and pages never written do not exist.

    `addresses`, `counts` and `rooms` are what a loop fills them by, int64, shape (n,).
    """

    def __init__(self, n: int) -> None:
        self._small = [_NOTHING] * n
        self._large: dict[int, mmap.mmap] = {}
        self.addresses, self.counts, self.rooms = (np.zeros(n, np.int64) for _ in range(3))

    def grow(self, i: int, least: int = 16) -> None:
        """Make room for at least `least` items in one of them, or for twice as many as before."""
        room = max(int(self.rooms[i]) * 2, least)
        if room < _MAPPED_FROM:
            larger = np.empty(room, np.int64)
            larger[:len(self._small[i])] = self._small[i]
            self._small[i] = larger
            self.addresses[i], self.rooms[i] = larger.ctypes.data, room
            return
        mapped = self._large.get(i)
        if mapped is None or not _resized(mapped, 8 * room):
            # Private: a shared mapping would not grow with its pages.
            wider = mmap.mmap(-1, 8 * room, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
            have = self._array(i)[:int(self.counts[i])]
            np.frombuffer(wider, np.int64)[:len(have)] = have
            self._large[i], self._small[i] = wider, _NOTHING
        self.addresses[i], self.rooms[i] = self._array(i).ctypes.data, room

    def _array(self, i: int) -> NDArray[np.int64]:
        mapped = self._large.get(i)
        return self._small[i] if mapped is None else np.frombuffer(mapped, np.int64)

    def room_for(self, more: int) -> None:
        """Make room for that many more in each."""
        for i in np.flatnonzero(self.counts + more > self.rooms).tolist():
            self.grow(i, int(self.counts[i]) + more)

    def taken(self, i: int) -> NDArray[np.int64]:
        """Return what is in one of them, and forget it."""
        array = self._array(i)[:int(self.counts[i])]
        self._small[i] = _NOTHING
        self._large.pop(i, None)
        return array


def _resized(mapped: mmap.mmap, n_bytes: int) -> bool:
    """Grow a mapping; False where the system cannot."""
    try:
        mapped.resize(n_bytes)
    except (SystemError, OSError):
        return False
    return True
