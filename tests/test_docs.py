"""Every command and every option has its place in docs/reference; the docs name no option that is not there."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest

from tapwright.cli.main import PACKAGE, command_names
from tapwright.core import registry

REFERENCE = Path(__file__).parents[1] / "docs" / "reference"
COMMON = {"--json", "--job", "--help"}


def options(name: str) -> set[str]:
    """The long options of a command."""
    parser = argparse.ArgumentParser()
    registry.member(PACKAGE, name).configure(parser)
    return {option for action in parser._actions for option in action.option_strings if option.startswith("--")}


@pytest.mark.parametrize("name", command_names())
def test_every_option_is_documented(name: str) -> None:
    """docs/reference/<command>.md names each long option."""
    text = (REFERENCE / f"{name}.md").read_text(encoding="utf-8")
    missing = {option for option in options(name) - COMMON if not re.search(rf"{re.escape(option)}\b", text)}
    assert missing == set()


@pytest.mark.parametrize("name", command_names())
def test_no_documented_option_is_invented(name: str) -> None:
    """Options in the first cells of the page's tables exist."""
    text = (REFERENCE / f"{name}.md").read_text(encoding="utf-8")
    cells = [line.split("|")[1] for line in text.splitlines() if line.startswith("| `--")]
    named = {option for cell in cells for option in re.findall(r"--[a-z][a-z-]+", cell)}
    assert named <= options(name) | COMMON


def test_every_decision_and_seam_member_can_be_found() -> None:
    """Sources have a row in serve.md; check and mask kinds are named on their commands' pages."""
    serve = (REFERENCE / "serve.md").read_text(encoding="utf-8")
    for source in registry.names("tapwright.live.sources"):
        assert f"`{source}:" in serve, source
    frames = (REFERENCE / "frames.md").read_text(encoding="utf-8") if (REFERENCE / "frames.md").exists() else None
    for kind in registry.names("tapwright.frames.checks"):
        assert frames is None or kind.replace("_", " ") in frames, kind


def test_every_key_of_a_description_is_documented() -> None:
    """docs/reference/instrument.md names each key that the file's readers know."""
    from tapwright.evidence import instrument_file, map_values

    text = (REFERENCE / "instrument.md").read_text(encoding="utf-8")
    known = {key for module in (instrument_file, map_values) for name, keys in vars(module).items()
             if re.fullmatch(r"_[A-Z]+_KEYS", name) for key in keys}
    assert known > {"watch", "gap_s", "xorout"}  # the lists are where they are looked for
    missing = {key for key in known if not re.search(rf"[`.\[]{key}\b", text)}
    assert missing == set()
