"""Capture files as edges: `read_capture` finds the format's module in this folder by name or content.

A member module has `SUFFIXES`, `matches(head)` and `read(source, options)`; adding a format is adding a file.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

from tapwright.core import registry
from tapwright.core.capture import Capture
from tapwright.core.errors import CaptureError, UsageError
from tapwright.evidence.captures._source import HEAD_BYTES, ReadOptions, Source

# The member of each suffix, so that reading one format imports one module; a member not named here is found by
# asking every member for its `SUFFIXES`.
_QUICK = {".vcd": "vcd", ".csv": "table", ".tsv": "table", ".bin": "packed", ".fst": "fst"}


def read_capture(
    path: Path, *, rate_hz: float | None = None, width: int = 8, low_v: float | None = None,
    high_v: float | None = None, progress: Callable[[float], None] | None = None,
) -> Capture:
    """Read a capture file.

    Parameters
    ----------
    path : .vcd, .csv, .tsv, .bin or .fst, plain or gzip-compressed (then with `.gz` behind, or not); without a
        known ending the content decides
    rate_hz : samples a second; needed for .bin
    width : bits a sample of a .bin, 8 or 16
    low_v, high_v : thresholds for columns of volts: below `low_v` is 0, above `high_v` is 1; found where not given
    progress : is told the share of the file that is read, 0 to 1

    Raises
    ------
    CaptureError : the file cannot be read, or its content is wrong (with line or byte)
    UsageError : options that do not fit the file
    """
    path = Path(path)
    options = ReadOptions(rate_hz=rate_hz, width=width, low_v=low_v, high_v=high_v, progress=progress)
    options.check(path)
    source = Source.open(path)
    capture: Capture = _member(source).read(source, options)
    return capture


def _member(source: Source) -> ModuleType:
    suffix = source.suffix
    if suffix in _QUICK:
        return registry.member(__name__, _QUICK[suffix])
    members = registry.members(__name__)
    by_name = [name for name, module in members.items() if suffix in module.SUFFIXES]
    fits = by_name or [name for name, module in members.items() if module.matches(source.head(HEAD_BYTES))]
    if len(fits) == 1:
        return members[fits[0]]
    if fits:
        raise CaptureError(f"the content fits several kinds of capture: {', '.join(fits)}", path=source.path,
                           do="give the file its usual ending")
    endings = ", ".join(sorted(suffix for module in members.values() for suffix in module.SUFFIXES))
    raise CaptureError(f"the ending '{suffix}' is none of a capture, and the content is not recognised",
                       path=source.path, expected=f"one of {endings} (also with .gz)",
                       do="for packed samples use the ending .bin and give --rate")


__all__ = ["ReadOptions", "Source", "UsageError", "read_capture"]
