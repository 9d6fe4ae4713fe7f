"""Digits as codes, one a place: characters of a text, decimal nibbles, or codes of a table."""

from __future__ import annotations

from tapwright.core.reading_map import Codes

UNKNOWN = "?"


def read(digits: Codes, body: bytes) -> str:
    """Return the places' characters from the left, `?` where a code is not known."""
    return "".join(table.of(body) or UNKNOWN for table in digits.places)
