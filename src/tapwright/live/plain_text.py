"""Units and names in plain ASCII, for protocols and fonts that have no more."""

from __future__ import annotations

_SPELLED = {"Ω": "Ohm", "µ": "u", "°": "deg ", "²": "2", "³": "3", "·": ".", "₂": "2"}


def in_ascii(text: str) -> str:
    """Return text in printable ASCII: `kΩ` is `kOhm`, `µS/cm` is `uS/cm`; what has no spelling is left out."""
    spelled = "".join(_SPELLED.get(c, c) for c in text)
    return "".join(c for c in spelled if " " <= c <= "~").strip()
