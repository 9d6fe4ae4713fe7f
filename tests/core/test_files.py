"""Files are read with places for what is wrong, and written whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapwright.core.errors import LabelError, TapwrightError
from tapwright.core.files import atomic, read_bytes, read_text, write_bytes, write_text


def names(folder: Path) -> list[str]:
    """Return everything in a folder, hidden files too."""
    return sorted(os.listdir(folder))


def test_an_error_in_the_middle_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    """Whatever is raised while writing."""
    path = tmp_path / "mask.toml"
    path.write_text("old")

    def stop_half_way(fault: type[BaseException]) -> None:
        with atomic(path) as file:
            file.write("new, but half")
            file.flush()
            raise fault("stopped")

    for fault in (ValueError, KeyboardInterrupt, TapwrightError):
        with pytest.raises(fault):
            stop_half_way(fault)
        assert path.read_text() == "old"
        assert names(tmp_path) == ["mask.toml"]


def test_a_new_file_is_whole_and_readable(tmp_path: Path) -> None:
    """Text ends its lines with LF; bytes are as given; the usual permissions hold."""
    write_text(tmp_path / "a.csv", "µ\n2\n")
    assert (tmp_path / "a.csv").read_bytes() == "µ\n2\n".encode()
    write_bytes(tmp_path / "b.bin", b"\x00\xff")
    assert (tmp_path / "b.bin").read_bytes() == b"\x00\xff"
    umask = os.umask(0)
    os.umask(umask)
    assert stat.S_IMODE((tmp_path / "a.csv").stat().st_mode) == 0o666 & ~umask
    assert names(tmp_path) == ["a.csv", "b.bin"]


def test_permissions_and_links_are_kept(tmp_path: Path) -> None:
    """A file keeps its mode; a link stays a link and its target is replaced."""
    target = tmp_path / "target.toml"
    target.write_text("old")
    target.chmod(0o600)
    link = tmp_path / "link.toml"
    link.symlink_to(target)
    write_text(link, "new")
    assert link.is_symlink()
    assert target.read_text() == "new"
    assert stat.S_IMODE(target.stat().st_mode) == 0o600


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """A missing folder and a folder's own name; nothing is left behind."""
    with pytest.raises(TapwrightError, match=r"no such file or directory; expected a place that can be written\.$"):
        write_text(tmp_path / "none" / "a.csv", "x")
    (tmp_path / "folder").mkdir()
    with pytest.raises(TapwrightError, match="is a directory; expected a place that can be written"):
        write_text(tmp_path / "folder", "x")
    assert names(tmp_path) == ["folder"]


def test_what_cannot_be_read_is_said_in_the_callers_error(tmp_path: Path) -> None:
    """Missing, a folder, too large."""
    with pytest.raises(LabelError, match=r"none\.csv: no such file or directory; expected a file that can be read"):
        read_text(tmp_path / "none.csv", error=LabelError)
    with pytest.raises(LabelError, match="this is a folder; expected a file"):
        read_bytes(tmp_path, error=LabelError)
    (tmp_path / "big.csv").write_text("12345")
    with pytest.raises(LabelError, match="more than 4 bytes"):
        read_bytes(tmp_path / "big.csv", error=LabelError, most=4)
    assert read_bytes(tmp_path / "big.csv", most=5) == b"12345"


def test_bytes_that_are_no_text_are_placed(tmp_path: Path) -> None:
    """Line and offset of the first wrong byte; a zero byte means a binary file."""
    path = tmp_path / "labels.csv"
    path.write_bytes(b"a\nb\n\xe9t\xe9\n")
    with pytest.raises(LabelError, match=r"labels\.csv, line 3: byte 0xE9 at offset 4 is not UTF-8 text"):
        read_text(path, error=LabelError)
    path.write_bytes(b"a\nb\0\n")
    with pytest.raises(LabelError, match="line 2: a zero byte, so this is a binary file"):
        read_text(path, error=LabelError)


def test_marks_and_line_ends_are_taken_off(tmp_path: Path) -> None:
    """A byte-order mark, CRLF and old CR."""
    path = tmp_path / "labels.csv"
    path.write_bytes("\ufeffa\r\nb\rc\n".encode())
    assert read_text(path) == "a\nb\nc\n"


@given(st.text(st.characters(blacklist_characters="\r\0\ufeff", blacklist_categories=["Cs"]), max_size=60))
def test_text_comes_back(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    """What is written is read."""
    path = tmp_path_factory.getbasetemp() / "round.txt"
    write_text(path, text)
    assert read_text(path) == text
