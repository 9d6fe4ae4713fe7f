"""Bad captures: one clear message with the place, never a traceback, and never a hang."""

from __future__ import annotations

import gzip
import os
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapwright.cli.main import main
from tapwright.core.errors import TapwrightError
from tapwright.evidence.captures import _vcd_values, read_capture, vcd

VCD = (b"$timescale 1 us $end\n$scope module top $end\n$var wire 1 ! rx $end\n$var wire 4 # bus [3:0] $end\n"
       b"$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n1!\nb01x0 #\n$end\n#10\n0!\n#20\n1!\nb1111 #\n#30\n")
RICH_VCD = (
    b"$date today $end $version x $end\n$timescale 10 ns $end\n$scope module top $end\n$var wire 1 ! rx $end\n"
    b"$var reg 4 # bus [3:0] $end\n$var real 64 r volts $end\n$var wire 1 abcdefghijk long $end\n"
    b"$var wire 1 \"q z $end\n$var string 1 s text $end\n$upscope $end\n$enddefinitions $end\n$comment b0 #5 $end\n"
    b"#0\n$dumpvars\n1!\nb01x0 #\nr1.5 r\nsHi s\nx\"q\n0abcdefghijk\n$end\n#10\n0!\nbu #\n#20\n1!\nbZ1 #\n"
    b"b111111 #\nr2 r\n1abcdefghijk\n#30\n$dumpoff\nx!\nbx #\n$end\n#35\n$dumpon\n0!\nb0 #\n$end\nh\"q\nL!\n"
    b"#35\n1!\n0!\n#40\n")
CSV = b"t_s,a,b\n0,0,1\n0.1,1,1\n0.2,0,x\n0.3,1,0\n0.35,0,1\n"
SUFFIXES = (".vcd", ".csv", ".tsv", ".bin", ".fst")

CASES: list[tuple[str, bytes, str]] = [
    ("a.vcd", b"", "the file is empty"),
    ("a.csv", b"", "the file is empty"),
    ("a.bin", b"", "the file is empty"),
    ("a.vcd", VCD[:60], "no $enddefinitions"),
    ("a.vcd", VCD.replace(b"1 us", b"7 parsecs"), "line 1: a timescale of '7 parsecs'; expected 1, 10 or 100 of s"),
    ("a.vcd", VCD.replace(b"1 us", b"1000000000000 s"), "line 1: a timescale of '1000000000000 s'"),
    ("a.vcd", VCD.replace(b"$timescale 1 us $end\n", b""), "no $timescale"),
    ("a.vcd", VCD.replace(b"#20", b"#5"), "line 14: time goes back from #10 to #5"),
    ("a.vcd", VCD + b"0?\n", "line 18: '0?' among the values"),
    ("a.vcd", VCD + b"#99999999999999999999999\n", "line 18: '#99999999999999999999999' among the values"),
    ("a.vcd", bytes(range(256)) * 8, "a zero byte, so this is no text"),
    ("a.vcd", VCD.replace(b"$var wire 1 ! rx", b"$var wire 70000 ! rx"), "more than 65536 lines are declared"),
    ("a.csv", b"t_s,a\n0,0\n0.1,1\n0.1,0\n", "line 4: the time 0.1 s does not come after 0.1 s"),
    ("a.csv", b"t_s,a\n0,0\n\n0.2,1\n0.1,0\n", "line 5: the time 0.1 s does not come after 0.2 s"),
    ("a.csv", b"t_s,a\n0,0\nnan,1\n", "line 3: 'nan' in column 1; expected seconds"),
    ("a.csv", b"t_s,a\n0,0\n0.1,nan\n", "line 3: 'nan' in column 2; expected 0, 1, x, z or volts"),
    ("a.csv", b"t_s,a,b\n0,0,1\n0.1,1\n", "line 3: 2 cells; expected 3 as in the header"),
    ("a.csv", b"t_s,a\n0,0\n0.1,1,1\n", "line 3: 3 cells; expected 2 as in the header"),
    ("a.csv", b"0,0\n0.1,1\n", "line 1: the first row holds numbers; expected a header row with names"),
    ("a.csv", b"t_s,a\n", "a header but no row"),
    ("a.csv", b"t_s,a,a\n0,1,1\n", "line 1: two columns named 'a'"),
    ("a.csv", b"t_s,hex\n0,5AA5\n", "a column named hex, so this is a file of frames or bytes"),
    ("a.csv", bytes(range(256)) * 8, "line 1: binary data, no table at all; expected a table: a header row such as 't_s,rx'"),
    ("a.csv", b"t_s,a\n0,0\n0.1,1e300\n", "line 3: 1e+300 in column 2"),
    ("a.csv", b"t_s,a\n0,0\n1e300,1\n", "line 3: a time of 1e+300 s"),
    ("a.csv", b"t_s,a\n0,0\n0.1,\xff\n", "line 3: byte 0xFF among the numbers"),
    ("a.vcd.gz", gzip.compress(VCD)[:-12], "the compressed data are damaged or end too early"),
    ("a.vcd.gz", VCD, "the name ends in .gz but the content is not gzip"),
    ("a.fst", b"\x00" * 400, "the file cannot be read as FST"),
    ("a.xyz", b"hello", "the ending '.xyz' is none of a capture"),
]


@pytest.mark.parametrize(("name", "content", "message"), CASES, ids=[f"{i}{case[0]}" for i, case in enumerate(CASES)])
def test_bad_files_are_explained(name: str, content: bytes, message: str, tmp_path: Path,
                                 capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, standard output empty, the file and the reason in one line."""
    path = tmp_path / name
    path.write_bytes(content)
    assert main(["line", str(path), "--rate", "1e6", "--json", "--bytes", str(tmp_path / "out.csv")]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"tapwright: {path}")
    assert message in captured.err
    assert captured.err.count("\n") == 1
    assert not (tmp_path / "out.csv").exists()


@pytest.mark.parametrize(("content", "said"), [
    ("foo,bar\n1,2\n2,7\n3,4\n", "the first column 'foo' was taken as seconds, bar as volts: 3 rows, 1 s to 3 s; if that"
     " is wrong, put time in seconds first, under a heading such as t_s; so few rows can hold no byte"),
    ("time (s),rx\n0,1\n1,0\n", "the first column 'time (s)' was taken as seconds, rx as levels: 2 rows, 0 s to 1 s; so few"),
])
def test_a_table_that_is_no_capture_is_told_what_it_was_taken_for(
        content: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 1 with what each column was taken for and what to do."""
    (tmp_path / "a.csv").write_text(content)
    assert main(["line", str(tmp_path / "a.csv")]) == 1
    assert said in capsys.readouterr().out


@pytest.mark.parametrize(("options", "message"), [
    ([], "packed samples do not say how fast they were taken; expected --rate HZ"),
    (["--rate", "0"], "a sample rate of 0 Hz"),
    (["--rate", "nan"], "a sample rate of nan Hz"),
    (["--rate", "1e6", "--width", "16"], "byte 3: half a sample at the end"),
    (["--rate", "1e6", "--low", "1"], "only one of --low and --high is given"),
    (["--rate", "1e6", "--low", "2", "--high", "1"], "--low 2 V is above --high 1 V"),
    (["--rate", "1e6", "--channel", "9"], "no channel is called '9'"),
])
def test_options_that_do_not_fit(options: list[str], message: str, tmp_path: Path,
                                 capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2 and what to give instead."""
    (tmp_path / "a.bin").write_bytes(b"\x01\x00\x01")
    assert main(["line", str(tmp_path / "a.bin"), *options]) == 2
    captured = capsys.readouterr()
    assert (captured.out, message in captured.err) == ("", True), captured.err


def test_links_folders_and_missing_files(tmp_path: Path) -> None:
    """A loop of links, a folder, nothing there."""
    (tmp_path / "a.vcd").symlink_to(tmp_path / "b.vcd")
    (tmp_path / "b.vcd").symlink_to(tmp_path / "a.vcd")
    for name, message in (("a.vcd", "symbolic links"), ("", "this is a folder"), ("c.vcd", "no such file")):
        with pytest.raises(TapwrightError, match=message):
            read_capture(tmp_path / name)


def test_a_file_without_read_right(tmp_path: Path) -> None:
    """The system's reason is given."""
    path = tmp_path / "a.csv"
    path.write_bytes(CSV)
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read everything")
    with pytest.raises(TapwrightError, match="permission denied"):
        read_capture(path)


@pytest.mark.slow
def test_a_million_signals(tmp_path: Path) -> None:
    """Refused in a few seconds, with what to do."""
    path = tmp_path / "a.vcd"
    codes = (f"$var wire 1 c{i:x} s{i} $end" for i in range(1_000_000))
    path.write_text("$timescale 1 ns $end\n" + "\n".join(codes) + "\n$enddefinitions $end\n#0\n")
    with pytest.raises(TapwrightError, match=r"more than 65536 lines are declared.*Dump only the lines of interest"):
        read_capture(path)


def damaged(data: bytes, r: random.Random) -> bytes:
    """Return data with a few things changed, cut out, put in or doubled."""
    out = bytearray(data)
    for _ in range(r.randrange(1, 6)):
        i = r.randrange(len(out) + 1)
        match r.randrange(6):
            case 0:
                out[i:i + 1] = bytes([r.randrange(256)])
            case 1:
                del out[i:i + r.randrange(1, 40)]
            case 2:
                out[i:i] = r.randbytes(r.randrange(1, 8))
            case 3:
                out[i:i] = r.choice((b"9" * 30, b"-", b"nan", b"1e999", b"#", b"$end", b"$comment ", b"\n\n", b",",
                                     b'"', b"b1010 ", b"x", b"\0", b"1_0"))
            case 4:
                out = out[:i]
            case _:
                j = r.randrange(len(out) + 1)
                out[i:i] = out[j:j + r.randrange(60)]
    return bytes(out)


SEEDS: dict[str, Callable[[random.Random], bytes]] = {
    ".vcd": lambda r: VCD, ".csv": lambda r: CSV, ".tsv": lambda r: CSV.replace(b",", b"\t"),
    ".bin": lambda r: r.randbytes(60),
}


@pytest.mark.slow
@pytest.mark.parametrize("compiled", [False, True])
@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32), suffix=st.sampled_from([*SEEDS]), zipped=st.booleans())
def test_damaged_files_are_read_or_refused(seed: int, suffix: str, zipped: bool, compiled: bool,
                                           tmp_path: Path) -> None:
    """Every reader either reads or raises its own error; warnings are errors too."""
    r = random.Random(seed)
    data = damaged(SEEDS[suffix](r), r)
    if zipped:
        data = gzip.compress(data)
        data = damaged(data, r) if seed % 2 else data
    path = tmp_path / f"f{suffix}{'.gz' if zipped else ''}"
    path.write_bytes(data)
    with pytest.MonkeyPatch.context() as patch:
        if compiled:
            patch.setattr(vcd, "COMPILED_FROM", 1)
            patch.setattr(vcd, "PIECE_BYTES", 64)
            patch.setattr(_vcd_values, "PIECE_BYTES", 64)
        try:
            capture = read_capture(path, rate_hz=1e5)
        except TapwrightError:
            return
    for channel in capture.channels:
        assert (channel.edge_ticks[1:] > channel.edge_ticks[:-1]).all()
        assert not len(channel.edge_ticks) or channel.edge_ticks[-1] <= capture.end_tick


@pytest.mark.slow
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_both_dump_readers_agree_on_damaged_dumps(seed: int, tmp_path: Path) -> None:
    """The word-by-word and the compiled reader accept and refuse the same, with the same edges and the same words."""
    r = random.Random(seed)
    path = tmp_path / "f.vcd"
    path.write_bytes(damaged(r.choice((VCD, RICH_VCD)), r) + b"\n" * (seed % 2))
    found: list[object] = []
    for least, piece in ((1 << 40, 1 << 20), (1, 1 << 20), (1, 64)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(vcd, "COMPILED_FROM", least)
            patch.setattr(vcd, "PIECE_BYTES", piece)
            patch.setattr(_vcd_values, "PIECE_BYTES", piece)
            try:
                capture = read_capture(path)
            except TapwrightError as error:
                found.append(error.message())
            else:
                found.append((capture.start_tick, capture.end_tick, [
                    (c.name, c.first_level, c.edge_ticks.tolist(), c.unknown_ticks.tolist())
                    for c in capture.channels]))
    assert found[0] == found[1] == found[2]
