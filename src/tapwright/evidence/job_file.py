"""`job.toml` -> Job. All its keys may be left out; unknown keys are named with their line."""

from __future__ import annotations

import re
from pathlib import Path

from tapwright.core import units
from tapwright.core.job import SHOWS, Demands, Job, Range
from tapwright.core.toml import TomlFile, load_toml

FILE = "job.toml"
_KEYS = ("name", "supply_v", "functions", "units", "flags", "shows", "ranges")
_RANGE = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(\S.*?)?\s*$")


def load_job(folder: Path) -> Job:
    """Read a job folder's `job.toml`.

    Raises
    ------
    DescriptionError : the file is missing or wrong, naming key and line
    """
    file = load_toml(folder / FILE)
    file.check_keys("", file.values, _KEYS)
    shows = _texts(file, "shows")
    for word in shows:
        if word not in SHOWS:
            file.fail("shows", f"'{word}'", expected="any of " + ", ".join(SHOWS))
    return Job(
        folder=folder,
        name=_name(file),
        supply_v=_supply(file),
        demands=Demands(
            functions=_texts(file, "functions"),
            units=tuple(dict.fromkeys(units.normal(unit) for unit in _texts(file, "units"))),
            flags=_texts(file, "flags"),
            shows=shows,
            ranges=tuple(_range(file, text) for text in _texts(file, "ranges")),
        ),
    )


def _name(file: TomlFile) -> str:
    value = file.values.get("name", "")
    if not isinstance(value, str):
        file.fail("name", f"{value!r}", expected="text in quotes")
    return value


def _supply(file: TomlFile) -> float | None:
    value = file.values.get("supply_v")
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value < 1000:
        file.fail("supply_v", f"{value!r}", expected="volts, a number over 0")
    return float(value)


def _texts(file: TomlFile, key: str) -> tuple[str, ...]:
    value = file.values.get(key, [])
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        file.fail(key, f"{value!r}", expected='a list of texts, like ["one", "two"]')
    return tuple(dict.fromkeys(value))


def _range(file: TomlFile, text: str) -> Range:
    match = _RANGE.match(text)
    if not match:
        file.fail("ranges", f"'{text}'", expected='a greatest reading with its unit, like "5.999 V"')
    return Range(text=match.group(1), unit=units.normal(match.group(2) or ""))
