"""Every change is kept and can be undone; nothing outside the folder is ever touched."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.errors import UsageError
from tapwright.job.journal import Journal


@given(contents=st.lists(st.binary(max_size=40), min_size=1, max_size=8))
@settings(max_examples=40, deadline=None)
def test_undoing_all_changes_in_turn_gives_back_every_version(contents: list[bytes],
                                                              tmp_path_factory: pytest.TempPathFactory) -> None:
    """Write versions, then undo from the newest on: each earlier version comes back, last the file's absence."""
    folder = tmp_path_factory.mktemp("job")
    journal = Journal(folder)
    numbers = [journal.write("labels.csv", content, "typed").number for content in contents]
    for number, before in zip(reversed(numbers), [*reversed(contents[:-1]), None], strict=True):
        journal.undo(number)
        path = folder / "labels.csv"
        assert (path.read_bytes() if path.exists() else None) == before
    assert len(journal.entries()) == 2 * len(contents)


def test_an_undo_can_be_undone(tmp_path: Path) -> None:
    """Taking back the taking back restores the change."""
    journal = Journal(tmp_path)
    journal.write("a.csv", b"1", "first")
    second = journal.write("a.csv", b"2", "second")
    undone = journal.undo(second.number)
    assert (tmp_path / "a.csv").read_bytes() == b"1"
    journal.undo(undone.number)
    assert (tmp_path / "a.csv").read_bytes() == b"2"


def test_a_change_from_outside_is_not_lost_by_an_undo(tmp_path: Path) -> None:
    """The file was edited by hand since: undo refuses and says what to do."""
    journal = Journal(tmp_path)
    entry = journal.write("a.csv", b"1", "first")
    (tmp_path / "a.csv").write_bytes(b"by hand")
    with pytest.raises(UsageError, match=r"^a\.csv has changed since; expected the content that this change left\."):
        journal.undo(entry.number)
    assert (tmp_path / "a.csv").read_bytes() == b"by hand"


@pytest.mark.parametrize("name", ["../x", "/etc/passwd", "journal/entries.jsonl", "a/../../x", "journal"])
def test_names_never_escape_the_folder(tmp_path: Path, name: str) -> None:
    """Neither outside the folder nor into the journal itself."""
    with pytest.raises(UsageError, match="is not a file of this job"):
        Journal(tmp_path).write(name, b"x", "bad")


def test_a_removed_file_is_kept(tmp_path: Path) -> None:
    """A dropped capture taken out again can be put back by undo."""
    journal = Journal(tmp_path)
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "a.vcd").write_bytes(b"$end")
    journal.added("captures/a.vcd", "dropped")
    entry = journal.remove("captures/a.vcd", "taken out")
    assert not (tmp_path / "captures" / "a.vcd").exists()
    journal.undo(entry.number)
    assert (tmp_path / "captures" / "a.vcd").read_bytes() == b"$end"
