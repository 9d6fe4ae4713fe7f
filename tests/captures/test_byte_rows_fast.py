"""Large files of bytes are read by a library: the same answer, or the same error, as row by row."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapwright.core.errors import CaptureError
from tapwright.evidence import byte_rows

CELLS = st.tuples(st.sampled_from(["0", "0.5", " 1.25", "2e0", "3", "x", "", "nan", "-1", "5e9"]),
                  st.sampled_from(["rx", "tx", "", '"a,b"', "é"]),
                  st.sampled_from(["00", "ff", " 7F", "1FF", "g0", "", "123456789abcdef0", "+1"]),
                  st.sampled_from(["", "framing", "parity ", "broken", "odd"]))


def read(path: Path, fast_from: int) -> object:
    """Return what the file holds, or the error's words."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(byte_rows, "FAST_FROM_BYTES", fast_from)
        try:
            found = byte_rows.read_byte_rows(path)
        except CaptureError as trouble:
            return trouble.message()
    return [(row.channel, row.t_s.tolist(), row.values.tolist(), row.errors.tolist(), row.bits) for row in found]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(CELLS, max_size=6), st.booleans())
def test_both_ways_agree(tmp_path: Path, cells: list[tuple[str, ...]], crlf: bool) -> None:
    path = tmp_path / "rx.csv"
    rows = [byte_rows.HEADER, *(",".join(row) for row in cells), ""]
    path.write_bytes(("\r\n" if crlf else "\n").join(rows).encode())
    assert read(path, 0) == read(path, 1 << 40)


def test_sound_rows_take_the_fast_way(tmp_path: Path) -> None:
    """Two channels, errors, words of two sizes: nothing here is odd."""
    path = tmp_path / "rx.csv"
    path.write_text(byte_rows.HEADER + "\n0,rx,0A,\n0.5,tx,1FF,parity\n1,rx,FF,framing\n", encoding="ascii")
    fast = byte_rows._read_fast(path)
    assert fast is not None
    assert [(row.channel, row.values.tolist(), row.bits) for row in fast] == [("rx", [10, 255], 8), ("tx", [511], 12)]
    assert fast[0].t_s.dtype == np.float64
