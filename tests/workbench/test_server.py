"""The workbench's server refuses what it must: names, sizes, other sites, wrong content."""

from __future__ import annotations

import json
import urllib.parse
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.workbench.house import Open, workbench

from tapwright.core.errors import UsageError
from tapwright.job.folder import start_job
from tapwright.web.workbench.uploads import PLACES, safe_name, target


@given(name=st.text(max_size=80), kind=st.sampled_from(sorted(PLACES)))
def test_file_names_never_escape_the_folder(name: str, kind: str) -> None:
    """Whatever a dropped file is called, it lands inside the job folder or is refused."""
    folder = Path("/job")
    try:
        path = target(folder, kind, name)
    except UsageError:
        return
    assert path.is_relative_to(folder)
    assert ".." not in path.parts
    assert not path.name.startswith(".")
    assert safe_name(path.name) == path.name or "." in PLACES[kind][0]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Open]:
    """A workbench on a new folder."""
    folder = tmp_path_factory.mktemp("job")
    start_job(folder, name="meter")
    with workbench(folder) as opened:
        yield opened


@pytest.mark.slow
def test_other_sites_and_other_names_are_refused(bench: Open) -> None:
    """Host and Origin are checked: DNS rebinding and cross-site posts get 403."""
    port = urllib.parse.urlsplit(bench.url).port
    assert httpx.get(bench.url, headers={"host": f"evil.example:{port}"}).status_code == 403
    assert httpx.post(f"{bench.url}/do/learn", headers={"origin": "http://evil.example"}).status_code == 403
    policy = httpx.get(bench.url).headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "name", "content", "error"), [
    ("capture", "../../etc/cron.d/x.csv", b"a\n", None),
    ("capture", "evil.sh", b"a\n", "ends otherwise"),
    ("capture", "", b"a\n", "cannot be used"),
    ("radio", "empty.csv", b"", "the file is empty"),
    ("nothing", "a.csv", b"a\n", "is no kind of evidence"),
])
def test_drops(bench: Open, kind: str, name: str, content: bytes, error: str | None) -> None:
    """A drop is taken under a safe name, or refused in words; nothing half written stays."""
    answer = httpx.post(f"{bench.url}/drop/{kind}", params={"name": name}, content=content)
    if error is None:
        assert answer.json()["file"] == "captures/x.csv"
        assert (bench.folder / "captures" / "x.csv").read_bytes() == content
    else:
        assert answer.status_code == 400
        assert error in answer.json()["error"]
    assert not list(bench.folder.rglob("*.part"))


@pytest.mark.slow
def test_wrong_texts_are_not_kept(bench: Open) -> None:
    """A description with an unknown key is refused with its key and line; the file stays as it was."""
    before = (bench.folder / "job.toml").read_bytes()
    answer = httpx.post(f"{bench.url}/text/job", json={"text": 'name = "x"\nunit = ["V"]\n'})
    assert answer.status_code == 400
    assert "line 2, key unit: unknown key 'unit'" in answer.json()["error"]
    assert (bench.folder / "job.toml").read_bytes() == before
    assert httpx.post(f"{bench.url}/try/job", json={"text": "name = 3\n"}).json()["complaint"].startswith("job.toml, line 1")


@pytest.mark.slow
def test_edits_are_journalled_and_undone(bench: Open) -> None:
    """An edited grid is kept, listed in the journal, and undone by one click's request."""
    answer = httpx.post(f"{bench.url}/grid/survey", json={"rows": [["pad", "off", "on"], ["1", "0", "0"], ["2", "0", "3.0"]]})
    assert answer.status_code == 200
    assert (bench.folder / "survey.csv").read_text() == "pad,off,on\n1,0,0\n2,0,3.0\n"
    entries = [json.loads(line) for line in (bench.folder / "journal" / "entries.jsonl").read_text().splitlines()]
    number = next(entry["number"] for entry in entries if entry["file"] == "survey.csv")
    assert httpx.post(f"{bench.url}/undo/{number}").status_code == 200
    assert not (bench.folder / "survey.csv").exists()
    for bad in ({"rows": "x"}, {"rows": [[1]]}, {"rows": [["a"] * 500]}):
        assert httpx.post(f"{bench.url}/grid/survey", json=bad).status_code == 400
    assert httpx.post(f"{bench.url}/remove", json={"file": "../secret"}).status_code == 400


@pytest.mark.slow
def test_a_capture_is_used_where_it_lies_and_the_original_is_never_touched(bench: Open, tmp_path: Path) -> None:
    """A link, undone like any edit; what is no capture, or not there, is refused in words."""
    outside = tmp_path / "outside.csv"
    outside.write_text("t_s,a\n0,0\n1,1\n")
    link = bench.folder / "captures" / "outside.csv"
    answer = httpx.post(f"{bench.url}/point", json={"path": str(outside)})
    assert answer.status_code == 200, answer.text
    assert link.resolve() == outside
    assert httpx.post(f"{bench.url}/undo/{answer.json()['number']}").status_code == 200
    assert not link.is_symlink()
    assert outside.read_text() == "t_s,a\n0,0\n1,1\n"
    for path in (str(tmp_path / "missing.csv"), "/etc/passwd", str(tmp_path), ""):
        refused = httpx.post(f"{bench.url}/point", json={"path": path})
        assert refused.status_code == 400, path
        assert refused.json()["error"]


@pytest.mark.slow
def test_captions_become_labels_only_when_kept(bench: Open) -> None:
    """Dropped, looked at, kept, undone: the rows are those of the caption file (WebVTT, W3C), and only then there."""
    capture, captions = b"t_s,hex\n0,5A01\n2,5A02\n", b"WEBVTT\n\n00:00.100 --> 00:01.900\n6.82 mg/L AUTO\n"
    for kind, name, content in (("capture", "pond.csv", capture), ("subtitles", "pond.vtt", captions)):
        assert httpx.post(f"{bench.url}/drop/{kind}", params={"name": name}, content=content).status_code == 200
    asked = {"file": "captures/pond.vtt", "capture": "pond.csv"}
    assert httpx.get(f"{bench.url}/captions", params=asked).status_code == 200
    labels = bench.folder / "labels.csv"
    before = labels.read_text() if labels.exists() else None
    answer = httpx.post(f"{bench.url}/captions", json=asked)
    assert answer.status_code == 200, answer.text
    assert "pond.csv,0.1,1.9,6.82,mg/L,AUTO" in labels.read_text()
    assert httpx.post(f"{bench.url}/undo/{answer.json()['number']}").status_code == 200
    assert (labels.read_text() if labels.exists() else None) == before


@pytest.mark.slow
def test_captions_of_the_same_name_replace_the_earlier_ones(bench: Open) -> None:
    """Corrected against the video and dropped again: the new text is there, the old one in the journal."""
    for text in (b"WEBVTT\n\n00:00.100 --> 00:01.900\n1.00 mg/L\n", b"WEBVTT\n\n00:00.100 --> 00:01.900\n2.00 mg/L\n"):
        answer = httpx.post(f"{bench.url}/drop/subtitles", params={"name": "again.vtt"}, content=text)
        assert answer.status_code == 200, answer.text
        assert (bench.folder / "captures" / "again.vtt").read_bytes() == text
    assert httpx.post(f"{bench.url}/undo/{answer.json()['number']}").status_code == 200
    assert b"1.00" in (bench.folder / "captures" / "again.vtt").read_bytes()


@pytest.mark.slow
def test_a_written_dossier_is_in_the_journal(bench: Open) -> None:
    """The file that a button wrote is a change like any other: listed, and taken back."""
    assert httpx.post(f"{bench.url}/do/report", json={}, timeout=120).status_code == 200
    entry = [json.loads(line) for line in (bench.folder / "journal" / "entries.jsonl").read_text().splitlines()
             if "report/dossier.html" in line][-1]
    assert (entry["what"], entry["before"]) == ("wrote the dossier", "")
    assert httpx.post(f"{bench.url}/undo/{entry['number']}").status_code == 200
    assert not (bench.folder / "report" / "dossier.html").exists()


@pytest.mark.slow
def test_a_table_that_cannot_be_read_replaces_none(bench: Open) -> None:
    """A survey dropped where labels go is refused with the reader's words; the labels that are there stay."""
    labels = bench.folder / "labels.csv"
    good = b"capture,start_s,end_s,display,unit,flags\nx.csv,1,3,6.82,mg/L,AUTO\n"
    assert httpx.post(f"{bench.url}/drop/labels", params={"name": "labels.csv"}, content=good).status_code == 200
    wrong = httpx.post(f"{bench.url}/drop/labels", params={"name": "survey.csv"}, content=b"pad,on\n1,0\n2,2.9\n")
    assert wrong.status_code == 400
    assert "no column named start_s" in wrong.json()["error"].lower()
    assert "the labels.csv that is here stays" in wrong.json()["error"].lower()
    assert labels.read_bytes() == good
    httpx.post(f"{bench.url}/remove", json={"file": "labels.csv"})
