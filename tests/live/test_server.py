"""The running server: readings reach clients, gaps and loss are said, nobody is delayed, nobody unknown gets in."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from collections.abc import Iterator

import pytest
from openapi_spec_validator import validate
from tests.live.bench import Events, Feed, Running, frame, running, wait_for

import tapwright.live
from tapwright.core.errors import SourceError

pytestmark = pytest.mark.slow


@pytest.fixture
def feed() -> Iterator[Feed]:
    feed = Feed()
    yield feed
    feed.close()


def receiving(server: Running, feed: Feed, count: int = 12, period_s: float = 0.05) -> None:
    """Send some frames at a steady pace, so that the usual period is known."""
    for i in range(count):
        feed.send(frame(f"6.{80 + i % 10}"))
        time.sleep(period_s)


def test_the_page_is_there_before_the_instrument() -> None:
    """With nothing listening at the source: pages, API and the reason, in words."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with running(f"tcp://127.0.0.1:{port}") as server:
        for path in ("/", "/overlay", "/i/pond", "/i/pond/overlay", "/static/main.js", "/api", "/health"):
            assert server.get(path)[0] == 200, path
        assert server.get("/i/other")[0] == 404
        status, _, body = server.get("/api/reading")
        assert status == 404
        link = wait_for(lambda: (found := server.json("/api/instruments")["instruments"][0]["link"])["retry_s"]
                        and found)
        assert json.loads(body)["error"] == "no reading yet"
        assert link["state"] == "waiting"
        assert link["text"] == f"127.0.0.1:{port} refuses"
        assert link["waits_for"]


def test_readings_arrive_in_order_with_their_own_digits(feed: Feed) -> None:
    """One event a frame, `seq` without holes, the value's digits kept, prefix and sign shown."""
    with running(feed.url) as server:
        events = Events(server.port)
        feed.send(frame("6.820", 1) + frame("-12.5", 2) + frame("OL", 4) + frame("", 1))
        feed.send(frame("21.5", 3, hold=True) * 2)
        got = [events.next("message") for _ in range(5)]
        assert [event[2]["seq"] for event in got] == [0, 1, 2, 3, 4]
        assert [event[1] for event in got] == ["0", "1", "2", "3", "4"]
        shown = [(e["display"], e["value"], e["unit"], e["flags"], e["status"]) for _, _, e in got]
        assert shown[:3] == [("6.820", 6.82, "mg/L", "", "ok"), ("-12.5", -12.5, "mV", "", "ok"),
                             ("OL", None, "kΩ", "", "overload")]
        assert shown[3][0].strip() == ""
        assert shown[4] == ("21.5", 21.5, "°C", "HOLD", "ok")
        assert b'"value":21.5,' in server.get("/api/reading")[2]
        events.close()


def test_frames_in_pieces_and_noise_between_them(feed: Feed) -> None:
    """Single bytes, then noise: the framer finds its place again and invents nothing."""
    with running(feed.url) as server:
        events = Events(server.port, "/api/stream?events=readings")
        for byte in frame("1.11") + frame("2.22"):
            feed.send(bytes([byte]))
            time.sleep(0.001)
        feed.send(b"\x5a\xa5\x00\xff noise \x5a" + frame("3.33") + frame("4.44") + frame("5.55"))
        got = []
        while "5.55" not in got:
            event = events.next("message")[2]
            if event["status"] == "ok":
                got.append(event["display"])
        assert got == ["1.11", "2.22", "3.33", "4.44", "5.55"]
        events.close()


def test_silence_and_loss_are_said_within_three_periods_and_the_gap_is_marked(feed: Feed) -> None:
    """`silent` when frames stop, `lost` when the source goes, then receiving again, with the gap on the reading."""
    with running(feed.url) as server:
        events = Events(server.port)
        receiving(server, feed)
        last = time.time()
        _, _, link = events.next("link")
        while link["state"] != "silent":
            _, _, link = events.next("link")
        assert link["since"] - last < 3.0  # three periods of 0.05 s; the rest is for a busy machine
        assert server.json("/api/reading")["stale"] is True
        feed.hang_up()
        while link["state"] != "lost":
            _, _, link = events.next("link")
        assert "closed" in link["text"]
        feed.send(frame("7.00") * 2)
        reading = events.next("message")[2]
        while reading["display"] != "7.00":
            reading = events.next("message")[2]
        assert reading["gap_s"] > 0.2
        assert reading["seq"] == 12
        events.close()


def test_a_client_that_comes_back_gets_what_it_missed(feed: Feed) -> None:
    """`Last-Event-ID` gives all later readings that are held; a number of an earlier run gives the newest."""
    with running(feed.url) as server:
        receiving(server, feed, 8, 0.01)
        wait_for(lambda: server.json("/api/statistics")["readings"] == 8)
        events = Events(server.port, headers="Last-Event-ID: 3\r\n")
        assert [events.next("message")[1] for _ in range(4)] == ["4", "5", "6", "7"]
        later = Events(server.port, headers="Last-Event-ID: 3000\r\n")
        assert later.next("message")[1] == "7"
        events.close()
        later.close()


def test_a_client_that_does_not_read_is_told_later_and_delays_nobody(feed: Feed) -> None:
    """One stuck client beside a quick one: the quick one gets all, the stuck one gets `dropped`, memory is bounded."""
    with running(feed.url) as server:
        stuck = socket.socket()
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16_384)
        stuck.connect(("127.0.0.1", server.port))
        stuck.sendall(b"GET /api/stream?events=readings HTTP/1.0\r\nHost: localhost\r\n\r\n")
        quick = Events(server.port, "/api/stream?events=readings")
        sent, got = 2000, []
        for start in range(0, sent, 100):
            feed.send(b"".join(frame(f"{i:6d}") for i in range(start, start + 100)))
            got += [quick.next()[2]["seq"] for _ in range(99 if not got else 100)]
        assert got == list(range(sent - 1))
        assert server.service.streams["pond"].dropped > 0
        data = b""
        stuck.settimeout(10)
        feed.send(frame("1.00"))
        while b"event: dropped" not in data:
            data += stuck.recv(65536)
            feed.send(frame("1.00"))
            time.sleep(0.001)
        note = json.loads(data.split(b"event: dropped\ndata: ")[1].split(b"\n")[0])
        assert note["count"] == note["to"] - note["from"] + 1
        stuck.close()
        quick.close()


def test_streams_end_and_the_server_stops_with_clients_on_it(feed: Feed) -> None:
    """Stopping closes open streams properly."""
    with running(feed.url) as server:
        events = Events(server.port)
        events.next("link")
        started = time.monotonic()
    assert time.monotonic() - started < 20
    with pytest.raises(EOFError):
        events.next("never")
    events.close()


def test_two_instruments_have_pages_and_streams_of_their_own(feed: Feed) -> None:
    """Readings of one never show on the other."""
    other = Feed()
    with running(feed.url, other.url) as server:
        first, second = Events(server.port), Events(server.port, "/api/stream?instrument=pond-2")
        feed.send(frame("1.00") * 2)
        other.send(frame("2.00") * 2)
        assert first.next("message")[2]["display"] == "1.00"
        assert second.next("message")[2]["display"] == "2.00"
        assert [row["page"] for row in server.json("/api/instruments")["instruments"]] == ["/i/pond-1", "/i/pond-2"]
        assert server.get("/api/stream?instrument=x")[0] == 404
        first.close()
        second.close()
    other.close()


def test_the_api_is_described_by_a_valid_openapi_document() -> None:
    """The general OpenAPI validator takes the document, and every path in it answers."""
    with running("tcp://127.0.0.1:9") as server:
        document = json.loads(server.get("/openapi.json")[2])
        validate(document)
        for path in document["paths"]:
            if path != "/api/stream":
                status = server.get(path.replace("{ident}", "none"))[0]
                assert status in (200, 404, 405), path


@pytest.mark.parametrize(("path", "status"), [
    ("/api/trend?seconds=x", 400), ("/api/trend?points=1", 400), ("/api/trend?seconds=nan", 400),
    ("/api/settled?limit=-1", 400), ("/api/stream?events=some", 400), ("/api/reading?instrument=%3Cb%3E", 404),
    ("/api/recordings/none.csv", 404), ("/found/..%2Fsecret.svg", 404), ("/static/../app.py", 404),
    ("/static/%2e%2e/app.py", 404), ("/nothing", 404)])
def test_wrong_requests_are_refused_in_json(path: str, status: int) -> None:
    """A wrong request gets a reason; files outside the page's folder are not served."""
    with running("tcp://127.0.0.1:9") as server:
        got, headers, body = server.get(path)
        assert got == status
        assert headers["content-type"].startswith("application/json")
        assert json.loads(body)["error"]


def test_hosts_and_origins_that_are_not_ours_are_refused() -> None:
    """DNS rebinding (a foreign Host) and other sites' pages (a foreign Origin) get nothing."""
    with running("tcp://127.0.0.1:9") as server:
        here = f"127.0.0.1:{server.port}"
        for headers, status in (
            ({"Host": "evil.example"}, 403), ({"Host": "evil.example:80"}, 403), ({"Host": ""}, 403),
            ({"Host": "localhost"}, 200), ({"Host": f"[::1]:{server.port}"}, 200), ({"Host": "192.0.2.7"}, 200),
            ({"Host": here, "Origin": "http://evil.example"}, 403), ({"Host": here, "Origin": "null"}, 403),
            ({"Host": here, "Origin": f"http://{here}"}, 200), ({"Host": here, "Origin": "http://127.0.0.1:1"}, 403),
        ):
            assert server.get("/api/instruments", headers)[0] == status, headers
        assert server.ask("POST", "/api/markers", {"text": "x"}, {"Origin": "http://evil.example"})[0] == 403
        assert server.ask("POST", "/api/markers", {"text": "x"}, {"Sec-Fetch-Site": "cross-site"})[0] == 403
        assert server.ask("POST", "/api/markers", None, {"Content-Type": "text/plain"})[0] == 400
        assert server.ask("POST", "/api/markers", {"text": "x"})[0] == 201


def test_every_answer_carries_the_content_security_policy() -> None:
    """Nothing but this server's own files runs; errors and downloads included."""
    with running("tcp://127.0.0.1:9") as server:
        for path in ("/", "/overlay", "/api/reading", "/nothing", "/static/main.js", "/metrics", "/api"):
            headers = server.get(path)[1]
            policy = headers["content-security-policy"]
            assert "default-src 'none'" in policy, path
            assert "unsafe" not in policy
            assert headers["x-content-type-options"] == "nosniff"
        for path in ("/", "/overlay", "/api"):
            text = server.get(path)[2].decode()
            assert "<style" not in text
            assert " onload=" not in text
            assert all(part.lstrip().startswith(('type="module" src="/static/', 'src="/static/'))
                       for part in text.split("<script")[1:])


def test_changing_needs_the_token_and_reading_does_not() -> None:
    """With a token: 401 for changes without it, by header or by the cookie that `?token=` sets."""
    with running("tcp://127.0.0.1:9", token="secret-1") as server:
        assert server.get("/api/instruments")[0] == 200
        assert server.ask("POST", "/api/markers", {"text": "x"})[0] == 401
        assert server.ask("POST", "/api/markers", {"text": "x"}, {"Authorization": "Bearer wrong"})[0] == 401
        assert server.ask("POST", "/api/markers?token=secret-1", {"text": "x"})[0] == 401  # not in a changing address
        assert server.ask("POST", "/api/markers", {"text": "x"}, {"Authorization": "Bearer secret-1"})[0] == 201
        status, headers, _ = server.get("/?token=secret-1&x=1")
        assert (status, headers["location"]) == (303, "/?x=1")
        cookie = headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert server.ask("POST", "/api/markers", {"text": "y"}, {"Cookie": cookie.split(";")[0]})[0] == 201
        for path in ("//evil.example/?token=secret-1", "/%5Cevil.example/?token=secret-1"):
            assert not server.get(path)[1].get("location", "/").startswith(("//", "/\\"))


def test_a_private_server_shows_nothing_without_the_token() -> None:
    """`--private`: pages, streams and metrics need it as well; only /health does not."""
    with running("tcp://127.0.0.1:9", token="secret-1", private=True) as server:
        for path in ("/", "/overlay", "/api/reading", "/api/stream", "/metrics", "/static/main.js"):
            assert server.get(path)[0] == 401, path
        assert server.get("/health")[0] == 200
        assert server.get("/metrics", {"Authorization": "Bearer secret-1"})[0] == 200
        events = Events(server.port, "/api/stream?token=secret-1")
        assert b"200 OK" in events.head
        events.close()


def test_the_python_client_iterates_marks_and_comes_back(feed: Feed) -> None:
    """`tapwright.live.connect`: an async iterator that outlives a lost connection without losing a reading."""
    async def use(server: Running) -> list[int]:
        seqs: list[int] = []
        sent = False
        async with tapwright.live.connect(server.url) as bench:
            assert await bench.reading() is None
            async for event in bench.events():
                if event.kind == "link" and not sent:
                    feed.send(frame("1.00") * 6)
                    sent = True
                if event.kind != "reading":
                    continue
                seqs.append(event.data["seq"])
                if seqs == [0, 1, 2]:
                    for client in tuple(server.service.streams["pond"].clients):
                        server.loop.call_soon_threadsafe(client.transport.abort)
                    feed.send(frame("2.00") * 4)
                if seqs[-1] >= 8:
                    break
            async for reading in bench:
                assert reading["display"] == "2.00"
                break
            marker = await bench.mark("pump on")
            assert marker["text"] == "pump on"
        return seqs
    with running(feed.url) as server:
        seqs = asyncio.run(use(server))
        assert seqs[:9] == list(range(9))


def test_the_python_client_says_what_is_wrong() -> None:
    """A wrong address, a wrong name, no server: SourceError, in words."""
    with pytest.raises(SourceError, match="is no server's address"):
        tapwright.live.connect("ftp://127.0.0.1/")

    async def first(url: str, **options: str) -> object:
        async with contextlib.aclosing(tapwright.live.connect(url, reconnect=False, **options).events()) as events:
            return await anext(events)
    with running("tcp://127.0.0.1:9") as server, pytest.raises(SourceError, match="no instrument called 'x'"):
        asyncio.run(first(server.url, instrument="x"))
    with pytest.raises(SourceError, match="expected a running 'tapwright serve'"):
        asyncio.run(first(server.url))


def test_markers_and_figures(feed: Feed) -> None:
    """A marker is kept with its moment, its text as plain text; figures begin anew when asked."""
    with running(feed.url) as server:
        receiving(server, feed, 6, 0.01)
        wait_for(lambda: server.json("/api/statistics")["readings"] == 6)
        events = Events(server.port)
        status, _, body = server.ask("POST", "/api/markers", {"text": "  <b>pump</b>\u0007on "})
        assert status == 201
        assert json.loads(body)["text"] == "<b>pump</b> on"
        assert events.next("marker")[2]["text"] == "<b>pump</b> on"
        for wrong in ({}, {"text": ""}, {"text": 3}, {"text": "x" * 201}, {"text": "x", "t": "now"},
                      {"text": "x", "t": True}):
            assert server.ask("POST", "/api/markers", wrong)[0] == 400, wrong
        assert server.ask("POST", "/api/markers", {"text": "x" * 20_000})[0] == 413
        assert server.ask("POST", "/api/statistics/reset", {})[0] == 200
        assert server.json("/api/statistics")["readings"] == 0
        assert server.ask("POST", "/api/recording", {"on": True})[0] == 400  # nothing records here
        events.close()
