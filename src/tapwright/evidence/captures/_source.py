"""Opening a capture file: what may go wrong before its format matters, gzip, and the options of reading."""

from __future__ import annotations

import contextlib
import gzip
import math
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

from tapwright.core.errors import CaptureError, UsageError
from tapwright.core.files import os_reason

HEAD_BYTES = 4096
GZIP_MAGIC = b"\x1f\x8b"


@dataclass(frozen=True, kw_only=True)
class ReadOptions:
    """What the caller says about a capture; see `read_capture`."""

    rate_hz: float | None = None
    width: int = 8
    low_v: float | None = None
    high_v: float | None = None
    progress: Callable[[float], None] | None = None

    def check(self, path: Path) -> None:
        """Refuse options that fit no file.

        Raises
        ------
        UsageError
        """
        if self.rate_hz is not None and not (math.isfinite(self.rate_hz) and 0 < self.rate_hz <= 1e15):
            raise UsageError(f"a sample rate of {self.rate_hz:g} Hz", path=path, expected="a rate above 0 Hz",
                             do="give the logic capture's sample rate with --rate")
        if self.width not in (8, 16):
            raise UsageError(f"samples of {self.width} bits", path=path, expected="--width 8 or --width 16")
        for name, value in (("--low", self.low_v), ("--high", self.high_v)):
            if value is not None and not math.isfinite(value):
                raise UsageError(f"{name} is {value}", path=path, expected="volts")
        if (self.low_v is None) != (self.high_v is None):
            raise UsageError("only one of --low and --high is given", path=path, expected="both thresholds")
        if self.low_v is not None and self.high_v is not None and self.low_v > self.high_v:
            raise UsageError(f"--low {self.low_v:g} V is above --high {self.high_v:g} V", path=path,
                             expected="the lower threshold first")


@dataclass(frozen=True, kw_only=True)
class Source:
    """A file that is there and may be read.

    Parameters
    ----------
    path : as given
    suffix : lower case, without a `.gz` behind
    size : bytes on disk
    compressed : whether it is gzip
    """

    path: Path
    suffix: str
    size: int
    compressed: bool

    @classmethod
    def open(cls, path: Path) -> Source:
        """Look at a file.

        Raises
        ------
        CaptureError : missing, a folder, no read right, a loop of links, empty
        """
        try:
            if path.is_dir():
                raise CaptureError("this is a folder", path=path, expected="a capture file")
            with path.open("rb") as file:
                head = file.read(2)
                size = path.stat().st_size
        except OSError as trouble:
            raise CaptureError(os_reason(trouble), path=path, expected="a capture that can be read") from None
        except ValueError:
            raise CaptureError("a name that no file can have", path=path, expected="a capture file") from None
        if not head:
            raise CaptureError("the file is empty", path=path, expected="a capture",
                               do="record it again and check the space left on the disk")
        suffixes = [suffix.lower() for suffix in path.suffixes]
        zipped_name = bool(suffixes) and suffixes[-1] in (".gz", ".gzip")
        if zipped_name:
            suffixes.pop()
        suffix = suffixes[-1] if suffixes else ""
        # Packed samples may begin with any two bytes, so only their name can say that they are compressed.
        compressed = head == GZIP_MAGIC and (zipped_name or suffix != ".bin")
        if zipped_name and not compressed:
            raise CaptureError("the name ends in .gz but the content is not gzip", path=path, offset=0,
                               expected="bytes 1F 8B", do="remove .gz from the name if it is not compressed")
        return cls(path=path, suffix=suffix, size=size, compressed=compressed)

    def stream(self) -> IO[bytes]:
        """Open the content, uncompressed."""
        if self.compressed:
            return cast(IO[bytes], gzip.open(self.path, "rb"))
        return self.path.open("rb", buffering=0)

    def pieces(self, n_bytes: int) -> Iterator[bytes]:
        """Yield the content in pieces of `n_bytes` (the last one shorter).

        Raises
        ------
        CaptureError : reading fails, or compressed data end too early
        """
        with self.opened() as file:
            while piece := self._full(file, n_bytes):
                yield piece

    @contextlib.contextmanager
    def opened(self) -> Iterator[IO[bytes]]:
        """Open the content, uncompressed, for reading in the block.

        Raises
        ------
        CaptureError : reading fails, or compressed data end too early
        """
        try:
            with self.stream() as file:
                yield file
        except (OSError, EOFError, zlib.error) as trouble:
            raise self.trouble(trouble) from None

    def fill(self, file: IO[bytes], buffer: memoryview) -> int:
        """Read until a buffer is full or the file ends; return how many bytes came."""
        have = 0
        while have < len(buffer) and (n := file.readinto(buffer[have:])):  # type: ignore[attr-defined]
            have += n
        return have

    def trouble(self, trouble: Exception) -> CaptureError:
        """Return what to say about an error while reading."""
        if isinstance(trouble, OSError) and not isinstance(trouble, gzip.BadGzipFile):
            return CaptureError(os_reason(trouble), path=self.path, expected="a capture that can be read")
        return CaptureError("the compressed data are damaged or end too early", path=self.path,
                            expected="a whole gzip file", do="copy the file again")

    def head(self, n_bytes: int) -> bytes:
        """Return the first bytes of the content."""
        return next(self.pieces(n_bytes), b"")

    def everything(self, most: int) -> bytes:
        """Return the whole content.

        Raises
        ------
        CaptureError : as `pieces`, or more than `most` bytes
        """
        parts, total = [], 0
        for piece in self.pieces(1 << 22):
            parts.append(piece)
            total += len(piece)
            if total > most:
                raise CaptureError(f"more than {most} bytes", path=self.path, expected="a smaller file",
                                   do="cut the capture in pieces")
        return b"".join(parts)

    @staticmethod
    def _full(file: IO[bytes], n_bytes: int) -> bytes:
        """Read until a piece is full: a raw file or a decompressor may give less at a time."""
        first = file.read(n_bytes)
        if not first or len(first) == n_bytes:
            return first or b""
        parts, have = [first], len(first)
        while have < n_bytes and (more := file.read(n_bytes - have)):
            parts.append(more)
            have += len(more)
        return b"".join(parts)
