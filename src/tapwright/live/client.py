"""A Python client: readings as an async iterator, recordings as tables.

    import asyncio, tapwright.live

    async def main():
        async with tapwright.live.connect("http://127.0.0.1:8380/") as bench:
            async for reading in bench:
                print(reading["display"], reading["unit"], reading["status"])

    asyncio.run(main())

Readings are plain dicts, as the event stream gives them. The client reconnects by itself and asks for what it missed.
It needs the standard library alone; pandas or pyarrow only for `to_pandas` and `to_arrow`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import ssl
from collections.abc import AsyncIterator
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode, urlsplit

from tapwright.core.errors import SourceError

if TYPE_CHECKING:
    import pandas
    import pyarrow

HEAD_MOST = 65_536
LINE_MOST = 1_000_000
#: The server sends a sign of life every 10 s; after this much silence the connection is taken for dead.
SILENT_S = 25.0
RETRY_FIRST_S, RETRY_MOST_S = 0.5, 10.0


@dataclass(frozen=True)
class Event:
    """One event of the stream: `kind` is `reading`, `link`, `dropped`, `settled`, `marker`, `recording`, `recorded`."""

    kind: str
    data: dict[str, Any]


class Bench:
    """One server, and one instrument of it. Iterating gives readings; `events()` gives everything."""

    def __init__(self, url: str, *, instrument: str | None = None, token: str | None = None,
                 reconnect: bool = True) -> None:
        parts = urlsplit(url if "://" in url else f"http://{url}")
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise SourceError(f"'{url}' is no server's address", expected="http://HOST:PORT/")
        self.host, self.tls = parts.hostname, parts.scheme == "https"
        self.port = parts.port or (443 if self.tls else 80)
        self.instrument, self.token, self.reconnect = instrument, token, reconnect
        self._last_id: str | None = None
        self._streams: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> Bench:
        return self

    async def __aexit__(self, kind: type[BaseException] | None, error: BaseException | None,
                        trace: TracebackType | None) -> None:
        await self.close()

    def __aiter__(self) -> AsyncIterator[dict[str, Any]]:
        return self._readings()

    async def close(self) -> None:
        """End every stream."""
        for writer in tuple(self._streams):
            writer.close()

    async def events(self) -> AsyncIterator[Event]:
        """Yield every event; reconnects (unless `reconnect` is False) and asks for what was missed.

        Raises
        ------
        SourceError : the server refuses (a wrong token or name), or without `reconnect` the connection ends
        """
        retry_s = RETRY_FIRST_S
        while True:
            try:
                async for event in self._once():
                    retry_s = RETRY_FIRST_S
                    yield event
                trouble = "the server ended the stream"
            except (OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError, TimeoutError) as error:
                trouble = str(error) or type(error).__name__
            if not self.reconnect:
                raise SourceError(f"{self.host}:{self.port}: {trouble}", expected="a running 'tapwright serve'")
            await asyncio.sleep(retry_s)
            retry_s = min(2 * retry_s, RETRY_MOST_S)

    async def reading(self) -> dict[str, Any] | None:
        """Return the newest reading, None before the first."""
        status, body = await self._ask("GET", "/api/reading")
        return None if status == 404 else _document(status, body)

    async def mark(self, text: str) -> dict[str, Any]:
        """Put a marker beside the readings; return it."""
        status, body = await self._ask("POST", "/api/markers", {"text": text})
        return _document(status, body)

    async def recordings(self) -> list[dict[str, Any]]:
        """Return the recorded sessions, newest first."""
        status, body = await self._ask("GET", "/api/recordings")
        rows: list[dict[str, Any]] = _document(status, body)["recordings"]
        return rows

    async def to_pandas(self, ident: str) -> pandas.DataFrame:
        """Return a recording as a pandas table; columns as in the CSV, `t` in Unix seconds."""
        import io

        import pandas

        return pandas.read_parquet(io.BytesIO(await self._parquet(ident)))

    async def to_arrow(self, ident: str) -> pyarrow.Table:
        """Return a recording as an Arrow table."""
        import pyarrow
        import pyarrow.parquet

        return pyarrow.parquet.read_table(pyarrow.BufferReader(await self._parquet(ident)))

    async def _parquet(self, ident: str) -> bytes:
        status, body = await self._ask("GET", f"/api/recordings/{quote(ident, safe='')}.parquet")
        if status != 200:
            _document(status, body)
        return body

    async def _readings(self) -> AsyncIterator[dict[str, Any]]:
        async for event in self.events():
            if event.kind == "reading":
                yield event.data

    async def _once(self) -> AsyncIterator[Event]:
        more = {"Last-Event-ID": self._last_id} if self._last_id is not None else {}
        reader, writer = await self._send("GET", "/api/stream", headers=more)
        self._streams.add(writer)
        try:
            status, headers = await _head(reader)
            if status != 200:
                _document(status, await _rest(reader, headers))
            lines = _lines(reader, headers)
            kind, data, ident = "reading", "", None
            async for line in lines:
                if line.startswith("event: "):
                    kind = line[7:]
                elif line.startswith("data: "):
                    data = line[6:]
                elif line.startswith("id: "):
                    ident = line[4:]
                elif not line and data:
                    if ident is not None:
                        self._last_id = ident
                    yield Event(kind, json.loads(data))
                    kind, data, ident = "reading", "", None
        finally:
            self._streams.discard(writer)
            writer.close()

    async def _ask(self, method: str, path: str, body: object = None) -> tuple[int, bytes]:
        try:
            reader, writer = await self._send(method, path, body=body)
            try:
                status, headers = await _head(reader)
                return status, await _rest(reader, headers)
            finally:
                writer.close()
                with contextlib.suppress(OSError):
                    await writer.wait_closed()
        except (OSError, asyncio.IncompleteReadError) as trouble:
            raise SourceError(f"{self.host}:{self.port}: {trouble}", expected="a running 'tapwright serve'") from None

    async def _send(self, method: str, path: str, *, body: object = None, headers: dict[str, str] | None = None
                    ) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        reader, writer = await asyncio.open_connection(
            self.host, self.port, ssl=ssl.create_default_context() if self.tls else None, limit=LINE_MOST)
        data = b"" if body is None else json.dumps(body).encode()
        query = f"?{urlencode({'instrument': self.instrument})}" if self.instrument is not None else ""
        host = f"[{self.host}]" if ":" in self.host else self.host
        lines = [f"{method} {path}{query} HTTP/1.1", f"Host: {host}:{self.port}", "Connection: close",
                 f"Content-Length: {len(data)}"]
        if body is not None:
            lines.append("Content-Type: application/json")
        if self.token:
            lines.append(f"Authorization: Bearer {self.token}")
        lines += [f"{name}: {value}" for name, value in (headers or {}).items()]
        writer.write("\r\n".join([*lines, "", ""]).encode("latin-1") + data)
        await writer.drain()
        return reader, writer


def connect(url: str, *, instrument: str | None = None, token: str | None = None, reconnect: bool = True) -> Bench:
    """Return a server's readings; nothing is sent before they are asked for.

    Parameters
    ----------
    url : the address that `tapwright serve` printed
    instrument : its name where the server has several; left out: the first
    token : where the server asks for one
    reconnect : go on after a lost connection; else raise

    Raises
    ------
    SourceError : `url` is no address
    """
    return Bench(url, instrument=instrument, token=token, reconnect=reconnect)


def _document(status: int, body: bytes) -> dict[str, Any]:
    try:
        document: dict[str, Any] = json.loads(body)
    except ValueError:
        document = {}
    if not 200 <= status < 300:
        raise SourceError(f"the server refuses ({status}): {document.get('error', 'no reason given')}",
                          do=str(document.get("do", "")))
    return document


async def _head(reader: asyncio.StreamReader) -> tuple[int, dict[str, str]]:
    head = (await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), SILENT_S)).decode("latin-1").split("\r\n")
    headers = {name.strip().lower(): value.strip() for name, _, value in (line.partition(":") for line in head[1:])}
    return int(head[0].split(" ", 2)[1]), headers


async def _rest(reader: asyncio.StreamReader, headers: dict[str, str]) -> bytes:
    if "content-length" in headers:
        return await reader.readexactly(int(headers["content-length"]))
    return b"".join([piece async for piece in _pieces(reader, headers)])


async def _pieces(reader: asyncio.StreamReader, headers: dict[str, str]) -> AsyncIterator[bytes]:
    if headers.get("transfer-encoding", "").lower() != "chunked":
        while piece := await asyncio.wait_for(reader.read(65_536), SILENT_S):
            yield piece
        return
    while True:
        size = int((await asyncio.wait_for(reader.readuntil(b"\r\n"), SILENT_S)).split(b";")[0], 16)
        piece = await reader.readexactly(size + 2)
        if not size:
            return
        yield piece[:-2]


async def _lines(reader: asyncio.StreamReader, headers: dict[str, str]) -> AsyncIterator[str]:
    rest = b""
    async for piece in _pieces(reader, headers):
        *lines, rest = (rest + piece).split(b"\n")
        for line in lines:
            yield line.decode()
