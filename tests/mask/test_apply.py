"""Masks are undone exactly, and a mask file gives back the mask it was written from."""

from __future__ import annotations

import contextlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.errors import MaskError
from tapwright.core.frame import Frames
from tapwright.core.mask import Mask, Settled, Step
from tapwright.evidence.mask_file import load_mask, mask_text, write_mask
from tapwright.mask.apply import apply_mask, unmask

keys = st.lists(st.none() | st.integers(0, 255), min_size=1, max_size=20).map(tuple)


@st.composite
def tables(draw):
    table = list(draw(st.permutations(range(256))))
    for i in draw(st.sets(st.integers(0, 255), max_size=40)):
        table[i] = None
    return tuple(table)


@st.composite
def matrices(draw):
    """Eight independent bytes: a unit triangle with its columns mixed."""
    rows = [1 << b | draw(st.integers(0, 255)) & ~((2 << b) - 1) & 255 for b in range(8)]
    return tuple(draw(st.permutations(rows)))


steps = st.one_of(
    st.just(Step(kind="none")), st.just(Step(kind="bit order")), st.just(Step(kind="nibble swap")),
    st.builds(Step, kind=st.sampled_from(["xor", "add"]), key=keys),
    st.builds(Step, kind=st.just("rotate"), bits=st.integers(1, 7)),
    st.builds(Step, kind=st.just("substitution"), table=tables()),
    st.builds(Step, kind=st.just("affine"), matrix=matrices(), constant=st.integers(0, 255)),
)
settleds = st.lists(st.builds(Settled, st.none() | st.integers(0, 30), st.binary(min_size=1, max_size=50).map(
    lambda raw: bytes(sorted(set(raw))))), max_size=3, unique_by=lambda part: part.at).map(tuple)
masks = st.builds(Mask, steps=st.lists(steps, min_size=1, max_size=3).map(tuple), settled=settleds,
                  n_bytes=st.integers(0, 20), determined_bits=st.integers(0, 104), pairs_used=st.integers(0, 60),
                  advice=st.lists(st.text(st.characters(codec="utf-8"), max_size=20), max_size=2).map(tuple))
frames = st.lists(st.binary(max_size=24), max_size=8).map(
    lambda rows: Frames.of(rows, [0.1 * i for i in range(len(rows))]))


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(mask=masks, wire=frames)
def test_unmask_undoes_apply_mask(mask: Mask, wire: Frames) -> None:
    """Wire to radio and back gives the same bytes, but for those that the mask leaves open on the way."""
    radio = apply_mask(wire, mask)
    back = unmask(radio, mask)
    assert np.array_equal(back.offsets, wire.offsets)
    open_ = np.zeros(len(wire.data), np.bool_) if back.unsettled is None else back.unsettled
    assert np.array_equal(back.data[~open_], wire.data[~open_])
    assert radio.unsettled is None or radio.unsettled[open_].all()
    if mask.is_whole:
        assert not open_.any()


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(mask=masks)
def test_a_mask_file_gives_back_its_mask(mask: Mask, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Writing and reading change nothing."""
    path = tmp_path_factory.getbasetemp() / "mask.toml"
    write_mask(path, mask)
    assert load_mask(path) == mask


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(mask=masks, data=st.data())
def test_a_damaged_mask_file_is_read_or_refused(mask: Mask, data, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A file cut short or with one byte changed parses or raises the project's own error, nothing else."""
    raw = bytearray(mask_text(mask).encode())
    at = data.draw(st.integers(0, len(raw) - 1))
    if data.draw(st.booleans()):
        raw = raw[:at]
    else:
        raw[at] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / "damaged.toml"
    path.write_bytes(bytes(raw))
    with contextlib.suppress(MaskError):
        load_mask(path)


def of(kind: str, wire: str, **parameters: object) -> str:
    """Return the radio bytes of some wire bytes, in hex."""
    mask = Mask(steps=(Step(kind=kind, **parameters),))  # type: ignore[arg-type]
    return apply_mask(Frames.of([bytes.fromhex(wire)], [0.0]), mask).data.tobytes().hex(" ")


def test_each_kind_is_what_its_name_says() -> None:
    """Values worked by hand from the definitions (FIPS 197 for the affine one)."""
    assert of("none", "00 5A FF") == "00 5a ff"
    assert of("xor", "00 5A FF 5A", key=(0x0F, 0xA5, 0x01)) == "0f ff fe 55"
    assert of("add", "00 5A FF 5A", key=(0x0F, 0xA6, 0x01)) == "0f 00 00 69"
    assert of("bit order", "01 80 5A B0") == "80 01 5a 0d"
    assert of("nibble swap", "12 F0") == "21 0f"
    assert of("rotate", "81 40", bits=1) == "03 80"
    # Source: FIPS 197 section 5.1.1: the affine map of the S-box, whose inverses are 00->00, 01->01, 53's is CA:
    # S(00) = 63, S(01) = 7C, S(53) = A(CA) = ED.
    rows = tuple(sum(1 << (b + k) % 8 for k in range(5)) for b in range(8))
    assert of("affine", "00 01 CA", matrix=rows, constant=0x63) == "63 7c ed"
    table = (*range(1, 256), 0)
    assert of("substitution", "00 FF", table=table) == "01 00"


KINDS = "one of none, xor, add, bit order, nibble swap, rotate, substitution, affine, or a list of them."


@pytest.mark.parametrize(("text", "message"), [
    ('kind = "xor"\nkey = "3"\n',
     "line 2, key key: '3'; expected bytes as two hex digits each, ?? for one not settled."),
    ('kind = "xor"\n', "line 1, key kind: kind 'xor' needs 'key', which is missing; expected a line 'key = ...'."),
    ('kind = "rot"\n', f"line 1, key kind: 'rot' is no mask kind; expected {KINDS}"),
    ('kind = "xor"\nkey = "00"\nkez = 1\n',
     "line 3, key kez: unknown key 'kez'; expected one of advice, constant, determined_bits, key, kind, map, matrix, "
     "mismatches, n_bytes, pairs_checked, pairs_used, rotate_bits, settled, total_bits. Did you mean 'key'?"),
    ('kind = "rotate"\nrotate_bits = 8\n', "line 2, key rotate_bits: 8; expected a whole number from 1 to 7."),
    ('kind = "none"\nkey = "00"\n',
     "line 2, key key: no step takes 'key'; expected it beside a kind that takes it, not none."),
    ('kind = "xor"\nkey = "00"\n[settled]\n1 = "0-3"\n',
     "line 4, key settled.1: '0-3'; expected radio bytes in hex and ranges of them, as in \"00-1F 40\"."),
])
def test_a_wrong_mask_file_is_named_with_its_line(text: str, message: str, tmp_path) -> None:
    """Each mistake names line, key, what was found and what was expected."""
    path = tmp_path / "mask.toml"
    path.write_text(text)
    with pytest.raises(MaskError) as error:
        load_mask(path)
    assert error.value.message() == f"{path}, {message}"
