"""A fuzz target over every reader, for atheris: `python tests/captures/fuzz_readers.py -runs=5000 -max_len=4096`.

The first byte chooses the ending, the second the ways of reading; the rest is the file.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tapwright.core.errors import TapwrightError
from tapwright.evidence.captures import _vcd_values, packed, read_capture, table, vcd

SUFFIXES = (".vcd", ".csv", ".tsv", ".bin", ".vcd.gz", ".csv.gz", ".unknown")  # .fst is read by a child process
FOLDER = Path(tempfile.mkdtemp(prefix="fuzz-"))


def one_input(data: bytes) -> None:
    """Read one file; anything but a capture or our own error is a fault, and so are edges that do not rise."""
    if len(data) < 3:
        return
    suffix, way = SUFFIXES[data[0] % len(SUFFIXES)], data[1]
    small = way & 1
    vcd.COMPILED_FROM = packed.COMPILED_FROM = table.FAST_FROM_BYTES = 1 if small else 1 << 40
    vcd.PIECE_BYTES = _vcd_values.PIECE_BYTES = 64 if way & 2 else 1 << 20
    path = FOLDER / f"f{suffix}"
    path.write_bytes(data[2:])
    try:
        capture = read_capture(path, rate_hz=1e6, width=16 if way & 4 else 8)
    except TapwrightError as error:
        if "\n" in error.message():
            raise AssertionError(error.message()) from error
        return
    for channel in capture.channels:
        if not (channel.edge_ticks[1:] > channel.edge_ticks[:-1]).all():
            raise AssertionError(channel)


def main() -> None:
    """Hand over to atheris."""
    import atheris  # type: ignore[import-not-found]

    atheris.instrument_all()
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
