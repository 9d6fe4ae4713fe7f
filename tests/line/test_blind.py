"""Lines of an HDL simulator: settings and every byte, or openly uncertain; the truth always among the answers."""

from __future__ import annotations

from bisect import bisect_right
from pathlib import Path

import pytest
from tests.line.blind import PARITIES, Line, lines, simulate

from tapwright.core.capture import Capture
from tapwright.evidence.captures import read_capture
from tapwright.line.find import find_lines
from tapwright.line.report import ChannelReport, LineReport


def form_of(channel: ChannelReport) -> tuple[int, str, float, bool]:
    """Return what the report says, as `Line.form`."""
    s = channel.settings
    assert s is not None, channel
    return s.data_bits, s.parity, s.stop_bits, s.inverted


def all_forms(channel: ChannelReport) -> list[tuple[int, str, float, bool]]:
    """Return the answer's form and those of its alternatives."""
    return [form_of(channel)] + [(a.data_bits, a.parity, a.stop_bits, a.inverted) for a, _ in channel.alternatives]


def wrong(report: LineReport, truth: list[Line]) -> list[str]:
    """Return the lines on which the report is wrong: rate, truth not among the answers, form, or bytes."""
    rows = {row.channel.rpartition(".")[2]: row for row in report.rows()}
    out = []
    for line in truth:
        channel = report.channel(line.name)
        if channel.settings is None or channel.settings.baud != line.baud or line.form not in all_forms(channel):
            out.append(f"{line}: {channel.settings}")
            continue
        # Mark and space are bits that never change: a wire cannot tell them from stop and data bits.
        if line.parity not in ("mark", "space") and form_of(channel) != line.form:
            out.append(f"{line.name} {line.form}: {form_of(channel)}")
        elif form_of(channel) == line.form and tuple(rows[line.name].values.tolist()) != line.data:
            out.append(f"{line.name} {line.form}: bytes")
    return out


@pytest.mark.slow
def test_clean_lines_are_exact_from_four_samples_a_bit(tmp_path: Path) -> None:
    """Settings and every byte of every line, 4 to 60 samples a bit, 3 % jitter, 3 % off."""
    truth = lines(11, 40)
    assert wrong(find_lines(read_capture(simulate(tmp_path, truth))), truth) == []


@pytest.mark.slow
def test_lines_with_glitches_are_exact_in_97_of_100(tmp_path: Path) -> None:
    """Random pulses up to a quarter of a bit, one in some ninety bits."""
    truth = lines(12, 34, glitches=True)
    assert len(wrong(find_lines(read_capture(simulate(tmp_path, truth))), truth)) <= 1


@pytest.mark.slow
def test_lines_with_glitches_near_four_samples_a_bit(tmp_path: Path) -> None:
    """4 to 6 samples a bit, where a pulse of two samples may be half a bit: 97 of 100."""
    truth = lines(612, 34, samples=(4, 6), glitches=True)
    assert len(wrong(find_lines(read_capture(simulate(tmp_path, truth))), truth)) <= 1


@pytest.mark.slow
def test_at_three_samples_a_bit_the_truth_is_among_the_answers(tmp_path: Path) -> None:
    """3 to 4 samples a bit: right, or the probability says that it is not sure; advice asks for more samples."""
    truth = lines(13, 24, samples=(3, 4), jitter=0.02)
    report = find_lines(read_capture(simulate(tmp_path, truth)))
    for line in truth:
        channel = report.channel(line.name)
        assert channel.settings is not None
        assert line.form in all_forms(channel), line
        assert any("samples a bit is little" in text for text in channel.advice) == (channel.samples_per_bit < 4)
    assert wrong(report, truth) == []


@pytest.mark.slow
def test_a_capture_that_begins_inside_a_character_gives_no_wrong_byte(tmp_path: Path) -> None:
    """All that is free of error is a tail of what was sent, and no more than one burst is missing."""
    truth = lines(14, 24, samples=(6, 30))
    truth = [line for line in truth if line.baud <= 1200]
    assert len(truth) >= 6
    report = find_lines(read_capture(simulate(tmp_path, truth, from_s=0.31)))
    rows = {row.channel.rpartition(".")[2]: row for row in report.rows()}
    for line in truth:
        channel = report.channel(line.name)
        assert channel.settings is not None
        assert line.form in all_forms(channel)
        row = rows[line.name]
        good = tuple(row.values[row.errors == 0].tolist())
        if form_of(channel) == line.form:
            assert good == line.data[len(line.data) - len(good):]
            started = [t for t in row.t_s.tolist() if t > 0.31]
            assert len(good) >= len(started) - line.burst


def reference_errors(capture: Capture, channel: str, bit: float, form: tuple[int, str, float, bool]) -> int:
    """Count failing characters with a plain receiver of our own: no code of the solver, one character at a time."""
    data_bits, parity, stop, inverted = form
    found = capture.channel(channel)
    edges = found.edge_ticks.tolist()

    def is_idle(tick: float) -> bool:
        return bool((found.first_level + bisect_right(edges, tick)) & 1) != inverted

    errors, i = 0, 0
    while i < len(edges):
        if is_idle(edges[i]):
            i += 1
            continue
        start = edges[i]
        bits = [is_idle(start + (k + 0.5) * bit) for k in range(1, data_bits + 1 + (parity != "none"))]
        first = start + (len(bits) + 1.5) * bit
        if first > capture.end_tick:
            break
        ones = sum(bits)
        stops = [is_idle(first)] + ([is_idle(first + 0.75 * bit)] if stop == 1.5 else []) + (
            [is_idle(first + bit)] if stop == 2 else [])
        expected = {"none": True, "even": ones % 2 == 0, "odd": ones % 2 == 1}.get(parity)
        right = bits[-1] == (parity == "mark") if expected is None else expected
        errors += not (all(stops) and right)
        i = bisect_right(edges, first)
    return errors


@pytest.mark.slow
def test_alternatives_are_exactly_the_forms_without_more_errors(tmp_path: Path) -> None:
    """A plain receiver tries all 150 forms: those with no more errors than the answer are the alternatives."""
    truth = lines(15, 14, samples=(12, 30), jitter=0.0)
    capture = read_capture(simulate(tmp_path, truth))
    report = find_lines(capture)
    for line in truth:
        channel = report.channel(line.name)
        bit = 1 / (line.real_baud * float(capture.tick_s))
        name = channel.name
        least = reference_errors(capture, name, bit, form_of(channel))
        forms = [(d, p, s, inverted) for d in range(5, 10) for p in PARITIES for s in (1.0, 1.5, 2.0)
                 for inverted in (False, True)]
        expected = {form for form in forms if reference_errors(capture, name, bit, form) <= least}
        assert least == 0
        assert set(all_forms(channel)) == expected, line
        assert len(all_forms(channel)) == len(expected)
        assert abs(channel.probability + sum(p for _, p in channel.alternatives) - 1) < 0.01


@pytest.mark.slow
def test_the_rate_lies_within_three_sigma(tmp_path: Path) -> None:
    """Measured rates of all lines, and nearly all within two sigma."""
    truth = lines(16, 30, jitter=0.0)
    report = find_lines(read_capture(simulate(tmp_path, truth)))
    off = []
    for line in truth:
        channel = report.channel(line.name)
        assert channel.settings is not None
        assert channel.settings.measured_baud is not None
        off.append(abs(channel.settings.measured_baud - line.real_baud) / channel.sigma_baud)
    # The simulator rounds times to whole nanoseconds, far below a sample.
    assert max(off) < 4
    assert sum(z > 2 for z in off) <= 4
