"""job.toml: read as written, every mistake named with key and line."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapwright.core.errors import DescriptionError
from tapwright.evidence.job_file import load_job
from tapwright.job.folder import start_job


@given(name=st.text(max_size=30))
def test_a_new_folder_loads_whatever_its_name(name: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    """The template is valid TOML and keeps the name."""
    folder = tmp_path_factory.mktemp("job")
    start_job(folder, name=name.encode("utf-8", "ignore").decode())
    assert load_job(folder).name == name.encode("utf-8", "ignore").decode().replace("\x7f", "")


def test_demands_are_read_in_one_spelling(tmp_path: Path) -> None:
    """Ω in either code point is one unit; ranges know their decimals."""
    (tmp_path / "job.toml").write_text('supply_v = 3\nunits = ["k\u2126", "k\u03a9"]\nranges = ["5.999 V", "599.9 mV", "14 pH"]\n')
    job = load_job(tmp_path)
    assert job.supply_v == 3.0
    assert job.demands.units == ("k\u03a9",)
    assert [(r.text, r.unit, r.decimals) for r in job.demands.ranges] == [
        ("5.999", "V", 3), ("599.9", "mV", 1), ("14", "pH", 0)]


@pytest.mark.parametrize(("text", "message"), [
    ('nam = "x"\n', r"line 1, key nam: unknown key 'nam'; expected one of .* Did you mean 'name'\?"),
    ('name = "x"\nshows = ["minus"]\n', r"line 2, key shows: 'minus'; expected any of negative, overload, blank\.$"),
    ("supply_v = true\n", r"line 1, key supply_v: True; expected volts, a number over 0\.$"),
    ('ranges = ["lots"]\n', r"line 1, key ranges: 'lots'; expected a greatest reading with its unit"),
    ("units = [\n", r"job\.toml, line 2: .*; expected TOML"),
])
def test_mistakes_name_key_and_line(tmp_path: Path, text: str, message: str) -> None:
    """File, line, key, found, expected."""
    (tmp_path / "job.toml").write_text(text)
    with pytest.raises(DescriptionError, match=message):
        load_job(tmp_path)
