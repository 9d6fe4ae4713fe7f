"""The table of bytes: written and read back, as text that other programs can read."""

from __future__ import annotations

import contextlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapwright.core.errors import TapwrightError
from tapwright.core.line import ByteError, LineBytes
from tapwright.evidence import byte_rows
from tapwright.evidence.byte_rows import read_byte_rows, write_byte_rows

NAMES = st.sampled_from(["0", "rx", "top.u.rx", 'odd, "name"', "µ"])
ROW = st.tuples(st.integers(-10**6, 10**12), st.integers(0, 2**60), st.integers(0, 3))


def line(name: str, rows: list[tuple[int, int, int]], bits: int) -> LineBytes:
    """Return bytes of one channel, times in nanoseconds."""
    rows = sorted(rows)
    return LineBytes(channel=name, t_s=np.array([t for t, _, _ in rows]) / 1e9,
                     values=np.array([value & ((1 << bits) - 1) for _, value, _ in rows], np.uint64),
                     errors=np.array([error for _, _, error in rows], np.uint8), bits=bits)


@given(parts=st.dictionaries(NAMES, st.tuples(st.lists(ROW, min_size=1, max_size=20), st.integers(1, 60)), max_size=3))
def test_rows_are_read_back(parts: dict[str, tuple[list[tuple[int, int, int]], int]],
                            tmp_path_factory: pytest.TempPathFactory) -> None:
    """Times to the nanosecond, values, errors and names survive."""
    path = tmp_path_factory.getbasetemp() / "rows.csv"
    written = [line(name, rows, bits) for name, (rows, bits) in parts.items()]
    write_byte_rows(path, written)
    found = {row.channel: row for row in read_byte_rows(path)}
    assert set(found) == set(parts)
    for row in written:
        other = found[row.channel]
        assert np.abs(other.t_s - row.t_s).max() < 2e-9
        assert other.values.tolist() == row.values.tolist()
        assert other.errors.tolist() == row.errors.tolist()
        assert other.bits == (row.bits + 3) // 4 * 4
    times = [float(text.split(",", 1)[0]) for text in path.read_text("utf-8").splitlines()[1:]]
    assert times == sorted(times)


def test_the_text_is_as_the_contract_says(tmp_path: Path) -> None:
    """`t_s,channel,hex,error`, a row a byte; a word has as many digits as it needs."""
    a = LineBytes(channel="rx", t_s=np.array([0.0020833333, 12.5]), values=np.array([0x41, 7], np.uint64),
                  errors=np.array([0, ByteError.PARITY], np.uint8), bits=7)
    b = LineBytes(channel="sda", t_s=np.array([1.0]), values=np.array([0xF4240], np.uint64),
                  errors=np.array([ByteError.BROKEN], np.uint8), bits=24)
    write_byte_rows(tmp_path / "b.csv", [a, b])
    assert (tmp_path / "b.csv").read_text() == (
        "t_s,channel,hex,error\n0.002083333,rx,41,\n1.000000000,sda,0F4240,broken\n12.500000000,rx,07,parity\n")


@pytest.mark.parametrize(("text", "message"), [
    ("", "line 1: a header ''; expected t_s,channel,hex,error"),
    ("t_s,hex\n0,41\n", "line 1: a header 't_s,hex'"),
    ("t_s,channel,hex,error\n0,rx,41\n", "line 2: 3 cells; expected 4"),
    ("t_s,channel,hex,error\nx,rx,41,\n", "line 2: a time 'x'"),
    ("t_s,channel,hex,error\n1,rx,41,\n0.5,rx,41,\n", "line 3: a time '0.5'; expected seconds that do not fall"),
    ("t_s,channel,hex,error\n1,rx,4G,\n", "line 2: '4G'; expected 1 to 16 hex digits"),
    ("t_s,channel,hex,error\n1,rx,41,odd\n", "line 2: an error 'odd'; expected empty, framing, parity or broken"),
])
def test_bad_tables(text: str, message: str, tmp_path: Path) -> None:
    """The line, what was found, what was expected."""
    (tmp_path / "b.csv").write_text(text)
    with pytest.raises(TapwrightError) as found:
        read_byte_rows(tmp_path / "b.csv")
    assert message in str(found.value)


@given(data=st.binary(max_size=120))
def test_any_bytes_are_read_or_refused(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    """No other error than our own."""
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(b"t_s,channel,hex,error\n" + data)
    with contextlib.suppress(TapwrightError):
        read_byte_rows(path)


def test_machine_code_writes_the_same(tmp_path: Path) -> None:
    """Long tables are written by a loop of machine code: every digit as in the other way, times below zero too."""
    r = np.random.default_rng(8)
    n = 500
    row = LineBytes(channel='a "b"', t_s=np.sort(r.uniform(-2, 40_000, n)), values=r.integers(0, 512, n, np.uint64),
                    errors=r.integers(0, 4, n, np.uint8), bits=9)
    write_byte_rows(tmp_path / "plain.csv", [row])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(byte_rows, "COMPILED_FROM", 1)
        write_byte_rows(tmp_path / "loop.csv", [row])
    assert (tmp_path / "loop.csv").read_bytes() == (tmp_path / "plain.csv").read_bytes()
