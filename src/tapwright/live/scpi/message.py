"""Program messages of IEEE 488.2: one line into commands, headers in short and long form.

Source: IEEE 488.2-1992 chapter 7; SCPI-1999 volume 1 chapter 6 (compound headers; the capitals are the short form).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from tapwright.live.scpi.status import ScpiError

MNEMONIC_MOST = 12
_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\?)?")
_NUMBERS = {"H": 16, "Q": 8, "B": 2}


@dataclass(frozen=True)
class Command:
    """One message unit: its header from the root in capitals, with `?` where it asks, and its parameters."""

    header: str
    parameters: tuple[str, ...]


def units_of(line: str) -> list[str]:
    """Split a program message at the semicolons outside of strings."""
    return _outside_strings(line, ";")


def command_of(unit: str, path: str) -> tuple[Command, str]:
    """Return one unit as a command, and the path that the next unit continues.

    Parameters
    ----------
    unit : the unit's text
    path : the header path of the unit before, with a `:` at its end; empty at the root

    Raises
    ------
    ScpiError : the unit is no command
    """
    unit = unit.strip(" \t\r\0")
    bad = next((c for c in unit if not " " <= c <= "~" and c != "\t"), None)
    if bad is not None:
        raise ScpiError(-101)
    found = _HEADER.match(unit)
    if not found:
        raise ScpiError(-102, unit[:40])
    name, asks, rest = found[1].upper(), found[2] or "", unit[found.end():]
    if any(len(part) > MNEMONIC_MOST for part in name.strip("*").split(":")):
        raise ScpiError(-112, name[:40])
    if rest and rest[0] not in " \t":
        raise ScpiError(-103 if rest[0] in ",;" else -102, unit[:40])
    parameters = tuple(_outside_strings(rest.strip(), ",")) if rest.strip() else ()
    parameters = tuple(parameter.strip() for parameter in parameters)
    if any(not parameter for parameter in parameters):
        raise ScpiError(-103, unit[:40])
    if name.startswith("*"):
        return Command(name + asks, parameters), path
    full = name[1:] if name.startswith(":") else path + name
    return Command(full + asks, parameters), full.rpartition(":")[0] + ":" if ":" in full else ""


def pattern(header: str) -> re.Pattern[str]:
    """Return what matches a header pattern such as `SYSTem:ERRor[:NEXT]?`; the capitals are the short form."""
    text = ""
    for part in re.findall(r"\[|\]|:|\?|\*?[A-Za-z]+", header):
        if part in "[]":
            text += "(?:" if part == "[" else ")?"
        elif part in ":?":
            text += re.escape(part)
        else:
            short = "".join(c for c in part if not c.islower())
            text += "(?:" + "|".join(re.escape(form) for form in dict.fromkeys((part.upper(), short))) + ")"
    return re.compile(text)


def whole_number(parameters: tuple[str, ...], most: int) -> int:
    """Return the one numeric parameter, rounded, from 0 to `most`; decimal or `#H`, `#Q`, `#B`.

    Raises
    ------
    ScpiError : there is none, or several, or it is no number or out of range
    """
    if not parameters:
        raise ScpiError(-109)
    if len(parameters) > 1:
        raise ScpiError(-108)
    text = parameters[0]
    try:
        if text.startswith("#") and text[1:2].upper() in _NUMBERS:
            value = int(text[2:], _NUMBERS[text[1].upper()])
        else:
            number = Decimal(text.replace(" ", ""))
            if not number.is_finite() or abs(number) > 10 ** 9:
                raise ScpiError(-222)
            value = round(number)
    except (InvalidOperation, ValueError):
        raise ScpiError(-104 if not text[:1].isdigit() else -120) from None
    if not 0 <= value <= most:
        raise ScpiError(-222)
    return value


def _outside_strings(text: str, mark: str) -> list[str]:
    parts, quote, start = [], "", 0
    for i, c in enumerate(text):
        if quote:
            quote = "" if c == quote else quote
        elif c in "'\"":
            quote = c
        elif c == mark:
            parts.append(text[start:i])
            start = i + 1
    return [*parts, text[start:]]
