"""A reading map learned from masked frames -> the bits of a xored key that it settles.

A xored key turns bits over or not. Where digits are sent in a plain code (ASCII, BCD, binary), each bit that the map
counts inverted is a 1 of the key and each other one a 0. Segments have no such code: whether a lit segment is a 1 on
the wire is the maker's choice, so they settle no key.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tapwright.core.reading_map import BitRef, Codes, DisplayMap, Float, Integer, ReadingMap

BITS_A_DISPLAY = 3.3  # one digit of ten at least is foretold in each display that differs from those before
LOW_HALF = 4  # bits of a character that a digit's value is in: 0 to 9 are 30 to 39 in ASCII, and 00 to 09 plain


@dataclass(frozen=True, kw_only=True)
class Labelled:
    """What labels made of the masked frames as they are.

    Parameters
    ----------
    reading_map : None where no family of values explains the labels
    n_labels, n_agreeing : labels given, and those that the map explains
    displays : the different texts that agreeing labels saw
    """

    reading_map: ReadingMap | None
    n_labels: int
    n_agreeing: int
    displays: frozenset[str] = field(default_factory=frozenset)

    @property
    def proof_bits(self) -> float:
        """Bits that the map foretold, counted low."""
        return BITS_A_DISPLAY * max(len(self.displays) - 1, 0)


def key_bits(labelled: Labelled, rows: NDArray[np.uint8]) -> dict[tuple[int, int], bool]:
    """Return (byte, bit) -> key bit for what every reading map that labels leave possible agrees on.

    Parameters
    ----------
    rows : uint8, shape (n_frames, n_bytes), the radio frames; a bit that never changes there proves no binary number
    """
    if labelled.reading_map is None or labelled.reading_map.separator >= 0:
        return {}  # fields parted by a character are plain text, with places of their own
    changing = np.bitwise_or.reduce(rows ^ rows[0], axis=0)
    mixed = _mixed(labelled.displays)
    found = [dict(_bits(display, changing, mixed)) for display in labelled.reading_map.displays]
    return {at: bit for at, bit in found[0].items() if all(other.get(at) is bit for other in found[1:])}


def _bits(display: DisplayMap, changing: NDArray[np.uint8], mixed: bool) -> Iterator[tuple[tuple[int, int], bool]]:
    """Yield the key bits under one display map."""
    digits = display.digits
    if isinstance(digits, Codes) and digits.kind in ("text", "bcd"):
        # A point that moves, carried by the text, shows that the code is ASCII; digits alone leave its upper half open.
        carried = not display.point.lamps and not display.point.tables
        whole = digits.kind == "bcd" or (mixed and carried)
        for place in digits.places:
            yield from _of(place.bits if whole else place.bits[:LOW_HALF])
    elif isinstance(digits, Float):
        yield from _of(bit for i, bit in enumerate(digits.bits) if i not in digits.unsettled)
    elif isinstance(digits, Integer):
        yield from _of(bit for bit in digits.bits
                       if bit.byte < len(changing) and changing[bit.byte] >> bit.bit & 1)


def _mixed(displays: frozenset[str]) -> bool:
    """Say whether some place showed a digit and a point, whether the texts stand flush left or right."""
    def seen(texts: list[str]) -> bool:
        places = [{text[i] for text in texts if i < len(text)} for i in range(max(map(len, texts), default=0))]
        return any("." in place and any(character.isdigit() for character in place) for place in places)
    plain = [text.lstrip("-") for text in displays]
    return seen(plain) and seen([text[::-1] for text in plain])


def _of(bits: Iterator[BitRef] | tuple[BitRef, ...]) -> Iterator[tuple[tuple[int, int], bool]]:
    for bit in bits:
        yield (bit.byte, bit.bit), bit.inverted


def adds_as_well(key: dict[int, int], rows: NDArray[np.uint8]) -> bool:
    """Say whether an added key joins what was seen as well as this xored one (whole bytes only)."""
    told_apart = False
    for place, value in key.items():
        if value in (0, 0x80):
            continue  # the same map either way
        wire = rows[:, place] ^ value
        if len(np.unique((rows[:, place] - wire).astype(np.uint8))) > 1:
            return False
        told_apart = True
    return told_apart
