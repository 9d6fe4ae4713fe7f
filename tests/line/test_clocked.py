"""Clocked pairs in the four modes, with and without a select line, and I2C transfers of the published specification."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.line.blind_clocked import Bus, bus
from tests.line.wire import Wire, joined, levels

from tapwright.core.capture import Capture
from tapwright.core.line import ByteError, ClockedSettings
from tapwright.evidence.captures import read_capture
from tapwright.line.apply import read_clocked, read_i2c
from tapwright.line.find import find_lines
from tapwright.line.report import LineReport, words

# Mode: clock level at rest and reading edge, the common convention (check-values C).
MODES = {0: (0, "rising"), 1: (0, "falling"), 2: (1, "falling"), 3: (1, "rising")}
COUNTING = [(128 + 3 * ((5 * i) % 7) + i) & 0xFF for i in range(40)]


def clocked(values: list[int], n_bits: int, mode: int, *, msb_first: bool = True, half: int = 5,
            gap: int = 40) -> dict[str, list[int]]:
    """Return samples of clock, data and select (low while a word is sent)."""
    rest, _ = MODES[mode]
    second_edge = mode in (1, 3)
    clock, data, select = [rest] * 60, [0] * 60, [1] * 60
    for value in values:
        clock += [rest] * 9
        data += [data[-1]] * 9
        for k in range(n_bits):
            bit = value >> (n_bits - 1 - k if msb_first else k) & 1
            clock += [1 - rest] * half + [rest] * half if second_edge else [rest] * half + [1 - rest] * half
            data += [bit] * (2 * half)
        clock += [rest] * (9 + gap)
        data += [data[-1]] * (9 + gap)
        select += [0] * (len(clock) - len(select) - gap) + [1] * gap
    return {"mosi": data, "sck": clock, "cs": select}


def only_pair(report: LineReport) -> ClockedSettings:
    """Return the settings of the one pair there must be."""
    assert [pair.kind for pair in report.pairs] == ["clocked"], words(report)
    settings = report.pairs[0].settings
    assert settings is not None
    return settings


@pytest.mark.parametrize("mode", list(MODES))
@pytest.mark.parametrize("with_select", [True, False])
def test_the_four_modes(mode: int, with_select: bool) -> None:
    """Which line is the clock, which edge reads, the words: found without being told."""
    lines = clocked(COUNTING, 8, mode)
    if not with_select:
        del lines["cs"]
    capture = levels(1e6, **lines)
    report = find_lines(capture)
    found = only_pair(report)
    assert (found.clock, found.data, found.edge) == ("sck", "mosi", MODES[mode][1])
    assert found.select == ("cs" if with_select else "")
    assert (found.bits_per_word, found.bit_order) == (8, "msb first")
    assert read_clocked(capture, found).values.tolist() == COUNTING
    kinds = {channel.name: channel.kind for channel in report.channels}
    assert (kinds["sck"], kinds["mosi"]) == ("clock", "data")


def test_words_of_24_bits_least_significant_first() -> None:
    """A slowly changing value of 24 bits tells its bit order."""
    values = [1_000_000 + 37 * i for i in range(30)]
    capture = levels(1e6, **clocked(values, 24, 2, msb_first=False, half=7, gap=200))
    found = only_pair(find_lines(capture))
    assert (found.bits_per_word, found.bit_order, found.edge) == (24, "lsb first", "falling")
    assert read_clocked(capture, found).values.tolist() == values


def test_a_cut_word_is_broken() -> None:
    """A capture that begins inside a word has one broken word, and the others whole."""
    lines = {name: samples[118:] for name, samples in clocked(COUNTING, 8, 0).items()}
    capture = levels(1e6, **lines)
    rows = read_clocked(capture, only_pair(find_lines(capture)))
    assert rows.errors.tolist() == [ByteError.BROKEN] + [ByteError.NONE] * (len(COUNTING) - 1)
    assert rows.values.tolist()[1:] == COUNTING[1:]


def i2c(transfers: list[list[tuple[int, bool]]], quarter: int = 4) -> dict[str, list[int]]:
    """Return samples of both lines: start, bytes with acknowledge (low for yes), stop (UM10204, 3.1)."""
    clock, data = [1] * 80, [1] * 80

    def put(c: int, d: int, n: int) -> None:
        clock.extend([c] * n)
        data.extend([d] * n)

    for transfer in transfers:
        put(1, 0, quarter)
        put(0, 0, quarter)
        for value, acknowledged in transfer:
            for bit in [value >> k & 1 for k in range(7, -1, -1)] + [int(not acknowledged)]:
                put(0, bit, quarter)
                put(1, bit, 2 * quarter)
                put(0, bit, quarter)
        put(0, 0, quarter)
        put(1, 0, quarter)
        put(1, 1, 90)
    return {"sda": data, "scl": clock}


def test_i2c_transfers() -> None:
    """Address 0x48 is 90 to write and 91 to read (UM10204, 3.1.10); the last byte read is not acknowledged."""
    sent = [[(0x90, True), (0x01, True), (0x60, True)], [(0x90, True), (0x00, True)],
            [(0x91, True), (0x17, True), (0x80, False)]]
    report = find_lines(levels(1e6, **i2c(sent)))
    assert [(pair.kind, pair.clock, pair.data, pair.words) for pair in report.pairs] == [("i2c", "scl", "sda", 8)]
    assert report.rows()[0].values.tolist() == [value for transfer in sent for value, _ in transfer]
    assert "7 of 8 bytes acknowledged" in " ".join(report.pairs[0].evidence)


def test_a_ten_bit_address() -> None:
    """10-bit address 2AA to write: F4 AA (UM10204, 3.1.11)."""
    report = find_lines(levels(1e6, **i2c([[(0xF4, True), (0xAA, True), (0x5A, True)]])))
    assert report.rows()[0].values.tolist() == [0xF4, 0xAA, 0x5A]


def test_two_serial_lines_are_no_pair() -> None:
    """Unrelated lines that talk stay two lines, also when one sends a square wave's bytes."""
    a = Wire(9600, 96_000).send([0x55] * 10)
    a.idle(40)
    a.send(range(40, 90))
    b = Wire(4800, 96_000).send(range(200, 240))
    report = find_lines(joined(96_000, {"a": a, "b": b}))
    assert report.pairs == ()
    assert report.talking == ("a", "b")


def test_a_sampling_clock_does_not_take_a_serial_line() -> None:
    """A clock that never pauses goes with every line it samples: the line that talks stays a line."""
    wire = Wire(10_000, 100_000).send([17 * i & 255 for i in range(60)])
    rx = wire.capture("rx")
    n = rx.end_tick
    clock = [i // 5 & 1 for i in range(n)]
    tick = levels(100_000, clk=clock)
    both = Capture(path=rx.path, tick_s=rx.tick_s, start_tick=0, end_tick=n, sample_ticks=1,
                   channels=(*tick.channels, *rx.channels))
    report = find_lines(both)
    kinds = {channel.name: channel.kind for channel in report.channels}
    assert kinds == {"clk": "clock", "rx": "async"}
    assert report.pairs == ()


def short(name: str) -> str:
    """Return a dump's name without its scope."""
    return name.rpartition(".")[2]


def bits_of(words_: tuple[int, ...] | list[int], n_bits: int, *, lsb_first: bool) -> str:
    """Return words as their bits in the order of the wire."""
    return "".join(f"{word:0{n_bits}b}"[::-1 if lsb_first else 1] for word in words_)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 124))
def test_buses_of_a_simulator_among_other_lines(seed: int, tmp_path: Path) -> None:
    """Which lines belong together, every setting that a wire shows, every bit; the serial line beside them too."""
    truth, path = bus(seed, tmp_path)
    capture = read_capture(path)
    report = find_lines(capture)
    assert len(report.pairs) == 1, words(report)
    pair = report.pairs[0]
    assert (pair.kind, short(pair.clock), short(pair.data)) == (truth.kind, truth.lines["clock"], truth.lines["data"])
    assert len(report.talking) == 1
    if pair.settings is None:
        assert tuple(read_i2c(capture, pair.clock, pair.data).values.tolist()) == truth.words
        return
    check_clocked(capture, pair.settings, truth)


def check_clocked(capture: Capture, found: ClockedSettings, truth: Bus) -> None:
    """Compare; the order of bits and where words part without a pause no wire tells."""
    assert found.edge == truth.edge
    assert short(found.select) == truth.lines.get("select", "")
    assert truth.together > 1 or found.bits_per_word == truth.bits
    got = bits_of(read_clocked(capture, found).values.tolist(), found.bits_per_word,
                  lsb_first=found.bit_order == "lsb first")
    assert got == bits_of(truth.words, truth.bits, lsb_first=truth.lsb_first)
