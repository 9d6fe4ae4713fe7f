"""Reading text and writing files so that bad bytes are reported and nothing is ever left half written."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from tapwright.core.errors import TapwrightError


def read_bytes(path: Path, *, error: type[TapwrightError] = TapwrightError, most: int | None = None) -> bytes:
    """Return a file's bytes.

    Raises
    ------
    error : the file is missing, is no file, may not be read, or holds more than `most` bytes
    """
    try:
        if path.is_dir():
            raise error("this is a folder", path=path, expected="a file")
        with path.open("rb") as file:
            data = file.read() if most is None else file.read(most + 1)
    except OSError as trouble:
        raise error(os_reason(trouble), path=path, expected="a file that can be read") from None
    if most is not None and len(data) > most:
        raise error(f"more than {most} bytes", path=path, expected="a smaller file")
    return data


def read_text(path: Path, *, error: type[TapwrightError] = TapwrightError, most: int | None = None) -> str:
    """Return a UTF-8 text file without its byte-order mark, line ends as LF.

    Raises
    ------
    error : as `read_bytes`, or the file is not UTF-8 text (with the line and byte)
    """
    data = read_bytes(path, error=error, most=most)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        line = data.count(b"\n", 0, trouble.start) + 1
        raise error(
            f"byte 0x{data[trouble.start]:02X} at offset {trouble.start} is not UTF-8 text",
            path=path, line=line, expected="a text file in UTF-8", do="save the file again as UTF-8",
        ) from None
    if "\0" in text:
        raise error(
            "a zero byte, so this is a binary file", path=path, line=text.count("\n", 0, text.index("\0")) + 1,
            expected="a text file",
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")


@contextlib.contextmanager
def atomic(path: Path, mode: str = "w") -> Iterator[IO[Any]]:
    """Open a file beside `path` for writing; on success it takes the name, on any error it is removed.

    `mode` is "w" (UTF-8 text, LF) or "wb". An existing file keeps its permissions.
    """
    path = Path(path)
    if path.is_symlink():
        path = path.resolve()
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    except OSError as trouble:
        raise TapwrightError(os_reason(trouble), path=path, expected="a place that can be written") from None
    part = Path(name)
    try:
        if "b" in mode:
            file: IO[Any] = os.fdopen(handle, "wb")
        else:
            file = os.fdopen(handle, "w", encoding="utf-8", newline="\n")
        with file:
            yield file
        part.chmod(path.stat().st_mode & 0o7777 if path.exists() else 0o666 & ~_umask())
        part.replace(path)
    except OSError as trouble:
        part.unlink(missing_ok=True)
        raise TapwrightError(os_reason(trouble), path=path, expected="a place that can be written") from None
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all."""
    with atomic(path) as file:
        file.write(text)


def write_bytes(path: Path, data: bytes) -> None:
    """Write a binary file whole or not at all."""
    with atomic(path, "wb") as file:
        file.write(data)


def os_reason(trouble: OSError) -> str:
    """Return the operating system's reason in lower case, without the file name."""
    reason = trouble.strerror or type(trouble).__name__
    return reason[:1].lower() + reason[1:]


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
