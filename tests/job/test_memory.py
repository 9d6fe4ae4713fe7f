"""Answers are worked out anew exactly when the evidence they rest on has changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapwright.job.ask import questions
from tapwright.job.desk import Desk
from tapwright.job.folder import start_job
from tapwright.job.memory import recall, work_out
from tapwright.synth.job_folder import SUPPLY


@pytest.mark.slow
def test_an_answer_is_recalled_until_its_evidence_changes(tmp_path: Path) -> None:
    """The supply plan is edited: its answer is stale, the others' are not; a job.toml edit makes all stale."""
    start_job(tmp_path, name="meter")
    (tmp_path / "supply.toml").write_text(SUPPLY)
    modules = {module.__name__.rpartition(".")[2]: module for module in questions()}
    for name in ("supply", "agreement"):
        assert recall(modules[name], Desk.open(tmp_path)) is None
        work_out(modules[name], Desk.open(tmp_path))
    kept = recall(modules["supply"], Desk.open(tmp_path))
    assert kept is not None
    assert kept.answer.document is not None
    assert kept.answer.state == "settled"
    (tmp_path / "supply.toml").write_text(SUPPLY.replace("series = 2", "series = 3"))
    assert recall(modules["supply"], Desk.open(tmp_path)) is None
    assert recall(modules["agreement"], Desk.open(tmp_path)) is not None
    (tmp_path / "job.toml").write_text('name = "other"\n')
    assert recall(modules["agreement"], Desk.open(tmp_path)) is None


def test_bad_evidence_stops_no_other_question(tmp_path: Path) -> None:
    """A supply plan with an unknown key is told in that question's answer, naming key and line."""
    start_job(tmp_path, name="meter")
    (tmp_path / "supply.toml").write_text(SUPPLY.replace("series = 2", "serie = 2"))
    answers = {module.__name__.rpartition(".")[2]: work_out(module, Desk.open(tmp_path)).answer for module in questions()}
    assert len(answers) == 8
    assert answers["supply"].state == "none"
    assert "unknown key 'serie'" in answers["supply"].answer
    assert "line 5" in answers["supply"].answer
    assert answers["pads"].answer == "No evidence yet."
