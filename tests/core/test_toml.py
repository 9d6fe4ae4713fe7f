"""TOML with places: the standard parser's values, and the line of every key."""

from __future__ import annotations

import contextlib
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.errors import DescriptionError, PlanError
from tapwright.core.toml import load_toml, parse_toml

HERE = Path("plan.toml")
keys = st.from_regex(r"[a-z][a-z0-9_-]{0,7}", fullmatch=True)
values = st.one_of(st.integers(-99, 99).map(str), st.sampled_from(["true", '"text"', "'a = b'", "[1, 2]", "0.5", "{x = 1}",
                                                                   '"# no comment"']))


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[str, int]]:
    """Draw a TOML text and the line at which each dotted key stands."""
    lines: list[str] = []
    places: dict[str, int] = {}

    def body(prefix: str) -> None:
        for key in draw(st.lists(keys, unique=True, max_size=4)):
            for _ in range(draw(st.integers(0, 1))):
                lines.append(draw(st.sampled_from(["", "# a = 1", "   "])))
            value = draw(values)
            places[prefix + key] = len(lines) + 1
            lines.append(f"{draw(st.sampled_from(['', '  ']))}{key} = {value}" + draw(st.sampled_from(["", "  # why"])))

    body("")
    used = {name.partition(".")[0] for name in places}
    for table in draw(st.lists(keys.filter(lambda name: name not in used), unique=True, max_size=3)):
        count = draw(st.integers(0, 2))
        for i in range(max(count, 1)):
            name = f"{table}.{i}" if count else table
            places.setdefault(table, len(lines) + 1)
            places[name] = len(lines) + 1
            lines.append(f"[[{table}]]" if count else f"[{table}]")
            body(name + ".")
    return "\n".join(lines) + "\n", places


@settings(max_examples=25)
@given(documents())
def test_every_key_has_its_line(made: tuple[str, dict[str, int]]) -> None:
    """Values are those of tomllib, lines those of the text."""
    text, places = made
    file = parse_toml(text, HERE)
    assert file.values == tomllib.loads(text)
    for key, line in places.items():
        assert file.line_of(key) == line, key


@settings(max_examples=60)
@given(st.one_of(st.text(max_size=60), st.text("a=1[]\n\"'#.{}", max_size=60)))
def test_any_text_is_parsed_or_refused(text: str) -> None:
    """What tomllib takes is taken, all else is refused with the file's own error."""
    with contextlib.suppress(DescriptionError):
        assert parse_toml(text, HERE).values == tomllib.loads(text)


def test_what_is_no_toml_is_refused_with_its_line() -> None:
    """Line and file are named, and what kind of file was expected."""
    with pytest.raises(DescriptionError, match=r"^plan\.toml, line 2: .*; expected TOML\. Mend that line\.$") as error:
        parse_toml("a = 1\nb = = 2\n", HERE)
    assert error.value.line == 2
    with pytest.raises(PlanError, match="line 3"):
        parse_toml("a = 1\n\n[cells\n", HERE, error=PlanError)
    with pytest.raises(DescriptionError, match="TOML"):
        parse_toml("a = " + "[" * 5000, HERE)


def test_unknown_keys_are_named_with_the_nearest_known() -> None:
    """The place, the key, and what was probably meant."""
    file = parse_toml("[cells]\nsize = 'AA'\n\n[[load]]\namps = 1\n\n[[load]]\namp = 2\n", HERE)
    loads = file.values["load"]
    assert isinstance(loads, list)
    with pytest.raises(DescriptionError,
                       match=r"^plan\.toml, line 8, key load\.1\.amp: unknown key 'amp'; expected one of amps, seconds"
                             r"\. Did you mean 'amps'\?$"):
        file.check_keys("load.1", loads[1], ("amps", "seconds"))
    file.check_keys("load.0", loads[0], ("amps", "seconds"))


def test_keys_under_the_newest_item_of_an_array() -> None:
    """A sub-table belongs to the item above it; an inline or unknown key gives its table's line."""
    file = parse_toml("[[a]]\nx = 1\n[a.b]\ny = 2\n[[a]]\n[a.b]\ny = 3\nz = {q = 1}\n", HERE)
    assert file.line_of("a.0.b.y") == 4
    assert file.line_of("a.1.b.y") == 7
    assert file.line_of("a.1.b.z.q") == 8
    assert file.line_of("a.1.b.none") == 6
    assert file.line_of("none") is None


def test_arrays_of_tables_within_arrays() -> None:
    file = parse_toml("[[a]]\n[[a.b]]\nx = 1\n[[a.b]]\nx = 2\n[a.b.c]\ny = 3\n[[a]]\n[[a.b]]\nx = 4\n", HERE)
    assert [file.line_of(key) for key in ("a.0.b.0.x", "a.0.b.1.x", "a.0.b.1.c.y", "a.1.b.0.x")] == [3, 5, 7, 10]


def test_text_that_looks_like_keys_is_none() -> None:
    """Inside a string of several lines nothing is a key."""
    file = parse_toml('a = """ [\nb = 1\n[c]\n"""\nb = 2\n', HERE)
    assert file.line_of("b") == 5
    assert file.line_of("c") is None


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    """Missing, a folder, not text."""
    with pytest.raises(PlanError, match="no such file"):
        load_toml(tmp_path / "none.toml", error=PlanError)
    with pytest.raises(PlanError, match="folder"):
        load_toml(tmp_path, error=PlanError)
    (tmp_path / "bad.toml").write_bytes(b"a = 1\nb = '\xff'\n")
    with pytest.raises(PlanError, match=r"line 2.*UTF-8"):
        load_toml(tmp_path / "bad.toml", error=PlanError)


@pytest.mark.parametrize("array", ['[\n  [0, 1.6],\n  [2500, 0.9]\n]', '[  # why [\n  "a ] = 1",\n  \'x = [2\'\n]',
                                   '[\n  {x = 1},\n  {x = [1,\n   2]}\n]', '[\n[1]\n]'])
def test_rows_of_an_array_are_no_tables(array: str) -> None:
    """A curve written over several lines does not shift the places of the keys after it."""
    file = parse_toml(f"[cells]\ncurve = {array}\nsize = 'AA'\n[use]\ndays = 1\n", HERE)
    below = array.count("\n")
    assert file.line_of("cells.curve") == 2
    assert file.line_of("cells.size") == 3 + below
    assert file.line_of("use.days") == 5 + below
