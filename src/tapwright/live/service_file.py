"""`service.toml`: several instruments and the server's options in one file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tapwright.core.errors import UsageError
from tapwright.core.toml import TomlFile, load_toml

#: Keys of [server] and the type of each; they are the command's options of the same names, `-` as `_`.
SERVER_KEYS: dict[str, type] = {
    "host": str, "port": int, "record": str, "no_record": bool, "keep_days": float, "new_session_after": float,
    "scpi": int, "mqtt": str, "mdns": bool, "mdns_name": str, "token": str, "private": bool, "allow_host": list,
}


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """One instrument of the file; `name` empty: the description's."""

    name: str
    instrument: Path
    source: str


@dataclass(frozen=True, kw_only=True)
class ServiceFile:
    """The file's instruments, and its [server] options by the names of the command's attributes."""

    instruments: tuple[Wanted, ...]
    server: dict[str, object]


def load_service(path: Path) -> ServiceFile:
    """Read a service file.

    Raises
    ------
    UsageError : it cannot be read, or a key is unknown, missing or of the wrong type (with line and key)
    """
    file = load_toml(path, error=UsageError)
    file.check_keys("", file.values, ("server", "instrument"))
    server = file.values.get("server", {})
    if not isinstance(server, dict):
        file.fail("server", "server is no table", expected="[server]")
    file.check_keys("server", server, SERVER_KEYS)
    options = {key: _typed(file, f"server.{key}", value, SERVER_KEYS[key]) for key, value in server.items()}
    for key in ("record",):
        if isinstance(options.get(key), str) and "://" not in str(options[key]):
            options[key] = str(path.parent / str(options[key]))
    instruments = file.values.get("instrument")
    if not isinstance(instruments, list) or not instruments:
        file.fail("instrument", "no instruments", expected="one [[instrument]] table or more")
    return ServiceFile(instruments=tuple(_wanted(file, i, table) for i, table in enumerate(instruments)),
                       server=options)


def _wanted(file: TomlFile, i: int, table: object) -> Wanted:
    key = f"instrument.{i}"
    if not isinstance(table, dict):
        file.fail(key, "an instrument is no table", expected="[[instrument]]")
    file.check_keys(key, table, ("name", "instrument", "source"))
    for needed in ("instrument", "source"):
        if needed not in table:
            file.fail(key, f"{needed} is missing", expected=f'{needed} = "..."')
    values = {name: _typed(file, f"{key}.{name}", value, str) for name, value in table.items()}
    return Wanted(name=str(values.get("name", "")), instrument=file.path.parent / str(values["instrument"]),
                  source=_beside(file.path, str(values["source"])))


def _beside(file: Path, source: str) -> str:
    # A replay's file, like every path in here, is relative to this file.
    scheme, colon, rest = source.partition(":")
    if scheme != "replay" or not colon or rest.startswith("/"):
        return source
    return f"replay:{file.parent / rest}" if rest else source


def _typed(file: TomlFile, key: str, value: object, kind: type) -> object:
    words = {str: "text", int: "a whole number", float: "a number", bool: "true or false", list: "a list of texts"}
    fits = isinstance(value, kind) if kind is not float else isinstance(value, (int, float))
    if isinstance(value, bool) and kind is not bool:
        fits = False
    if kind is list and fits:
        fits = all(isinstance(item, str) for item in value)  # type: ignore[attr-defined]
    if not fits:
        file.fail(key, f"{value!r} is not {words[kind]}", expected=words[kind])
    return value
