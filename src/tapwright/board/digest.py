"""A description's digest: what emitted files name so that anyone can tell which description they came from."""

from __future__ import annotations

import hashlib

from tapwright.board.literal import tables
from tapwright.core.instrument import Instrument


def digest(instrument: Instrument) -> str:
    """Return the SHA-256 of all that decides how frames are read, as hex; name and evidence do not count."""
    return hashlib.sha256(repr(tables(instrument)).encode("utf-8")).hexdigest()
