"""Every capture form gives the same edges, and says what it left out."""

from __future__ import annotations

import gzip
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.captures.sources import BENCH, simulated

from tapwright.core.capture import Capture
from tapwright.evidence.captures import _vcd_values, packed, read_capture, table, vcd

LEVELS = st.lists(st.integers(0, 255), min_size=1, max_size=300)


def edges_of(samples: np.ndarray) -> list[int]:
    """Return where samples change."""
    return (np.flatnonzero(np.diff(samples.astype(np.int64))) + 1).tolist()


def same(a: Capture, b: Capture) -> bool:
    """Return whether two captures hold the same lines."""
    return all(x.name == y.name and x.first_level == y.first_level and np.array_equal(x.edge_ticks, y.edge_ticks)
               and np.array_equal(x.unknown_ticks, y.unknown_ticks)
               for x, y in zip(a.channels, b.channels, strict=True)) and a.end_tick == b.end_tick


@given(samples=LEVELS)
def test_packed_samples_are_their_changes(samples: list[int], tmp_path_factory: pytest.TempPathFactory) -> None:
    """Bit i of every byte is channel i; edges are where it changes."""
    path = tmp_path_factory.getbasetemp() / "samples.bin"
    path.write_bytes(bytes(samples))
    capture = read_capture(path, rate_hz=1e6)
    values = np.array(samples)
    assert (capture.tick_s, capture.end_tick) == (Fraction(1, 1_000_000), len(samples))
    for bit, channel in enumerate(capture.channels):
        line = values >> bit & 1
        assert (channel.name, channel.first_level) == (str(bit), line[0])
        assert channel.edge_ticks.tolist() == edges_of(line)


def test_packed_samples_across_pieces(tmp_path: Path) -> None:
    """Pieces of the file join without a seam: changes on, before and after their borders, and long rests."""
    n = 3 * (1 << 18) + 5
    samples = np.full(n, 7, np.uint8)
    for at in (1, (1 << 18) - 1, 1 << 18, (1 << 18) + 1, 2 << 18, n - 1):
        samples[at] ^= 5
    (tmp_path / "a.bin").write_bytes(samples.tobytes())
    capture = read_capture(tmp_path / "a.bin", rate_hz=1e6)
    assert capture.channels[0].edge_ticks.tolist() == edges_of(samples & 1)
    assert capture.channels[1].edge_ticks.tolist() == []
    wide = samples.astype("<u2") << 7
    (tmp_path / "w.bin").write_bytes(wide.tobytes())
    capture = read_capture(tmp_path / "w.bin", rate_hz=1e6, width=16)
    assert len(capture.channels) == 16
    assert capture.channels[7].edge_ticks.tolist() == edges_of(samples & 1)


@pytest.mark.slow
@pytest.mark.parametrize("width", [8, 16])
def test_samples_by_machine_code(width: int, tmp_path: Path) -> None:
    """Large files are read by machine code: the same edges, beside rests and an odd end."""
    r = np.random.default_rng(width)
    samples = np.repeat(r.integers(0, 1 << width, 30_000), r.integers(1, 30, 30_000))
    samples[100_000:120_000] = samples[100_000]
    samples = np.append(samples, [5, 5, 4])
    (tmp_path / "a.bin").write_bytes(samples.astype("u1" if width == 8 else "<u2").tobytes())
    slow = read_capture(tmp_path / "a.bin", rate_hz=1e6, width=width)
    with pytest.MonkeyPatch.context() as patch:
        for name, value in (("PIECE_BYTES", 4096), ("COMPILED_FROM", 1)):
            patch.setattr(packed, name, value)
        assert same(slow, read_capture(tmp_path / "a.bin", rate_hz=1e6, width=width))
    assert slow.channels[width - 1].edge_ticks.tolist() == edges_of(samples >> (width - 1) & 1)


@given(rows=st.lists(st.tuples(st.integers(1, 90), st.integers(0, 1), st.integers(0, 1)), min_size=2, max_size=60))
def test_tables_of_changes_and_of_samples(rows: list[tuple[int, int, int]],
                                          tmp_path_factory: pytest.TempPathFactory) -> None:
    """Every sample or only the changes: the same edges."""
    folder = tmp_path_factory.getbasetemp()
    ticks = np.cumsum([step for step, _, _ in rows])
    levels = np.array([[a, b] for _, a, b in rows])
    changes = "".join(f"{t / 1e4:.4f},{a},{b}\n" for t, (a, b) in zip(ticks, levels, strict=True))
    (folder / "c.csv").write_text("t_s,a,b\n" + changes)
    every = np.repeat(levels, np.diff(np.append(ticks, ticks[-1] + 1)), axis=0)
    text = "".join(f"{(ticks[0] + i) / 1e4:.4f}\t{a}\t{b}\n" for i, (a, b) in enumerate(every))
    (folder / "s.tsv").write_text("t_s\ta\tb\n" + text)
    first, second = read_capture(folder / "c.csv"), read_capture(folder / "s.tsv")
    for a, b, column in zip(first.channels, second.channels, levels.T, strict=True):
        expected = [int(ticks[i]) * 10**8 for i in edges_of(column)]
        assert a.edge_ticks.tolist() == b.edge_ticks.tolist() == expected


def test_tables_in_pieces_by_the_fast_reader(tmp_path: Path) -> None:
    """A file of many pieces, read by machine code, is the same as one read row by row."""
    n = 60_000
    levels = (np.arange(n) // 7) & 1
    text = "t_s,rx\n" + "".join(f"{i / 1e5:.5f},{v}\n" for i, v in enumerate(levels.tolist()))
    path = tmp_path / "a.csv"
    path.write_text(text.replace("\n", "\r\n"))
    slow = read_capture(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(table, "PIECE_BYTES", 1 << 17)
        patch.setattr(table, "FAST_FROM_BYTES", 1)
        fast = read_capture(path)
    assert same(slow, fast)
    assert fast.channels[0].edge_ticks.tolist() == [i * 10**7 for i in edges_of(levels)]
    assert fast.sample_ticks == 10**7


@settings(deadline=None)
@given(values=st.lists(st.tuples(st.floats(-1e6, 1e6), st.sampled_from(["", ".0f", ".3f", ".9f", ".6e", ".14e", "g"])),
                       min_size=1, max_size=20))
def test_plain_numbers_are_read_as_python_reads_them(values: list[tuple[float, str]]) -> None:
    """To the last bit, or left to Python; general notation, fixed places and powers of ten."""
    cells = [format(value, form) for value, form in values]
    found = table._compiled("".join(f"{i},{cell}\n" for i, cell in enumerate(cells)).encode(), ",", 2)
    assert found is None or found[1].tolist() == [float(cell) for cell in cells]
    assert found is not None or any(len(cell.strip("-").replace(".", "").split("e")[0]) > 15 or "e" in cell
                                    for cell in cells)


def test_volts_are_sliced_with_crossings_between_samples(tmp_path: Path) -> None:
    """A line of 0.1 and 3.2 V with slow edges and noise: crossings of the middle, to a tenth of a sample."""
    r = np.random.default_rng(4)
    truth = np.array([10.3, 25.8, 31.45, 60.2, 88.7])
    t = np.arange(120)
    volts = np.full(len(t), 0.1)
    for k, at in enumerate(truth):
        step = np.clip((t - at) / 2 + 0.5, 0, 1) * 3.1
        volts += step if k % 2 == 0 else -step
    volts += r.normal(0, 0.01, len(t))
    (tmp_path / "v.csv").write_text("s,v\n" + "".join(f"{i * 1e-6:.6e},{v:.4f}\n" for i, v in enumerate(volts)))
    capture = read_capture(tmp_path / "v.csv")
    assert capture.channels[0].first_level == 0
    assert np.abs(capture.channels[0].edge_ticks / 1e6 - truth).max() < 0.1


def test_volts_that_are_no_levels_are_analogue_and_steady_ones_level(tmp_path: Path) -> None:
    """A sine has no two levels; a supply with noise is steady; thresholds of the user's decide as given."""
    t = np.arange(400)
    rows = "".join(f"{i * 1e-6:.6e},{1.5 + 1.5 * np.sin(i / 9):.4f},{3.3 + 0.01 * (-1) ** i:.3f},{3.0 * (i // 20 % 2)}\n"
                   for i in t)
    (tmp_path / "v.csv").write_text("s,sine,supply,data\n" + rows)
    sine, supply, data = read_capture(tmp_path / "v.csv").channels
    assert (sine.analogue, len(sine.edge_ticks)) == (True, 0)
    assert (supply.analogue, supply.first_level, len(supply.edge_ticks)) == (False, 1, 0)
    assert (data.analogue, len(data.edge_ticks)) == (False, 19)
    sine = read_capture(tmp_path / "v.csv", low_v=1.0, high_v=2.0).channels[0]
    assert len(sine.edge_ticks) == pytest.approx(2 * 400 / (2 * np.pi * 9), abs=1.5)


@pytest.mark.slow
def test_a_simulators_dump_by_both_readers(tmp_path: Path) -> None:
    """Scopes, vectors, x and z, $dumpoff, real numbers and events, as Icarus Verilog writes them; plain and gzip."""
    path = simulated(tmp_path, BENCH)
    plain = read_capture(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vcd, "COMPILED_FROM", 1)
        patch.setattr(_vcd_values, "PIECE_BYTES", 4096)
        patch.setattr(vcd, "PIECE_BYTES", 4096)
        assert same(plain, read_capture(path))
        (tmp_path / "g.vcd.gz").write_bytes(gzip.compress(path.read_bytes()))
        assert same(plain, read_capture(tmp_path / "g.vcd.gz"))
    names = {channel.name for channel in plain.channels}
    assert {"top.clk", "top.u.q[0]", "top.v[15]", "top.u.q[3]"} <= names
    assert "top.r" in plain.notes[0]
    assert "top.ev" in plain.notes[0]
    # clk rises every 10 ns; while the dump was off it is unknown.
    clk = plain.channel("clk")
    assert len(clk.unknown_ticks) == 1
    assert (clk.unknown_ticks[0] * plain.tick_s).astype(float) == pytest.approx([700e-9, 980e-9], abs=8e-9)
    assert plain.tick_s == Fraction(1, 10**12)


@pytest.mark.slow
def test_fst_is_the_same_as_the_dump_it_was_made_of(tmp_path: Path) -> None:
    """vcd2fst (a converter of the simulators' world) makes the FST; the library reads it in a child process."""
    if shutil.which("vcd2fst") is None:
        pytest.skip("vcd2fst is not installed")
    path = simulated(tmp_path, BENCH)
    subprocess.run(["vcd2fst", path, tmp_path / "a.fst"], check=True, capture_output=True)
    dump, fst = read_capture(path), read_capture(tmp_path / "a.fst")
    assert fst.tick_s == dump.tick_s
    for channel in dump.channels:
        other = fst.channel(channel.name)
        assert channel.edge_ticks.tolist() == other.edge_ticks.tolist(), channel.name
        assert channel.unknown_ticks.tolist()[:-1] == other.unknown_ticks.tolist()[:-1]


@pytest.mark.slow
def test_a_dump_of_a_second_simulator(tmp_path: Path) -> None:
    """GHDL writes other headers and codes, and std_logic values: U is unknown."""
    if shutil.which("ghdl") is None:
        pytest.skip("ghdl is not installed")
    (tmp_path / "t.vhdl").write_text("""
library ieee; use ieee.std_logic_1164.all;
entity t is end; architecture a of t is
  signal rx : std_logic := 'U'; signal w : std_logic_vector(3 downto 0) := "0101";
begin process begin
  wait for 3 us; rx <= '1'; wait for 5 us; rx <= '0'; w <= "1101"; wait for 7 us; rx <= '1'; wait for 2 us; wait;
end process; end;
""")
    run = {"cwd": tmp_path, "check": True, "capture_output": True}
    for command in (["-a", "t.vhdl"], ["-e", "t"], ["-r", "t", "--vcd=t.vcd", "--stop-time=30us"]):
        subprocess.run(["ghdl", *command], **run)  # type: ignore[call-overload]
    capture = read_capture(tmp_path / "t.vcd")
    rx = capture.channel("rx")
    seconds = [float(tick * capture.tick_s) for tick in rx.edge_ticks.tolist()]
    assert seconds == pytest.approx([8e-6, 15e-6])
    assert rx.first_level == 1
    assert float(rx.unknown_ticks[0, 1] * capture.tick_s) == pytest.approx(3e-6)
    assert capture.channel("w[3]").first_level == 0
    assert len(capture.channel("w[3]").edge_ticks) == 1
