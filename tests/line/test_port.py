"""A live port: silent, right at one rate alone, alike at every rate, gone; real pseudo terminals and sockets."""

from __future__ import annotations

import os
import pty
import random
import socket
import termios
import threading
import tty
from collections.abc import Callable, Iterator

import pytest

from tapwright.cli.main import main
from tapwright.core.errors import SourceError
from tapwright.line.port import probe, sense, unmarked

SPEEDS = {getattr(termios, f"B{baud}"): baud for baud in (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600,
                                                          115200, 230400)}


def frame(i: int, r: random.Random) -> bytes:
    """Return a frame as instruments send them: a fixed head, something that varies, an end."""
    return bytes([0x5A, 0xA5, i & 255, r.randrange(256), 0x30, 0x31, 0x32, 13])


@pytest.fixture
def terminal() -> Iterator[Callable[[int | None], str]]:
    """Return a function that starts a sender on a pseudo terminal: sensible at one rate alone, or at all (None)."""
    stop = threading.Event()
    threads, files = [], []

    def start(right_baud: int | None) -> str:
        master, slave = pty.openpty()
        tty.setraw(slave)
        files.extend([master, slave])

        def send() -> None:
            r = random.Random(1)
            i = 0
            while not stop.wait(0.004):
                now = SPEEDS.get(termios.tcgetattr(master)[5])
                good = right_baud is None or now == right_baud
                os.write(master, frame(i, r) if good else r.randbytes(8))
                i += 1

        threads.append(threading.Thread(target=send, daemon=True))
        threads[-1].start()
        return os.ttyname(slave)

    yield start
    stop.set()
    for thread in threads:
        thread.join()
    for file in files:
        os.close(file)


@pytest.mark.slow
def test_a_sender_that_speaks_at_one_rate(terminal: Callable[[int | None], str]) -> None:
    """The rate at which frames repeat is answered; the best two are kept."""
    report = probe(terminal(19200), listen_s=1.5, dwell_s=0.15)
    assert report.is_decided
    assert report.heard[0].settings.name == "19200 8N1"
    assert len(report.heard) == 2
    channel = report.document()["channels"]
    assert isinstance(channel, list)
    assert (channel[0]["kind"], channel[0]["baud"]) == ("async", 19200)


@pytest.mark.slow
def test_a_port_that_ignores_its_rate(terminal: Callable[[int | None], str]) -> None:
    """The same frames at every rate: nothing is claimed, and it is said why."""
    report = probe(terminal(None), listen_s=1.5, dwell_s=0.1)
    assert not report.is_decided
    assert not report.rate_matters
    assert "same kind of bytes arrives at every rate" in report.words()


@pytest.mark.slow
def test_a_silent_terminal_is_said_to_be_silent(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing arrives: exit 1, silent in so many words, and what could open it."""
    master, slave = pty.openpty()
    try:
        code = main(["line", "--port", os.ttyname(slave), "--seconds", "0.3"])
    finally:
        os.close(master)
        os.close(slave)
    out = capsys.readouterr().out
    assert code == 1
    assert "The line is silent" in out
    assert "tapwright pins" in out


@pytest.mark.slow
def test_a_socket_that_sends_and_closes() -> None:
    """A port that is lost while listening is an error of the source, not a fault."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        client, _ = server.accept()
        client.sendall(b"\x5a\xa5" * 40)
        client.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    with pytest.raises(SourceError, match="the port was lost"):
        probe(f"socket://127.0.0.1:{server.getsockname()[1]}", listen_s=1.0, dwell_s=0.1)
    thread.join()
    server.close()


def test_a_port_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, nothing on standard output, the name in the message."""
    assert main(["line", "--port", "/dev/there-is-no-such-port", "--json"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "/dev/there-is-no-such-port: the port cannot be opened" in captured.err


@pytest.mark.parametrize(("marked", "plain", "n"), [
    (b"ab", b"ab", 0), (b"a\xff\x00bc", b"abc", 1), (b"\xff\xff\x00", b"\xff\x00", 0),
    (b"\xff\x00\x00\xff\x00\xff", b"\x00\xff", 2),
])
def test_marks_of_the_driver(marked: bytes, plain: bytes, n: int) -> None:
    """FF 00 x marks x as wrong, FF FF is one FF (POSIX 11.2.2, PARMRK)."""
    assert unmarked(marked) == (plain, n)


def test_sense_of_frames_text_and_noise() -> None:
    """Frames and text make sense, random bytes and one value over and over do not."""
    r = random.Random(2)
    assert sense(b"".join(frame(i, r) for i in range(30))) > 0.5
    assert sense(b"pH 7.43 DO 8.21 mg/L\r\n" * 8) > 0.9
    assert sense(r.randbytes(240)) < 0.2
    assert sense(bytes(240)) < 0.2
