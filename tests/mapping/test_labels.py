"""Labels files: what people type is understood, what is wrong is said with its place."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.mapping.blind import blind, everything, play
from tests.mapping.driver import labels_of, layout_of

from tapwright.core.errors import LabelError
from tapwright.core.frame import Frames
from tapwright.evidence.labels import is_number, normal_display, read_labels, write_labels
from tapwright.mapping.find import learn

HEAD = "capture,start_s,end_s,display,unit,flags\n"


def read(tmp_path: Path, rows: str, head: str = HEAD) -> object:
    path = tmp_path / "labels.csv"
    path.write_text(head + rows, encoding="utf-8")
    return read_labels(path)


@pytest.mark.parametrize(("typed", "unit", "display", "shown_unit"), [
    ("6.8k", "Ω", "6.8", "kΩ"), ("6.82 kohm", "", "6.82", "kΩ"), ("6.8k", "kΩ", "6.8", "kΩ"), ("-0.0", "V", "-0.0", "V"),
    ("−06.82", "mV", "-06.82", "mV"), ("O.L", "MΩ", "O.L", "MΩ"), ("ol", "V", "OL", "V"), ("0L", "V", "OL", "V"),
    ("----", "", "----", ""), ("", "", "", ""), ("21,5", "°C", "21.5", "°C"), ("12.3 °C", "", "12.3", "°C"),
    ("+5", "%", "5", "%"), ("7.1 pH", "pH", "7.1", "pH"), ("Err", "V", "Err", "V"), ("- 6.8", "V", "-6.8", "V"),
])
def test_typing_is_understood(tmp_path: Path, typed: str, unit: str, display: str, shown_unit: str) -> None:
    label, = read(tmp_path, f'a.csv,1,2,"{typed}",{unit},HOLD AUTO\n')  # type: ignore[misc]
    assert (label.display, label.unit) == (display, shown_unit)
    assert sorted(label.flags) == ["AUTO", "HOLD"]


@pytest.mark.parametrize(("rows", "head", "message"), [
    ("a,1,x,5,V,\n", HEAD, "line 2, column end_s: 'x' is no number"),
    ("a,2,1,5,V,\n", HEAD, "line 2: end_s 1 is not after start_s 2"),
    ("a,1,nan,5,V,\n", HEAD, "line 2, column end_s: 'nan' is no time"),
    ("a,1,2,5,V\n", "capture,start_s,display,unit\n", "line 1: no column named end_s"),
    ("a,1,2,6.8 mV,Ω,\n", HEAD, "line 2: 'mV' typed behind the number, but 'Ω' in the column unit"),
    ("", HEAD, "no labels below the heading"), ("", "", "the file is empty"),
    ("a,1,2,5,V,,x,y\n", HEAD, "line 2: 8 cells under 6 headings"),
])
def test_wrong_files_are_refused(tmp_path: Path, rows: str, head: str, message: str) -> None:
    with pytest.raises(LabelError, match=re.escape(message)):
        read(tmp_path, rows, head)


@pytest.mark.slow
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "labels.csv"
    path.write_bytes(HEAD.encode() + data)
    try:
        labels = read_labels(path)
    except LabelError:
        return
    copy = path.with_name("copy.csv")
    write_labels(copy, labels)
    again = read_labels(copy)
    assert [(label.display, label.unit) for label in again] == [(label.display, label.unit) for label in labels]


@given(st.text(max_size=30))
def test_display_text_keeps_its_spelling_once_normal(text: str) -> None:
    once, _ = normal_display(text)
    assert normal_display(once)[0] == once
    assert not is_number(once) or float(once) is not None


@pytest.mark.slow
def test_ten_thousand_labels_are_as_good_as_their_stretches() -> None:
    """The same sixty stretches labelled over and over, one in two hundred of the labels wrong: named, all of them."""
    meter, rng = blind(4, "segments"), random.Random(4)
    session = play(meter, everything(meter, rng), rng, offset_s=0.5)
    labels = labels_of(session)
    many = [replace(labels[i % len(labels)], row=i + 1) for i in range(10_000)]
    wrong = {i for i in range(100, 10_000, 200) if many[i].display != many[i - 7].display and many[i].is_number}
    many = [replace(label, display=many[i - 7].display) if i in wrong else label for i, label in enumerate(many)]
    report = learn({"a.csv": Frames.of(session.frames, session.t_s)}, many, layout=layout_of(meter))
    assert report.reading_map is not None
    assert report.reading_map.kind == "segments"
    assert {gone.row - 1 for gone in report.labels_contradicted} == wrong
