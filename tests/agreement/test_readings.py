"""Reading files: what is written comes back, and anything else is refused in words."""

from __future__ import annotations

import contextlib
import csv
import io
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.agreement.pair import plain_difference
from tapwright.agreement.readings import read_both, read_readings, read_times
from tapwright.core.errors import AgreementError

numbers = st.decimals(-10**6, 10**6, places=4)
names = st.text(st.characters(blacklist_categories=["Cs", "Cc"]), min_size=1, max_size=8).map(str.strip).filter(bool)


def written(text: str | bytes) -> Path:
    """Return a temporary file with this text; hypothesis makes many in one test, so it is not a fixture."""
    with tempfile.NamedTemporaryFile(suffix=".csv", delete=False) as file:
        file.write(text if isinstance(text, bytes) else text.encode())
        return Path(file.name)


@pytest.mark.slow
@settings(max_examples=60)
@given(st.lists(st.tuples(names, numbers, st.one_of(st.none(), numbers.map(abs))), min_size=1, max_size=12))
def test_what_is_written_is_read(rows: list[tuple[str, object, object]]) -> None:
    """Names with commas, quotes and signs, numbers and uncertainties come back as they were."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["point", "value", "u"])
    writer.writerows([name, value, "" if u is None else u] for name, value, u in rows)
    path = written(text.getvalue())
    found = read_readings(path)
    path.unlink()
    assert list(found.labels) == [name for name, _, _ in rows]
    assert found.values.tolist() == [float(value) for _, value, _ in rows]  # type: ignore[arg-type]
    for got, (_, _, u) in zip(found.u.tolist(), rows, strict=True):
        assert np.isnan(got) if u is None else got == float(u)  # type: ignore[arg-type]


@pytest.mark.slow
@settings(max_examples=120)
@given(st.one_of(st.text(max_size=60), st.binary(max_size=60),
                 st.text("point,value\nt_s1.5-e\"u ", max_size=80).map(lambda s: "point,value\n" + s)))
def test_any_text_is_read_or_refused(text: str | bytes) -> None:
    """Nothing but the reader's own error ever leaves it."""
    path = written(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
    for reader in (read_readings, read_both, read_times):
        with contextlib.suppress(AgreementError):
            reader(path)
    path.unlink()


@pytest.mark.slow
@given(st.lists(st.tuples(names, numbers), min_size=1, max_size=5), st.sampled_from(["\n", "\n\n", "\r\n", "\n , \n"]))
@settings(max_examples=25)
def test_quotes_change_nothing(rows: list[tuple[str, object]], between: str) -> None:
    """The quick way for bare cells and the csv module's way for quoted ones read the same, lines too."""
    bare = [f"{name.replace(',', ' ').replace(chr(34), ' ').strip() or 'x'},{value}" for name, value in rows]
    quoted = [",".join(f'"{cell}"' for cell in row.split(",")) for row in bare]
    found = []
    for lines in (bare, quoted):
        path = written(between.join(["point,value", *lines]) + between)
        found.append(read_readings(path))
        path.unlink()
    one, two = found
    assert (one.labels, one.values.tolist(), one.lines.tolist()) == (two.labels, two.values.tolist(), two.lines.tolist())


@settings(max_examples=40)
@given(st.integers(-10**7, 10**7), st.integers(-10**7, 10**7), st.integers(0, 6))
def test_decimal_differences_are_decimal(a: int, b: int, places: int) -> None:
    """The difference of two decimals is the float nearest to their decimal difference."""
    left, right = a / 10**places, b / 10**places
    assert float(plain_difference(np.array([left]), np.array([right]))[0]) == (a - b) / 10**places


def test_crlf_byte_order_mark_and_blank_lines(tmp_path: Path) -> None:
    """As spreadsheets write it."""
    path = tmp_path / "table.csv"
    path.write_bytes("\ufeffPoint,Value,Unit\r\na, 1.5 ,kohm\r\n\r\nb,−2,kΩ\r\n".encode())
    found = read_readings(path)
    assert found.values.tolist() == [1.5, -2.0]
    assert found.units == ("kΩ", "kΩ")
    assert found.lines.tolist() == [2, 4]


def test_rows_without_a_reading_are_counted(tmp_path: Path) -> None:
    """Only rows whose status is ok hold a reading; where one was, a gap is kept in mind."""
    path = tmp_path / "readings.csv"
    path.write_text("t_s,display,value,unit,flags,status\n0,1.0,1.0,V,,ok\n1,OL,,V,,overload\n2,?,,?,,unproven\n"
                    "3,2.0,2.0,V,HOLD,ok\n")
    found = read_readings(path)
    assert found.values.tolist() == [1.0, 2.0]
    assert found.left_out == 2
    assert found.gap_before.tolist() == [False, True]


def test_no_reading_at_all_is_refused(tmp_path: Path) -> None:
    """A recording of overloads alone."""
    path = tmp_path / "readings.csv"
    path.write_text("t_s,value,unit,status\n0,,V,overload\n")
    with pytest.raises(AgreementError, match="no row whose status is ok"):
        read_readings(path)
