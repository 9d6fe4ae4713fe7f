"""Arbitrary bytes under every ending: hypothesis always, atheris (which follows branches) where it is installed."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.evidence.captures import _vcd_values, packed, table, vcd
from tests.captures.fuzz_readers import one_input
from tests.captures.test_errors import CSV, VCD

WAYS = st.tuples(st.integers(0, 6), st.integers(0, 7)).map(bytes)
PIECES = st.one_of(st.binary(max_size=40), st.sampled_from([VCD, CSV, b"0,1\n", b"#5\n1!\n", b"b1x #\n", b"1e5,", b"\n"]))


@pytest.fixture(scope="module", autouse=True)
def unchanged() -> Iterator[None]:
    """Put back what the target sets."""
    names = [(vcd, "COMPILED_FROM"), (packed, "COMPILED_FROM"), (table, "FAST_FROM_BYTES"), (vcd, "PIECE_BYTES"),
             (_vcd_values, "PIECE_BYTES")]
    with pytest.MonkeyPatch.context() as patch:
        for module, name in names:
            patch.setattr(module, name, getattr(module, name))
        yield


@pytest.mark.slow
@settings(max_examples=1500, deadline=None)
@given(way=WAYS, parts=st.lists(PIECES, max_size=6))
def test_any_bytes_are_read_or_refused(way: bytes, parts: list[bytes]) -> None:
    """No error but our own, in one line; edges rise."""
    one_input(way + b"".join(parts))


@pytest.mark.slow
def test_atheris_finds_nothing() -> None:
    """5000 runs of the target."""
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris is not installed (it has no wheel for every Python)")
    target = Path(__file__).with_name("fuzz_readers.py")
    done = subprocess.run([sys.executable, str(target), "-runs=5000", "-max_len=4096"], capture_output=True, text=True,
                          check=False, timeout=600)
    assert done.returncode == 0, done.stderr[-2000:]
