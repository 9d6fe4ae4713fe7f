"""FST files (.fst), read by a general library in a child process with a time limit."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture
from tapwright.core.errors import CaptureError
from tapwright.evidence.captures._source import ReadOptions, Source
from tapwright.evidence.captures._vcd_header import MOST_BITS, Header
from tapwright.evidence.captures._vcd_values import Changes, in_order
from tapwright.evidence.captures.vcd import as_capture

SUFFIXES = (".fst",)
LIMIT_S = 120.0
_HEADER_BLOCK = b"\x00\x00\x00\x00\x00\x00\x00\x01\x49"  # block type 0, its length 329


def matches(head: bytes) -> bool:
    """Return whether this looks like an FST file."""
    return head.startswith(_HEADER_BLOCK)


def read(source: Source, options: ReadOptions) -> Capture:
    """Read an FST file.

    Raises
    ------
    CaptureError : the library cannot read it, or not within two minutes
    """
    with tempfile.TemporaryDirectory(prefix="tapwright-") as folder:
        path = source.path
        if source.compressed:
            path = Path(folder) / "plain.fst"
            with path.open("wb") as file:
                for piece in source.pieces(1 << 22):
                    file.write(piece)
        out = Path(folder) / "changes.npz"
        _run(source, path, out)
        with np.load(out) as found:
            return _capture(source, {name: found[name] for name in found.files})


def _run(source: Source, path: Path, out: Path) -> None:
    command = [sys.executable, "-m", "tapwright.evidence.captures._fst_child", str(path.resolve()), str(out)]
    try:
        child = subprocess.run(command, capture_output=True, timeout=LIMIT_S, check=False)
    except subprocess.TimeoutExpired:
        raise CaptureError(f"not read within {LIMIT_S:.0f} s", path=source.path, expected="a smaller file",
                           do="convert it to .vcd with your waveform viewer's tools") from None
    if child.returncode or not out.exists():
        said = child.stderr.decode("utf-8", "replace").strip().splitlines()
        raise CaptureError(f"the file cannot be read as FST ({said[-1] if said else 'no reason given'})",
                           path=source.path, expected="an FST file", do="record it again, or export .vcd")


def _capture(source: Source, found: dict[str, NDArray[Any]]) -> Capture:
    names = found["names"].tolist()
    if not names or len(names) > MOST_BITS:
        raise CaptureError("no line of levels" if not names else f"{len(names)} lines", path=source.path,
                           expected=f"1 to {MOST_BITS} lines", do="dump the lines of interest")
    factor, exponent = found["scale"].tolist()
    header = Header(Fraction(factor) * Fraction(10) ** exponent, 0, names, found["bit_of_name"].tolist(),
                    found["widths"].tolist())
    header.n_bits = max(header.bit_of_name) + 1
    header.ignored = {str(i).encode(): name for i, name in enumerate(found["ignored"].tolist())}
    first, last = found["ends"].tolist()
    changes = Changes(found["bits"], found["ticks"], found["values"], first, last)
    return as_capture(source, header, in_order(header, changes))
