"""The board's program under CPython's asyncio with real sockets: join, set-up, streaming, loss, update."""

from __future__ import annotations

import hashlib
import http.client
import socket
import time
from dataclasses import replace
from pathlib import Path

import pytest
from tests.board.board_face import PROVEN, Face, Running, meter, reading_of, running
from tests.board.frames import frame

PASSWORD = "a long update word"
pytestmark = pytest.mark.slow


def ask(program: Running, method: str, path: str, body: bytes | None = None,
        headers: dict[str, str] | None = None) -> tuple[int, str]:
    """Return status and text of one request."""
    link = http.client.HTTPConnection("127.0.0.1", program.port, timeout=10)
    link.request(method, path, body, headers or {})
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    return answer.status, text


def newest(program: Running) -> dict[str, object]:
    """Return the newest reading."""
    return reading_of(ask(program, "GET", "/api/reading")[1])


def stream(program: Running) -> socket.socket:
    """Open the stream and read its head."""
    link = socket.create_connection(("127.0.0.1", program.port), timeout=10)
    link.sendall(b"GET /api/stream HTTP/1.1\r\nHost: board\r\n\r\n")
    return link


def until(link: socket.socket, wanted: bytes) -> bytes:
    """Read a socket until something came."""
    got = b""
    while wanted not in got:
        more = link.recv(4096)
        assert more, got
        got += more
    return got


def test_frames_on_the_line_are_the_newest_reading_after_noise_and_in_pieces(tmp_path: Path) -> None:
    """Sign, point, unit and flags as shown; a cut frame and noise before it are passed over; value keeps its digits."""
    with running(tmp_path) as program:
        before = newest(program)
        assert (before["seq"], before["display"], before["lost"], before["self_test"]) == (-1, "", None, "passed")
        sent = frame("-6.80", "mg/L", "HOLD")
        for piece in (b"\x00\x5A", sent[4:], sent[:5], sent[5:]):
            program.send(piece)
        program.wait(lambda: program.board.seq == 0)
        status, text = ask(program, "GET", "/api/reading")
        row = reading_of(text)
        assert status == 200
        assert [row[key] for key in ("display", "unit", "flags", "status")] == ["-6.80", "mg/L", "HOLD", "ok"]
        assert '"value": -6.80}' in text
        damaged = bytearray(frame("7.00", "pH"))
        damaged[4] ^= 1
        program.send(bytes(damaged) + frame("0L", "pH"))
        program.wait(lambda: program.board.seq == 1)
        assert [newest(program)[key] for key in ("display", "value", "status")] == ["OL", None, "overload"]


def test_the_signal_is_lost_after_three_missed_periods(tmp_path: Path) -> None:
    """An old reading is told as lost, with its age, and a new one ends that."""
    with running(tmp_path) as program:
        for i in range(4):
            program.send(frame(f"6.8{i}", "mg/L"))
            program.wait(lambda n=i: program.board.seq == n)  # type: ignore[misc]
            program.face.ahead_ms += 500
        assert newest(program)["lost"] is False
        assert 0.4 < float(str(newest(program)["period_s"])) < 0.8
        program.face.ahead_ms += 1600
        row = newest(program)
        assert row["lost"] is True
        assert float(str(row["age_s"])) > 1.9
        program.send(frame("6.90", "mg/L"))
        program.wait(lambda: program.board.seq == 4)
        assert newest(program)["lost"] is False


def test_known_networks_are_joined_those_in_reach_first(tmp_path: Path) -> None:
    """The second network is in reach and lets the board in; no password is ever said; the name is announced."""
    face = Face(reach=("hall",), lets_in=("hall",))
    with running(tmp_path, face, settings="wifi = far | secret-one\nwifi = hall | secret-two\n") as program:
        assert face.done == [("hostname", "pond-meter"), ("join", "hall", "secret-two")]
        pages = [ask(program, "GET", path)[1] for path in ("/", "/setup", "/overlay", "/api/reading")]
        assert "secret" not in " ".join([*face.said, *pages])
        assert newest(program)["setup"] is False
        assert ask(program, "GET", "/settings")[0] == 404


def test_without_a_known_network_the_set_up_page_takes_one(tmp_path: Path) -> None:
    """Name and password go into the settings file, an older entry of that name goes, and the board starts anew."""
    face = Face()
    with running(tmp_path, face, settings="wifi = pond & co | old-password\n") as program:
        assert ("access point", "pond-meter-setup", "") in face.done
        form = b"name=pond+%26+co&password=gr%C3%BCn-grotto"
        assert ask(program, "POST", "/api/networks", form)[0] == 403, "another site's page could send this"
        mine = {"X-Tapwright": "1"}
        assert ask(program, "POST", "/api/networks", b"name=&password=", mine)[0] == 400
        assert ask(program, "POST", "/api/networks", b"name=a&password=short", mine)[0] == 400
        assert ask(program, "POST", "/api/networks", b"name=a%0Awifi&password=longenough", mine)[0] == 400
        assert ask(program, "POST", "/api/networks", b"x" * 2000, mine)[0] == 413
        assert ask(program, "POST", "/api/networks", form, mine)[0] == 200
        program.wait(lambda: "restart" in face.done)
    kept = (tmp_path / "settings").read_text(encoding="utf-8")
    assert "wifi = pond & co | grün-grotto\n" in kept
    assert "old-password" not in kept
    assert "grotto" not in " ".join(face.said)


def test_in_a_joined_network_wifi_changes_need_the_update_password(tmp_path: Path) -> None:
    """Whoever is in the network may look, not change."""
    face = Face(reach=("hall",), lets_in=("hall",))
    with running(tmp_path, face, settings="wifi = hall | secret-two\n") as program:
        assert ask(program, "POST", "/api/networks", b"name=a&password=", {"X-Tapwright": "1"})[0] == 403


def put(program: Running, name: str, body: bytes, password: str, digest: str | None = None) -> tuple[int, str]:
    """Send an update."""
    said = hashlib.sha256(body).hexdigest() if digest is None else digest
    return ask(program, "PUT", f"/api/update/{name}", body, {"X-Password": password, "X-Sha256": said})


def test_an_update_needs_password_and_digest_and_keeps_the_former_file(tmp_path: Path) -> None:
    """Wrong password, wrong digest, other files and too large ones change nothing."""
    face = Face()
    with running(tmp_path, face, settings=f"update_password = {PASSWORD}\n") as program:
        former = (tmp_path / "page.html").read_bytes()
        new = b"<!doctype html><title>new</title>" * 200
        assert put(program, "page.html", new, "wrong")[0] == 403
        assert put(program, "page.html", new, PASSWORD, "00" * 32)[0] == 400
        assert put(program, "settings", new, PASSWORD)[0] == 404
        assert put(program, "../x", new, PASSWORD)[0] == 404
        assert put(program, "main.py", b"x" * 70_000, PASSWORD)[0] == 413
        assert (tmp_path / "page.html").read_bytes() == former
        assert put(program, "page.html", new, PASSWORD)[0] == 200
        program.wait(lambda: "restart" in face.done)
    assert (tmp_path / "page.html").read_bytes() == new
    assert (tmp_path / "page.html.old").read_bytes() == former
    assert PASSWORD not in " ".join(face.said)


def test_five_wrong_passwords_end_it_and_none_set_means_no_updates(tmp_path: Path) -> None:
    """Guessing ends after five; without a password in the settings nothing is taken over the air."""
    with running(tmp_path, settings=f"update_password = {PASSWORD}\n") as program:
        for _ in range(5):
            assert put(program, "page.html", b"x", "guess")[0] == 403
        status, text = put(program, "page.html", b"x", PASSWORD)
        assert status == 403
        assert "too many" in text
    with running(tmp_path) as program:
        status, text = put(program, "page.html", b"x", "")
        assert status == 403
        assert "only over the cable" in text


def test_a_dozen_viewers_get_every_reading_and_one_more_is_told(tmp_path: Path) -> None:
    """Twelve streams get the same reading; the thirteenth gets 503; places come free again."""
    with running(tmp_path) as program:
        links = [stream(program) for _ in range(12)]
        for link in links:
            until(link, b"\n\n")
        assert ask(program, "GET", "/api/stream")[0] == 503
        program.send(frame("12.5", "°C"))
        for link in links:
            assert b'"display": "12.5"' in until(link, b'"status": "ok"')
        for link in links:
            link.close()
        program.wait(lambda: program.board.site.streams < 12, seconds=15)
        with stream(program) as again:
            assert b"200 OK" in until(again, b"\n\n")


def test_a_failed_self_test_is_told_and_none_is_no_failure(tmp_path: Path) -> None:
    """A table that is not the proven one fails at its frame."""
    def damage(files: dict[str, str]) -> None:
        files["reading.py"] = files["reading.py"].replace("'mg/L'", "'mg/dL'", 1)

    with running(tmp_path, change=damage) as program:
        assert newest(program)["self_test"] == "failed at frame 1 of 2"
        assert "self-test: failed at frame 1 of 2" in program.face.said
    with running(tmp_path, proven=()) as program:
        assert newest(program)["self_test"] == "none"
    assert len(PROVEN) == 2


def test_cells_watchdog_and_pace(tmp_path: Path) -> None:
    """Volts under the supply plan's level are told as low; the watchdog is fed; with nobody looking it slows down."""
    face = Face()
    face.volts = 2.31
    with running(tmp_path, face, settings="battery_pin = 3\n") as program:
        program.wait(lambda: program.board.battery_v is not None)
        row = newest(program)
        assert (row["battery_v"], row["battery_low"]) == (2.31, True)
        assert face.fed >= 1
        assert face.paces[-1] is True
        face.ahead_ms += 60_000
        program.wait(lambda: face.paces[-1] is False)


def test_clients_that_speak_no_http_or_too_much_harm_nobody(tmp_path: Path) -> None:
    """Garbage, an endless head, a cut body and another method; then a reading as before."""
    with running(tmp_path) as program:
        for data in (b"\xff\xfe\x00\r\n\r\n", b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * 2000, b"GET\r\n\r\n", b""):
            with socket.create_connection(("127.0.0.1", program.port), timeout=10) as link:
                try:
                    link.sendall(data)
                    link.shutdown(socket.SHUT_WR)
                    while link.recv(4096):
                        pass
                except (ConnectionResetError, BrokenPipeError):
                    pass
        assert ask(program, "DELETE", "/api/reading")[0] == 405
        program.send(frame("7.01", "pH"))
        program.wait(lambda: program.board.seq == 0)
        assert newest(program)["display"] == "7.01"
        end = time.monotonic() + 5
        while program.board.site.clients and time.monotonic() < end:
            time.sleep(0.01)
        assert program.board.site.clients == 0


def hurried(files: dict[str, str]) -> None:
    """Look after the network twenty times a second."""
    for was, now in (("JOINED_EVERY_S = 5 ", "JOINED_EVERY_S = 0.05 "), ("RETRY_S = 300 ", "RETRY_S = 0.2 ")):
        assert was in files["main.py"]
        files["main.py"] = files["main.py"].replace(was, now)


def test_a_lost_network_is_joined_again_and_readings_go_on(tmp_path: Path) -> None:
    """The network goes and comes back: the board joins by itself, and readings of the time between were taken."""
    face = Face(reach=("hall",), lets_in=("hall",))
    with running(tmp_path, face, settings="wifi = hall | secret-two\n", change=hurried) as program:
        face.lets_in, face.is_joined = (), False
        program.wait(lambda: ("access point", "pond-meter-setup", "") in face.done)
        program.send(frame("7.25", "pH"))
        program.wait(lambda: program.board.seq == 0)
        face.lets_in = ("hall",)
        assert newest(program)["setup"] is True  # somebody looks: the own network stays
        face.ahead_ms += 31_000
        program.wait(lambda: face.is_joined)
        program.wait(lambda: not program.board.is_setup)
        assert newest(program)["display"] == "7.25"


def test_an_update_that_is_cut_off_leaves_nothing_behind(tmp_path: Path) -> None:
    """The connection ends after half of the file: the former file stays, no half one is left, the board serves on."""
    with running(tmp_path, settings=f"update_password = {PASSWORD}\n") as program:
        former = (tmp_path / "reading.py").read_bytes()
        with socket.create_connection(("127.0.0.1", program.port), timeout=10) as link:
            link.sendall(f"PUT /api/update/reading.py HTTP/1.1\r\nX-Password: {PASSWORD}\r\nX-Sha256: {'00' * 32}\r\n"
                         "Content-Length: 5000\r\n\r\n".encode() + b"x" * 2000)
            program.wait(lambda: (tmp_path / "reading.py.new").exists())
        program.wait(lambda: not (tmp_path / "reading.py.new").exists())
        assert (tmp_path / "reading.py").read_bytes() == former
        assert newest(program)["self_test"] == "passed"
        assert "restart" not in program.face.done


def test_no_password_is_said_or_served_anywhere(tmp_path: Path) -> None:
    """Three kinds of passwords, every route, refusals too, and the log."""
    words = ("wifi-word-1", "setup-word-2", PASSWORD)
    settings = f"wifi = hall | {words[0]}\nsetup_password = {words[1]}\nupdate_password = {words[2]}\n"
    face = Face(reach=("hall",))
    with running(tmp_path, face, settings=settings) as program:
        assert ("access point", "pond-meter-setup", words[1]) in face.done
        served = [ask(program, method, path, b"", {"X-Password": "guess", "X-Tapwright": "1"})[1]
                  for path in ("/", "/setup", "/overlay", "/api/reading", "/api/networks", "/api/update/main.py", "/settings")
                  for method in ("GET", "POST", "PUT")]
        with stream(program) as link:
            served.append(until(link, b"\n\n").decode())
    assert not [word for word in words if word in " ".join([*served, *face.said])]


def test_frames_parted_by_silence_become_readings(tmp_path: Path) -> None:
    """A layout told apart by idle time alone: the frame is read when the line has been silent."""
    layout = meter().layout
    assert layout is not None
    instrument = replace(meter(), layout=replace(layout, length="gap", start=b"", gap_s=0.1))
    with running(tmp_path, instrument=instrument) as program:
        assert "gap_s = 0.0500" in (tmp_path / "settings").read_text()
        for i, text in enumerate(("6.82", "7.01")):
            sent = frame(text, "pH")
            program.send(sent[:6])
            program.send(sent[6:])
            program.wait(lambda n=i: program.board.seq == n)  # type: ignore[misc]
            assert newest(program)["display"] == text


def test_levels_that_let_the_instrument_send_are_held_from_the_start(tmp_path: Path) -> None:
    """Outputs named in the settings stand at their level before anything else; what is no pin number is told."""
    face = Face()
    with running(tmp_path, face, settings="hold_high = 4, 7\nhold_low = 12 x\n"):
        assert face.done[:3] == [("hold", 4, 1), ("hold", 7, 1), ("hold", 12, 0)]
        assert "setting hold_low: x is no pin number" in face.said
