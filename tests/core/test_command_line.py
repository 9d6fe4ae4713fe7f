"""The command line's conventions: where things are printed, exit codes, and a quick start."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapwright.cli import common
from tapwright.cli import main as command_line
from tapwright.cli.common import Outcome, as_json, table
from tapwright.cli.main import command_names, main
from tapwright.core import registry
from tapwright.core.errors import UsageError

HEAVY = ("numpy", "scipy", "numba", "polars", "pandas", "sqlalchemy", "starlette", "PIL", "uvicorn", "bleak")


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Put a command named `fake` in the place of all others; its `run` is set by the test."""
    module = SimpleNamespace(HELP="A command for tests.", run=lambda args: Outcome({"a": 1}, "one"))
    module.configure = lambda parser: parser.add_argument("--times", type=int, default=1)
    monkeypatch.setattr(command_line, "command_names", lambda: ("fake",))
    monkeypatch.setattr(registry, "member", lambda package, name: module)
    return module


def test_text_or_one_document(fake: SimpleNamespace, capsys: pytest.CaptureFixture[str]) -> None:
    """Text by default, with --json the document alone; the exit code is the outcome's."""
    assert main(["fake"]) == 0
    assert capsys.readouterr() == ("one\n", "")
    fake.run = lambda args: Outcome({"times": args.times}, "no", 1)
    assert main(["fake", "--json", "--times", "3"]) == 1
    out, err = capsys.readouterr()
    assert json.loads(out) == {"times": 3}
    assert err == ""


@pytest.mark.parametrize("argv", [["none"], ["fake", "--none"], ["fake", "--times", "x"], ["fake", "extra"],
                                  ["fake", "--time", "3"], ["--none"], []])
def test_wrong_usage_is_2_with_nothing_on_standard_output(fake: SimpleNamespace, argv: list[str],
                                                          capsys: pytest.CaptureFixture[str]) -> None:
    """Unknown commands and options, wrong types, options cut short."""
    assert main(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err
    assert "Traceback" not in err


def test_bad_input_is_2_and_says_everything(fake: SimpleNamespace, capsys: pytest.CaptureFixture[str]) -> None:
    """Place, found, expected, what to do: one line on standard error."""
    def refuse(args: argparse.Namespace) -> Outcome:
        raise UsageError("no pad column", path="survey.csv", line=1, expected="pad", do="write a header")

    fake.run = refuse
    assert main(["fake", "--json"]) == 2
    assert capsys.readouterr() == ("", "tapwright: survey.csv, line 1: no pad column; expected pad. Write a header.\n")


def test_what_the_system_refuses_is_2(fake: SimpleNamespace, capsys: pytest.CaptureFixture[str]) -> None:
    """An error of the operating system names the file, not a traceback."""
    def missing(args: argparse.Namespace) -> Outcome:
        return Outcome({}, Path("no/such/file").read_text())

    fake.run = missing
    assert main(["fake"]) == 2
    assert capsys.readouterr() == ("", "tapwright: no/such/file: no such file or directory.\n")


def test_a_fault_of_its_own_is_no_fault_of_the_input(fake: SimpleNamespace, capsys: pytest.CaptureFixture[str],
                                                     monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Its own exit code, the details in a file, no traceback on the terminal."""
    monkeypatch.setattr(command_line.tempfile, "gettempdir", lambda: str(tmp_path))

    def broken(args: argparse.Namespace) -> Outcome:
        raise ZeroDivisionError("deliberate")

    fake.run = broken
    assert main(["fake"]) == 70
    out, err = capsys.readouterr()
    assert out == ""
    assert "a fault of its own (ZeroDivisionError: deliberate)" in err
    assert "Traceback" not in err
    (details,) = tmp_path.iterdir()
    assert "Traceback" in details.read_text()


def test_the_list_of_commands(capsys: pytest.CaptureFixture[str]) -> None:
    """`--help` lists every command with the first line of its help; `--version` prints one line."""
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    for name in command_names():
        assert f"\n  {name}" in out
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("tapwright ")


@pytest.mark.slow
def test_help_loads_no_heavy_library() -> None:
    """Every command's --help, in one fresh interpreter; what it loaded is then looked at."""
    program = f"""
import contextlib, io, sys
from tapwright.cli.main import command_names, main
for name in command_names():
    with contextlib.redirect_stdout(io.StringIO()) as out:
        try:
            main([name, "--help"])
        except SystemExit as left:
            assert not left.code, name
    assert out.getvalue().startswith("usage: tapwright " + name), name
    loaded = [library for library in {HEAVY!r} if library in sys.modules]
    assert not loaded, (name, loaded)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.slow
def test_a_reader_that_leaves_early_is_no_error() -> None:
    """`tapwright --help | head -0`: no message, exit 0."""
    with subprocess.Popen([sys.executable, "-m", "tapwright", "--help"], stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        err = process.stderr.read()
        assert process.wait(timeout=60) == 0
    assert err == b""


@given(st.recursive(st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=5)),
                    lambda inner: st.one_of(st.lists(inner, max_size=3),
                                            st.dictionaries(st.text(max_size=4), inner, max_size=3)), max_leaves=8))
def test_documents_of_plain_values_come_back(document: object) -> None:
    """json.loads inverts as_json."""
    assert json.loads(as_json(document)) == document


def test_numbers_of_numpy_and_numbers_that_are_none() -> None:
    """numpy scalars and arrays become plain; what is not finite becomes null, as JSON has no such number."""
    document = {"a": np.float64(1.5), "b": np.arange(3), "c": float("nan"), "d": [float("inf")], "e": (1, 2),
                "f": np.bool_(True), "g": Path("x")}
    assert json.loads(as_json(document)) == {"a": 1.5, "b": [0, 1, 2], "c": None, "d": [None], "e": [1, 2], "f": True,
                                             "g": "x"}


def test_tables_are_aligned() -> None:
    """Two spaces between columns, no trailing blanks."""
    assert table(("pad", "role"), [("1", "ground"), ("11", "data")]) == "pad  role\n1    ground\n11   data"
    assert table(("pad",), []) == ""


def test_the_usual_places_of_a_job_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file given wins; else the job folder's; else it is said what is missing."""
    monkeypatch.chdir(tmp_path)
    args = argparse.Namespace(job=None)
    assert common.from_job(args, "given.csv", "survey.csv", "SURVEY") == Path("given.csv")
    with pytest.raises(UsageError, match=r"no SURVEY given, and no job\.toml in the current folder"):
        common.from_job(args, None, "survey.csv", "SURVEY")
    (tmp_path / "job.toml").write_text("")
    with pytest.raises(UsageError, match=r"no SURVEY given, and the job folder has no survey\.csv"):
        common.from_job(args, None, "survey.csv", "SURVEY")
    (tmp_path / "survey.csv").write_text("")
    assert common.from_job(args, None, "survey.csv", "SURVEY") == Path("survey.csv")
    with pytest.raises(UsageError, match=r"no job\.toml in this folder; expected a job folder"):
        common.job_folder(argparse.Namespace(job=str(tmp_path / "none")))
