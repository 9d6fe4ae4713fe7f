"""Sources: their URLs, and real ones: a pty as serial port, standard input, a replay, all with loss and return."""

from __future__ import annotations

import contextlib
import errno
import os
import pty
import subprocess
import sys
import time
import tty
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.live.bench import Events, frame, frames_file, instrument, running, wait_for

from tapwright.core.errors import SourceError, TapwrightError, UsageError
from tapwright.core.instrument import Instrument
from tapwright.core.line import AsyncSettings
from tapwright.live.source import source_of, take_apart


@pytest.mark.parametrize(("url", "message"), [
    ("/dev/ttyUSB0", "'/dev/ttyUSB0' names no kind of source"),
    ("usb:///x", "no source of the kind 'usb' in 'usb:///x'"),
    ("serial://", "'serial://' names no port"),
    ("serial:///dev/ttyUSB0?speed=9600", "'speed' is no option of the source serial:///dev/ttyUSB0"),
    ("serial:///dev/ttyUSB0?baud=fast", "baud=fast is no line rate"),
    ("serial:///dev/ttyUSB0?form=8Q1", "form=8Q1 is no form of a character"),
    ("tcp://host", "'tcp://host' lacks a port"), ("tcp://:80", "'tcp://:80' lacks a host"),
    ("tcp://host:99999", "'tcp://host:99999' is no URL"), ("stdin:x", "'stdin:x' has something behind the colon"),
    ("replay:", "'replay:' names no file"), ("replay:no-such-file.vcd", "no such file to replay"),
    ("replay:x?speed=0", "speed=0"), ("replay:x?speed=nan", "speed=nan"), ("replay:x?width=9", "width=9")])
def test_wrong_urls_are_refused_in_words(url: str, message: str) -> None:
    """Each says what is wrong and what would be right."""
    with pytest.raises((UsageError, SourceError)) as caught:
        source_of(url)
    assert message in caught.value.message()
    assert "expected" in caught.value.message()


@pytest.mark.slow
@given(st.text(max_size=40))
@settings(max_examples=60, deadline=None)
def test_any_text_is_a_source_or_an_error_of_ours(text: str) -> None:
    """Taking a URL apart never raises anything else."""
    for url in (text, f"tcp:{text}", f"serial:{text}", f"replay:{text}", f"stdin:{text}"):
        with contextlib.suppress(TapwrightError):
            source_of(url)


def test_a_replays_name_may_hold_odd_characters() -> None:
    """Only what follows the last `?` is options; `#` and `%` belong to the name."""
    url = take_apart("replay:day #1 100%.csv?speed=2")
    assert (url.place, dict(url.query)) == ("day #1 100%.csv", {"speed": "2"})
    assert take_apart("serial://COM3").place == "COM3"


def test_what_a_description_lacks_is_said_before_the_start() -> None:
    """A byte stream needs a frame layout; a port needs a line it can be set to."""
    whole = instrument()
    no_layout = Instrument(name="x", reading_map=whole.reading_map, line=whole.line)
    for url in ("tcp://127.0.0.1:1", "stdin:", "serial:///dev/ttyUSB0"):
        with pytest.raises(TapwrightError, match="has no \\[frame\\]"):
            source_of(url).check(no_layout)
    for line, message in ((None, "has no asynchronous"), (AsyncSettings(baud=9600, inverted=True), "idles low"),
                          (AsyncSettings(baud=9600, data_bits=9), "9 data bits")):
        described = Instrument(name="x", reading_map=whole.reading_map, layout=whole.layout, line=line)
        with pytest.raises(TapwrightError, match=message):
            source_of("serial:///dev/ttyUSB0").check(described)
    source_of("serial:///dev/ttyUSB0?baud=2400&form=7E1").check(
        Instrument(name="x", reading_map=whole.reading_map, layout=whole.layout))


@pytest.mark.parametrize(("number", "text", "waits_for"), [
    (errno.ENOENT, "no such port", "plugged in"), (errno.EACCES, "no rights to use", "join the group"),
    (errno.EBUSY, "held by another program", "closed"), (errno.EIO, "input/output error", "a serial port there"),
    (None, "cannot be opened", "a serial port there")])
def test_why_a_port_does_not_open_is_said_in_words(tmp_path: Path, number: int | None, text: str, waits_for: str) -> None:
    """Each reason of the system has its own words and its own way out."""
    import serial

    from tapwright.live.sources.serial import _gone

    device = tmp_path / "port"
    device.touch()
    gone = _gone(str(device), serial.SerialException(*((number, "could not open") if number else ("what",))))
    assert text in gone.text
    assert waits_for in gone.waits_for


@pytest.mark.slow
def test_a_serial_port_comes_goes_and_comes_back(tmp_path: Path) -> None:
    """A pty under a name: first missing, then plugged in, unplugged (hang-up), plugged in again."""
    port = tmp_path / "ttyUSB9"
    with running(f"serial://{port}") as server:
        events = Events(server.port)
        link = events.next("link")[2]
        while link["text"] != f"no such port: {port}":
            link = events.next("link")[2]
        assert (link["state"], link["waits_for"]) == ("waiting", "the adapter to be plugged in")
        for displays in (("1.11", "1.12", "1.13"), ("2.22", "2.23", "2.24")):
            instrument_end, port_end = pty.openpty()
            tty.setraw(port_end)
            port.unlink(missing_ok=True)
            port.symlink_to(os.ttyname(port_end))
            while link["state"] != "open":
                link = events.next("link")[2]
            os.write(instrument_end, b"\xff\x00" + b"".join(map(frame, displays)))
            got = []
            while displays[-1] not in got and len(got) < 5:
                reading = events.next("message")[2]
                if reading["status"] == "ok":
                    got.append(reading["display"])
                if len(got) == len(displays) - 1:
                    os.write(instrument_end, frame("9.99"))
            assert got == list(displays)
            os.close(instrument_end)
            os.close(port_end)
            port.unlink()
            while link["state"] != "lost":
                link = events.next("link")[2]
        events.close()


@pytest.mark.slow
def test_a_port_that_another_program_holds_is_said_to_be() -> None:
    """The second opener learns that the port is held, and gets it when it is free."""
    import serial

    instrument_end, port_end = pty.openpty()
    tty.setraw(port_end)
    name = os.ttyname(port_end)
    holder = serial.Serial(name, exclusive=True)
    with running(f"serial://{name}") as server:
        events = Events(server.port)
        link = events.next("link")[2]
        while "held by another program" not in link["text"]:
            link = events.next("link")[2]
        assert link["retry_s"]
        holder.close()
        while link["state"] != "open":
            link = events.next("link")[2]
        events.close()
    os.close(instrument_end)
    os.close(port_end)


@pytest.mark.slow
def test_a_replay_keeps_its_times_and_says_when_it_ends(tmp_path: Path) -> None:
    """20 s of frames at a hundred times the speed take 0.2 s; then the link is `ended`, and reading goes on standing."""
    path = frames_file(tmp_path / "day #1.csv", [frame(f"{i:.2f}") for i in range(21)], 1.0)
    with running(f"replay:{path}?speed=100") as server:
        wait_for(lambda: server.json("/health")["instruments"] == {"pond": "ended"})
        newest = server.json("/api/reading")
        assert (newest["seq"], newest["display"], newest["stale"]) == (20, "20.00", True)
        assert 0.18 < newest["t_s"] < 10
    with running(f"replay:{path}?speed=max&loop=yes") as server:
        wait_for(lambda: server.json("/api/statistics")["readings"] > 100)


@pytest.mark.slow
def test_a_file_that_cannot_be_replayed_is_said_on_the_page(tmp_path: Path) -> None:
    """The server stays; the link says what is wrong with the file."""
    path = tmp_path / "broken.csv"
    path.write_text("t_s,hex\n0.0,5A A\n", encoding="utf-8")
    with running(f"replay:{path}") as server:
        wait_for(lambda: server.said)
        link = server.json("/api/instruments")["instruments"][0]["link"]
        assert link["state"] == "ended"
        assert "line 2" in link["text"]


@pytest.mark.slow
def test_standard_input_gives_readings_until_it_ends(tmp_path: Path) -> None:
    """The command itself, fed by a pipe: readings recorded, `ended` at the end of the input, exit 0 on SIGTERM."""
    from tapwright.evidence.instrument_file import write_instrument

    write_instrument(tmp_path / "instrument.toml", instrument())
    command = [sys.executable, "-m", "tapwright", "serve", "--instrument", "instrument.toml", "--source", "stdin:",
               "--port", "0", "--record", "r.sqlite"]
    with subprocess.Popen(command, cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        url = process.stdout.readline().decode().split()[-1]
        assert url.startswith("http://127.0.0.1:")
        process.stdin.write(frame("6.82") + frame("6.83"))
        process.stdin.close()
        import http.client

        def state() -> str:
            link = http.client.HTTPConnection("127.0.0.1", int(url.rstrip("/").rpartition(":")[2]), timeout=5)
            link.request("GET", "/health")
            text = link.getresponse().read().decode()
            link.close()
            return text
        wait_for(lambda: '"pond":"ended"' in state())
        started = time.monotonic()
        process.terminate()
        assert process.wait(10) == 0
        assert time.monotonic() - started < 20
        assert process.stderr is not None
        assert process.stderr.read() == b""
    shown = subprocess.run([sys.executable, "-m", "tapwright", "export", "r.sqlite", "--out", "r.csv"], cwd=tmp_path,
                           check=True, capture_output=True, text=True)
    assert shown.stdout.startswith("2 readings of session ")
    assert (tmp_path / "r.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[2:7] == \
        ["6.82", "6.82", "mg/L", "", "ok"]


def test_a_missing_port_is_said_on_the_terminal_too(tmp_path: Path) -> None:
    """What the page says of a source that is not there is said once in words, with what it waits for."""
    with running(f"serial://{tmp_path}/nothing") as server:
        wait_for(lambda: server.said)
        shown = server.service.hubs["pond"].link  # what the page is told
        assert server.said[0] == f"pond: {shown.text}; it waits for {shown.waits_for}"
        time.sleep(1.5)  # it is tried again meanwhile
        assert len(server.said) == 1, server.said
