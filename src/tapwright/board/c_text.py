"""Small helpers for writing C99: strings, arrays, fields."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tapwright.board.tables import address
from tapwright.core.reading_map import Field


def string(words: str) -> str:
    """Return a C string literal; every byte that is not plain ASCII is written in octal."""
    out = []
    for byte in words.encode("utf-8"):
        if byte in (0x22, 0x5C):
            out.append("\\" + chr(byte))
        elif 0x20 <= byte < 0x7F and byte != 0x3F:  # no `?`: trigraphs
            out.append(chr(byte))
        else:
            out.append(f"\\{byte:03o}")
    return '"' + "".join(out) + '"'


def character(sign: str) -> str:
    """Return a C character constant."""
    return {"'": "'\\''", "\\": "'\\\\'"}.get(sign, f"'{sign}'" if 0x20 <= ord(sign) < 0x7F else f"{ord(sign)}")


def array(kind: str, name: str, values: Iterable[object], per_line: int = 12) -> list[str]:
    """Return the lines of a constant array."""
    items = [str(value) for value in values]
    lines = [f"static const {kind} {name}[{len(items)}] = {{"]
    lines += ["    " + ", ".join(items[i:i + per_line]) + "," for i in range(0, len(items), per_line)]
    return [*lines, "};"]


def width_of(values: Sequence[int]) -> str:
    """Return the narrowest unsigned type that holds all values."""
    most = max(values, default=0)
    return "uint8_t" if most < 1 << 8 else "uint16_t" if most < 1 << 16 else "uint32_t"


def hex_list(values: Iterable[int], digits: int = 2) -> list[str]:
    """Return numbers in hexadecimal."""
    return [f"0x{value:0{digits}X}" for value in values]


def addresses(bits: Field) -> list[int]:
    """Return a field's bit addresses."""
    return [address(bit) for bit in bits]


def filled(text: str, **words: str) -> str:
    """Return a template with `@NAME@` replaced."""
    for name, word in words.items():
        text = text.replace(f"@{name}@", word)
    return text
