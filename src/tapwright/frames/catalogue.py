"""CRC parameters in wide use: of settings that the frames leave equal, one of these is the likelier.

The search does not need them: polynomial, start and final value come from the frames. Source: the public catalogue of
parametrised CRC algorithms; `tests/golden/crc.csv` holds the check values that two general libraries agree on.
"""

from __future__ import annotations

ONES8, ONES16, ONES32 = 0xFF, 0xFFFF, 0xFFFFFFFF

# width -> (poly, init, refin, refout, xorout)
KNOWN: dict[int, frozenset[tuple[int, int, bool, bool, int]]] = {
    8: frozenset({
        (0x07, 0, False, False, 0), (0x31, 0, True, True, 0), (0x31, ONES8, False, False, 0),
        (0x07, ONES8, True, True, 0), (0x07, 0, False, False, 0x55), (0x1D, ONES8, False, False, ONES8),
        (0x2F, ONES8, False, False, ONES8), (0x9B, ONES8, False, False, 0), (0x39, 0, True, True, 0),
        (0xD5, 0, False, False, 0), (0x9B, 0, True, True, 0), (0x1D, ONES8, True, True, 0),
        (0x31, 0, False, False, 0), (0x07, 0, True, True, 0), (0x1D, 0, False, False, 0),
    }),
    16: frozenset({
        (0x8005, 0, True, True, 0), (0x8005, ONES16, True, True, 0), (0x8005, ONES16, True, True, ONES16),
        (0x8005, 0, True, True, ONES16), (0x8005, 0, False, False, 0), (0x8005, ONES16, False, False, 0),
        (0x8005, 0x800D, False, False, 0), (0x1021, 0, False, False, 0), (0x1021, ONES16, False, False, 0),
        (0x1021, 0x1D0F, False, False, 0), (0x1021, 0, True, True, 0), (0x1021, ONES16, True, True, ONES16),
        (0x1021, ONES16, True, True, 0), (0x1021, ONES16, False, False, ONES16), (0x1021, 0, False, False, ONES16),
        (0x1021, 0x89EC, True, True, 0), (0x1021, 0xB2AA, True, True, 0), (0x3D65, 0, True, True, ONES16),
        (0x3D65, 0, False, False, ONES16), (0x0589, 0, False, False, 0), (0x0589, 0, False, False, 1),
        (0x8BB7, 0, False, False, 0), (0xC867, ONES16, False, False, 0), (0x1DCF, ONES16, False, False, ONES16),
    }),
    32: frozenset({
        (0x04C11DB7, ONES32, True, True, ONES32), (0x04C11DB7, ONES32, False, False, ONES32),
        (0x04C11DB7, ONES32, False, False, 0), (0x04C11DB7, 0, False, False, ONES32),
        (0x04C11DB7, ONES32, True, True, 0), (0x1EDC6F41, ONES32, True, True, ONES32),
        (0xA833982B, ONES32, True, True, ONES32), (0x814141AB, 0, False, False, 0),
        (0xF4ACFB13, ONES32, True, True, ONES32), (0x000000AF, 0, False, False, 0),
    }),
}
POLYS = {width: frozenset(entry[0] for entry in entries) for width, entries in KNOWN.items()}


def unlikeliness(width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int) -> int:
    """Return 0 for parameters in wide use, more for ones that fewer makers would choose."""
    if (poly, init, refin, refout, xorout) in KNOWN[width]:
        return 0
    ones = (1 << width) - 1
    plain = (init in (0, ones)) + (xorout in (0, ones))
    return {2: 1, 1: 3 if xorout in (0, ones) else 4, 0: 6}[plain] + (refin != refout)
