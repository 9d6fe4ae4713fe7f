"""Whole runs of the command against cases that were worked out a second way (see blind.py)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.agreement import blind

from tapwright.cli.main import main

SEEDS = range(24)


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_the_document_is_what_the_second_way_gives(seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every figure of the contract agrees to nine digits, every verdict and the exit code exactly."""
    made = blind.case(seed)
    assert main(made.write(tmp_path)) == made.exit_code
    document = json.loads(capsys.readouterr().out)
    for key, want in made.want.items():
        if key == "points":
            assert [p["point"] for p in document["points"]] == [p["point"] for p in want]  # type: ignore[attr-defined, index]
            for got, expected in zip(document["points"], want, strict=True):  # type: ignore[call-overload]
                same(got, expected)
        else:
            same(document[key], want)


def same(got: object, want: object) -> None:
    """Compare as the contract's reader would: numbers nearly, all else exactly, further keys allowed."""
    if isinstance(want, dict):
        assert isinstance(got, dict)
        for key, value in want.items():
            same(got[key], value)
    elif isinstance(want, (list, tuple)):
        assert isinstance(got, list)
        assert len(got) == len(want)
        for a, b in zip(got, want, strict=True):
            same(a, b)
    elif isinstance(want, float):
        assert got == pytest.approx(want, rel=1e-9, abs=1e-9)
    else:
        assert got == want
