"""The job's supply question, also where nothing ever ends."""

from __future__ import annotations

from pathlib import Path

from tapwright.evidence.job_file import load_job
from tapwright.job.desk import Desk
from tapwright.job.questions.supply import answer


def test_cells_that_nothing_is_drawn_from_have_an_answer(tmp_path: Path) -> None:
    """Without a load there is no run time to print."""
    (tmp_path / "job.toml").write_text('name = "water meter"\n', encoding="utf-8")
    (tmp_path / "supply.toml").write_text(
        '[cells]\nchemistry = "alkaline"\nseries = 2\n[converter]\nkind = "none"\n[[load]]\namps = 0\n[switch]\n'
        'kind = "enable"\n', encoding="utf-8")
    found = answer(Desk(load_job(tmp_path)))
    assert found.answer.startswith("Yes: ")
    assert "nothing is ever drawn" in found.answer
