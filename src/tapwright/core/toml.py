"""TOML with places: every complaint about a key names the file, the line and the key.

The standard library's parser gives no lines, so the lines of keys are found by a scan of their own; where a key
is written in an unusual way (inside a multi-line inline value) its table's line is given instead.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from tapwright.core.errors import DescriptionError, TapwrightError
from tapwright.core.files import read_text

_HEADER = re.compile(r"^\s*\[(\[)?\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_STRING = re.compile(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'")
_AT = re.compile(r"\(at line (\d+), column (\d+)\)|\(at end of document\)")


@dataclass(frozen=True)
class TomlFile:
    """A parsed TOML file that knows where its keys stand.

    `values` is the plain parsed document. A key's name is dotted, an item of an array of tables counted from 0:
    `load.0.amps`.
    """

    path: Path
    values: dict[str, object]
    error: type[TapwrightError] = DescriptionError
    lines: Mapping[str, int] = field(default_factory=dict)

    def line_of(self, key: str) -> int | None:
        """Return the 1-based line of a dotted key, or of the nearest table around it."""
        while key:
            if key in self.lines:
                return self.lines[key]
            key = key.rpartition(".")[0]
        return None

    def fail(self, key: str, found: str, *, expected: str = "", do: str = "") -> NoReturn:
        """Raise this file's error at a key."""
        place = f"key {key}" if key else ""
        raise self.error(found, path=self.path, line=self.line_of(key), place=place, expected=expected, do=do)

    def check_keys(self, table_key: str, table: Mapping[str, object], known: Collection[str]) -> None:
        """Raise for the first key of a table that is not in `known`, naming the nearest known one."""
        for key in table:
            if key not in known:
                near = difflib.get_close_matches(key, sorted(known), n=1)
                self.fail(
                    f"{table_key}.{key}" if table_key else key,
                    f"unknown key '{key}'",
                    expected="one of " + ", ".join(sorted(known)),
                    do=f"did you mean '{near[0]}'?" if near else "",
                )


def load_toml(path: Path, *, error: type[TapwrightError] = DescriptionError) -> TomlFile:
    """Read and parse a TOML file.

    Raises
    ------
    error : the file cannot be read, or is not TOML (with the line)
    """
    return parse_toml(read_text(path, error=error, most=16_000_000), path, error=error)


def parse_toml(text: str, path: Path, *, error: type[TapwrightError] = DescriptionError) -> TomlFile:
    """Parse TOML text; `path` is the name used in errors."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        message = str(trouble)
        at = _AT.search(message)
        line = int(at.group(1)) if at and at.group(1) else (text.count("\n") + 1 if at else None)
        reason = _AT.sub("", message).strip() or "a mistake"
        raise error(
            reason[:1].lower() + reason[1:], path=path, line=line, expected="TOML", do="mend that line"
        ) from None
    except RecursionError:
        raise error("values nested too deep", path=path, expected="TOML of ordinary depth") from None
    return TomlFile(path=path, values=values, error=error, lines=_key_lines(text))


def _key_lines(text: str) -> dict[str, int]:
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    prefix = ""
    in_string = ""
    open_brackets = 0
    for number, line in enumerate(text.split("\n"), 1):
        if in_string:
            if in_string in line:
                in_string = ""
            continue
        if open_brackets > 0:  # a value over several lines: its rows look like headers and are none
            open_brackets += _brackets(line)
            continue
        header = _HEADER.match(line)
        if header:
            name = _within(_plain(header.group(2)), counts)
            if header.group(1):
                index = counts.get(name, 0)
                counts[name] = index + 1
                lines.setdefault(name, number)
                name = f"{name}.{index}"
            prefix = name + "."
            lines.setdefault(name, number)
            continue
        key = _KEY.match(line)
        if key:
            lines.setdefault(prefix + _plain(key.group(1)), number)
            open_brackets = _brackets(line[key.end():])
            for quote in ('"""', "'''"):
                if line.count(quote) % 2:
                    in_string, open_brackets = quote, 0
    return lines


def _within(name: str, counts: Mapping[str, int]) -> str:
    """Return a header's name with the newest item of every array of tables that it lies in."""
    out = ""
    for part in name.split("."):
        if out in counts:
            out += f".{counts[out] - 1}"
        out += f".{part}" if out else part
    return out


def _brackets(line: str) -> int:
    """Return how many more brackets a line opens than it closes, those in strings and comments aside."""
    bare = _STRING.sub("", line).partition("#")[0]
    return sum(bare.count(sign) for sign in "[{") - sum(bare.count(sign) for sign in "]}")


def _plain(name: str) -> str:
    return re.sub(r"\s*\.\s*", ".", name).replace('"', "").replace("'", "")
