"""Recording: what was told as recorded is there after kill -9, a full disk, a removed file, a lost database."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from tests.live.bench import Events, Feed, frame, frames_file, instrument, running, wait_for

from tapwright.core.errors import TapwrightError
from tapwright.core.reading import Reading, Status
from tapwright.live.framer import Framed
from tapwright.live.hub import Hub
from tapwright.live.sinks import recorder
from tapwright.live.store import Store, open_for_reading
from tapwright.live.told import tell_recording

pytestmark = pytest.mark.slow

POSTGRES = next(iter(sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))), None) or shutil.which("postgres")


class FakeClock:
    """A clock that goes only when told."""

    def __init__(self) -> None:
        self.now = 1_754_000_000.0

    def mono(self) -> float:
        return self.now

    def wall(self) -> float:
        return self.now


def reading(display: str, seq: int, status: Status = Status.OK) -> Reading:
    return Reading(t_s=0.0, display=display, value=Decimal(display) if status is Status.OK else None, unit="mg/L",
                   flags="", status=status, seq=seq)


@pytest.fixture
def feed() -> Iterator[Feed]:
    feed = Feed()
    yield feed
    feed.close()


def kill_at_random(folder: Path, seed: int) -> int:
    """Start the command on a quick replay, kill it at a random moment; return the last `seq` told as recorded."""
    command = [sys.executable, "-m", "tapwright", "serve", "--instrument", "instrument.toml", "--source",
               "replay:frames.csv?speed=20&loop=yes", "--port", "0", "--record", "r.sqlite", "--json"]
    with subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process, \
            contextlib.ExitStack() as last:
        last.callback(process.kill)
        assert process.stdout is not None
        text = ""
        while not text.endswith("\n}\n"):
            line = process.stdout.readline().decode()
            assert line, "the server did not start"
            text += line
        port = int(json.loads(text)["url"].rstrip("/").rpartition(":")[2])
        events = Events(port)
        told = {}
        end = time.monotonic() + random.Random(seed).uniform(0.5, 1.2)
        while time.monotonic() < end or not told:
            _, _, recorded = events.next("recorded")
            told[recorded["session"]] = recorded["through"]
        process.send_signal(signal.SIGKILL)
        process.wait(10)
        events.close()
    with sqlite3.connect(folder / "r.sqlite") as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        for session, through in told.items():
            seqs = [row[0] for row in database.execute(
                "SELECT seq FROM readings JOIN sessions ON number = session WHERE id = ? AND seq <= ? ORDER BY seq",
                (session, through))]
            assert seqs == list(range(through + 1)), f"a reading told as recorded is missing in {session}"
    database.close()
    return max(told.values())


def test_what_was_told_as_recorded_survives_kill_nine(tmp_path: Path) -> None:
    """Killed at random moments, on the same file: every acknowledged reading is there, and recording goes on."""
    from tapwright.evidence.instrument_file import write_instrument

    write_instrument(tmp_path / "instrument.toml", instrument())
    frames_file(tmp_path / "frames.csv", [frame(f"{i / 100:.2f}") for i in range(300)])
    for seed in range(int(os.environ.get("TAPWRIGHT_KILLS", "2"))):
        assert kill_at_random(tmp_path, seed) > 0


def test_the_schema_is_the_documented_one(tmp_path: Path, feed: Feed) -> None:
    """Another program (the sqlite3 module) reads what docs/reference/serve.md describes; WAL mode is on."""
    where = tmp_path / "r.sqlite"
    with running(feed.url, record=recorder.Options(where=str(where), bench="hatchery")) as server:
        events = Events(server.port)
        feed.send(frame("6.820", 1, hold=True) + frame("OL", 4))
        assert server.ask("POST", "/api/markers", {"text": "pump on"})[0] == 201
        while events.next("recorded")[2]["through"] < 1:
            pass
        wait_for(lambda: server.json("/api/recordings")["recordings"][0]["markers"] == 1)
        state = server.json("/api/recording")
        assert (state["state"], state["through"], state["waiting"]) == ("recording", 1, 0)
        events.close()
    with sqlite3.connect(where) as database:
        assert database.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert database.execute("SELECT value FROM about WHERE name = 'schema'").fetchone() == ("1",)
        assert database.execute("SELECT instrument, bench FROM sessions").fetchall() == [("pond", "hatchery")]
        rows = database.execute("SELECT seq, display, value, unit, flags, status, gap_s FROM readings").fetchall()
        assert rows == [(0, "6.820", 6.82, "mg/L", "HOLD", "ok", None), (1, "OL", None, "kΩ", "", "overload", None)]
        assert database.execute("SELECT text FROM markers").fetchall() == [("pump on",)]
    database.close()
    text = (Path(__file__).parents[2] / "docs" / "reference" / "serve.md").read_text(encoding="utf-8")
    for table in ("sessions", "readings", "markers", "stretches", "about"):
        assert f"`{table}`" in text


def test_a_session_begins_when_the_instrument_is_switched_on() -> None:
    """After 30 s of silence the next reading begins a new session; after a shorter one it does not."""
    clock = FakeClock()
    hub = Hub("pond", clock=clock)
    idents = []
    for i, step in enumerate((0.1, 0.1, 0.1, 0.1, 29.0, 0.1, 31.0, 0.1)):
        clock.now += step
        moment = hub.publish(Framed(reading("1.00", i), clock.now))
        idents.append(moment.session.ident)
    assert len(set(idents[:6])) == 1
    assert len(set(idents[6:])) == 1
    assert idents[5] != idents[6]
    assert hub.last is not None
    assert hub.last.t_s == pytest.approx(0.1)


async def _record(where: Path, break_it: object, mend_it: object, clock: FakeClock) -> recorder.Recorder:
    hub = Hub("pond", clock=clock)
    one = recorder.Recorder(recorder.Options(where=str(where)), [hub], clock=clock)
    told: list[str] = []
    tell_recording(hub, one, told.append)
    one.start()
    states: list[str] = []
    hub.listen(lambda kind, event: states.append(one.state) if kind == "recording" else None)
    seq = 0

    async def more(count: int) -> None:
        nonlocal seq
        for _ in range(count):
            clock.now += 0.1
            hub.publish(Framed(reading("1.00", seq), clock.now))
            seq += 1

    async def until(holds: object) -> None:
        end = time.monotonic() + 15
        while not holds():  # type: ignore[operator]
            assert time.monotonic() < end, (one.state, one.text)
            await asyncio.sleep(0.01)
    await more(50)
    await until(lambda: one.written == 50)
    break_it(one)  # type: ignore[operator]
    await more(500)
    await until(lambda: one.state == "stopped" or one.written == 550)
    await more(50)
    mend_it(one)  # type: ignore[operator]
    await until(lambda: one.written == 600)
    assert one.state == "recording"
    assert one.not_recorded == 0
    # What the page says is said on the terminal too, once each.
    assert [text.partition(":")[0] for text in told] in ([], ["recording stopped", "recording goes on"])
    await one.stop()
    return one


def test_a_full_disk_stops_recording_with_words_and_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch
                                                                  ) -> None:
    """SQLite's own "database or disk is full" (its page limit): said so; with room again all that waited is written."""
    monkeypatch.setattr(recorder, "RETRY_S", 0.05)
    said: list[str] = []
    where = tmp_path / "r.sqlite"
    limit = {"pages": 0}
    from sqlalchemy import event

    def full(one: recorder.Recorder) -> None:
        assert one.store is not None
        engine = one.store._engine

        def limited(connection: sqlite3.Connection, _: object) -> None:
            connection.execute(f"PRAGMA max_page_count = {limit['pages'] or 1_000_000}")
        event.listen(engine, "connect", limited)
        with sqlite3.connect(where) as database:
            limit["pages"] = database.execute("PRAGMA page_count").fetchone()[0]
        database.close()
        engine.dispose()

    def room(one: recorder.Recorder) -> None:
        said.append(one.text)
        limit["pages"] = 0
    asyncio.run(_record(where, full, room, FakeClock()))
    assert said == ["recording stopped: the disk is full; readings go on and wait in memory"]
    store = open_for_reading(str(where))
    assert [row[0] for row in store.rows(store.sessions()[0])] == list(range(600))
    store.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte; only root may make one."""
    where = tmp_path / "disk"
    where.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(where)], capture_output=True, text=True)
    if made.returncode:
        pytest.skip(f"no small file system can be made here: {made.stderr.strip()}")
    yield where
    subprocess.run(["umount", str(where)], check=True)


def test_a_really_full_disk_stops_recording_and_loses_nothing(small_disk: Path, monkeypatch: pytest.MonkeyPatch
                                                              ) -> None:
    """No block left on a real file system: said so; once a file is removed all that waited is written."""
    monkeypatch.setattr(recorder, "RETRY_S", 0.05)
    said: list[str] = []
    where, filler = small_disk / "r.sqlite", small_disk / "video"

    def full(one: recorder.Recorder) -> None:
        with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(bytes(4096))

    def room(one: recorder.Recorder) -> None:
        said.append(one.text)
        filler.unlink()
    asyncio.run(_record(where, full, room, FakeClock()))
    assert said == ["recording stopped: the disk is full; readings go on and wait in memory"]
    store = open_for_reading(str(where))
    assert [row[0] for row in store.rows(store.sessions()[0])] == list(range(600))
    store.close()


def test_a_removed_file_is_begun_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Someone deletes the file: writing goes on in a new one, not into the deleted one."""
    monkeypatch.setattr(recorder, "RETRY_S", 0.05)
    where = tmp_path / "r.sqlite"

    def remove(one: recorder.Recorder) -> None:
        for path in tmp_path.glob("r.sqlite*"):
            path.unlink()
    asyncio.run(_record(where, remove, lambda one: None, FakeClock()))
    store = open_for_reading(str(where))
    assert [row[0] for row in store.rows(store.sessions()[0])] == list(range(50, 600))
    store.close()


def test_old_readings_are_removed_and_the_rest_stays(tmp_path: Path) -> None:
    """Retention: older than the limit goes, empty sessions go, the file gets smaller."""
    clock = FakeClock()
    store = Store(str(tmp_path / "r.sqlite"))
    store.create()
    hub = Hub("pond", clock=clock)
    for day in range(3):
        moments = []
        for i in range(2000):
            clock.now += 0.1
            moments.append(hub.publish(Framed(reading("1.00", day * 2000 + i), clock.now)))
        store.write(moments, {moments[0].session.ident: 2000}, [], "bench")
        clock.now += 86_400
    before = (tmp_path / "r.sqlite").stat().st_size
    assert store.prune(clock.now - 2.5 * 86_400) == 2000
    assert len(store.sessions()) == 2
    store.close()
    with sqlite3.connect(tmp_path / "r.sqlite") as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()
    assert (tmp_path / "r.sqlite").stat().st_size < before or before == 4096


@pytest.mark.parametrize(("content", "message"), [
    (b"t,seq\n", "this is no SQLite file"), (b"SQLite format 3\0" + b"x" * 200, ""), (None, "no such file")])
def test_what_is_no_recording_is_refused(tmp_path: Path, content: bytes | None, message: str) -> None:
    """A wrong file is refused with its name, and never changed."""
    path = tmp_path / "r.sqlite"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(TapwrightError) as caught:
        open_for_reading(str(path))
    assert message in caught.value.message()
    assert str(path) in caught.value.message()
    assert content is None or path.read_bytes() == content


class Postgres:
    """A PostgreSQL server of our own, on a free port of the loopback, as a user who is not root."""

    def __init__(self, folder: Path, program: Path) -> None:
        self.folder, self.program = folder, program
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.as_user: list[str] = []
        if os.geteuid() == 0:
            self.as_user = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"]
            shutil.chown(folder, "nobody", "nogroup")
        subprocess.run([*self.as_user, program.with_name("initdb"), "-D", folder / "data", "-U", "bench", "-A", "trust",
                        "--no-sync", "-E", "UTF8", "--locale=C"], check=True, capture_output=True)
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """What --record takes."""
        return f"postgresql://bench@127.0.0.1:{self.port}/postgres"

    def start(self) -> None:
        """Start it; it answers some moments later."""
        self.process = subprocess.Popen(
            [*self.as_user, self.program, "-D", self.folder / "data", "-p", str(self.port), "-h", "127.0.0.1", "-k",
             self.folder, "-F"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def stop(self) -> None:
        """Stop it at once, as a pulled plug would."""
        if self.process is not None:
            self.process.send_signal(signal.SIGQUIT)
            self.process.wait(20)


@pytest.mark.skipif(POSTGRES is None, reason="needs the PostgreSQL server (Debian: postgresql)")
def test_a_postgresql_server_goes_and_comes_back_and_nothing_is_lost(tmp_path: Path, feed: Feed,
                                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    """Not yet there, there, killed, there again: every reading of all four stretches is in the table."""
    monkeypatch.setattr(recorder, "RETRY_S", 0.1)
    folder = Path("/tmp") / f"tapwright-pg-{os.getpid()}"
    folder.mkdir()
    server_of = Postgres(folder, Path(str(POSTGRES)))
    try:
        with running(feed.url, record=recorder.Options(where=server_of.url, bench="b1")) as server:
            feed.send(frame("0.00") * 21)
            state = wait_for(lambda: (s := server.json("/api/recording"))["state"] == "stopped" and s)
            assert "readings go on" in str(state["text"])
            assert server.json("/api/statistics")["readings"] == 21  # readings go on
            for stretch in range(2):
                server_of.start()
                feed.send(frame(f"{stretch + 1}.00") * 20)
                wait_for(lambda: (s := server.json("/api/recording"))["state"] == "recording" and not s["waiting"])
                if stretch == 0:
                    server_of.stop()
                    feed.send(frame("5.00") * 20)
                    wait_for(lambda: server.json("/api/recording")["state"] == "stopped")
            rows = server.json("/api/recordings")["recordings"]
            assert [row["readings"] for row in rows] == [server.json("/api/statistics")["readings"]]
            assert rows[0]["readings"] >= 80
            assert server.json("/api/recording")["not_recorded"] == 0
            csv = server.get(f"/api/recordings/{rows[0]['id']}.csv")[2].decode().splitlines()
            assert len(csv) == rows[0]["readings"] + 1
            assert server.json(f"/api/recordings/{rows[0]['id']}/trend")["segments"]
        import psycopg

        with psycopg.connect(server_of.url) as database:
            seqs = [row[0] for row in database.execute("SELECT seq FROM readings ORDER BY seq").fetchall()]
        assert seqs == list(range(rows[0]["readings"]))
    finally:
        server_of.stop()
        shutil.rmtree(folder)
