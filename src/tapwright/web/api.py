"""The routes under /api: JSON of what the service holds. docs/reference/serve.md describes each for users."""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Awaitable, Callable, Iterator
from typing import TYPE_CHECKING, TypeVar

from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from tapwright import VERSION
from tapwright.core.frame import FrameLayout
from tapwright.core.instrument import Instrument
from tapwright.core.line import AsyncSettings
from tapwright.live.hub import Hub
from tapwright.live.service import Service
from tapwright.live.sinks.metrics import CONTENT_TYPE
from tapwright.web.stream import StreamResponse

if TYPE_CHECKING:
    from tapwright.live.store import Recorded, Store

BODY_MOST = 10_000
MARKER_MOST = 200
POINTS_MOST = 5000
SETTLED_MOST = 1000
Handler = Callable[[Request], Awaitable[Response]]
T = TypeVar("T")


class Refusal(Exception):
    """An answer that is an error: status, what is wrong, what to do."""

    def __init__(self, status: int, error: str, do: str = "", **more: object) -> None:
        super().__init__(error)
        self.status = status
        self.document = {"error": error, **({"do": do} if do else {}), **more}


class Api:
    """The handlers, over one service."""

    def __init__(self, service: Service) -> None:
        self.service = service

    def routes(self) -> list[Route]:
        """Return every route of the API."""
        table: list[tuple[str, Handler, str]] = [
            ("/api/instruments", self.instruments, "GET"),
            ("/api/instrument", self.instrument, "GET"),
            ("/api/reading", self.reading, "GET"),
            ("/api/trend", self.trend, "GET"),
            ("/api/statistics", self.statistics, "GET"),
            ("/api/statistics/reset", self.reset, "POST"),
            ("/api/settled", self.settled, "GET"),
            ("/api/markers", self.markers, "GET"),
            ("/api/markers", self.mark, "POST"),
            ("/api/recording", self.recording, "GET"),
            ("/api/recording", self.set_recording, "POST"),
            ("/api/recordings", self.recordings, "GET"),
            ("/api/recordings/{ident}.csv", self.recording_csv, "GET"),
            ("/api/recordings/{ident}.parquet", self.recording_parquet, "GET"),
            ("/api/recordings/{ident}.vtt", self.recording_vtt, "GET"),
            ("/api/recordings/{ident}/trend", self.recording_trend, "GET"),
            ("/api/recordings/{ident}", self.one_recording, "GET"),
            ("/metrics", self.metrics, "GET"),
            ("/health", self.health, "GET"),
        ]
        return [Route("/api/stream", self.stream, methods=["GET"]),
                *(Route(path, _answering(handler), methods=[method]) for path, handler, method in table)]

    # Readings

    async def stream(self, request: Request) -> Response:
        """Server-sent events."""
        try:
            hub = self._hub(request)
            kind = request.query_params.get("events", "all")
            if kind not in ("all", "readings"):
                raise Refusal(400, f"events={kind}", "give all or readings")
        except Refusal as refusal:
            return _json(refusal.document, refusal.status)
        after = request.headers.get("last-event-id", "")
        # An ASGI answer of its own, not a Response: it writes to the connection itself.
        return StreamResponse(  # type: ignore[return-value]
            self.service.streams[hub.name], all_events=kind == "all",
            after_seq=int(after) if after.isascii() and after.isdigit() else None)

    async def reading(self, request: Request) -> Response:
        """The newest reading."""
        hub = self._hub(request)
        link, last = hub.link_now().document(), hub.last
        if last is None:
            raise Refusal(404, "no reading yet", "wait for the link", link=link)
        age_s = hub.age_s() or 0.0
        # The reading's own text keeps the number's digits (6.820).
        more = json.dumps({"age_s": round(age_s, 3), "stale": not hub.is_live(), "link": link}, ensure_ascii=False)
        return Response(last.json()[:-1] + "," + more[1:], media_type="application/json", headers=_NO_STORE)

    async def trend(self, request: Request) -> Response:
        """The trend, thinned."""
        hub = self._hub(request)
        seconds = _number(request, "seconds", 600.0, 1.0, 1_300_000.0)
        points = int(_number(request, "points", 600, 2, POINTS_MOST))
        end = hub.clock.wall()
        segments = hub.trend.segments(end - seconds, end, points)
        return _json({"instrument": hub.name, "from": end - seconds, "to": end, "seconds": seconds,
                      "segments": segments})

    async def statistics(self, request: Request) -> Response:
        """Figures since the last reset."""
        hub = self._hub(request)
        return _json({"instrument": hub.name, **hub.figures.document()})

    async def reset(self, request: Request) -> Response:
        """Begin the figures anew."""
        self._hub(request).reset_figures()
        return await self.statistics(request)

    async def settled(self, request: Request) -> Response:
        """Settled readings."""
        hub = self._hub(request)
        limit = int(_number(request, "limit", 200, 0, SETTLED_MOST))
        return _json({"instrument": hub.name, "settled": [row.document() for row in hub.settled_rows(limit)]})

    # Instruments

    async def instruments(self, request: Request) -> Response:
        """All instruments."""
        rows = []
        for member in self.service.plan.members:
            hub = self.service.hubs[member.name]
            rows.append({"name": member.name, "title": member.instrument.name or member.name,
                         "source": member.source.url, "page": f"/i/{member.name}",
                         "overlay": f"/i/{member.name}/overlay", "link": hub.link_now().document()})
        return _json({"instruments": rows})

    async def instrument(self, request: Request) -> Response:
        """How one instrument is read."""
        hub = self._hub(request)
        member = next(member for member in self.service.plan.members if member.name == hub.name)
        return _json({"name": member.name, "source": member.source.url, **described(member.instrument)})

    # Markers and recording

    async def markers(self, request: Request) -> Response:
        """Markers of this run."""
        hub = self._hub(request)
        return _json({"instrument": hub.name, "markers": [marker.document() for marker in hub.markers]})

    async def mark(self, request: Request) -> Response:
        """A new marker."""
        hub = self._hub(request)
        body = await _body(request)
        text, t = body.get("text"), body.get("t")
        if not isinstance(text, str) or not 1 <= len(text.strip()) <= MARKER_MOST:
            raise Refusal(400, "no text in the marker", f'send {{"text": "..."}}, 1 to {MARKER_MOST} characters')
        if t is not None and (isinstance(t, bool) or not isinstance(t, (int, float)) or not math.isfinite(t)
                              or not 0 <= t < 1e11):
            raise Refusal(400, "t is no time", "send Unix seconds, or leave it out")
        cleaned = "".join(c if c.isprintable() else " " for c in text.strip())
        return _json(hub.mark(cleaned, None if t is None else float(t)).document(), 201)

    async def recording(self, request: Request) -> Response:
        """Whether it records."""
        return _json(self._recording(self._hub(request)))

    async def set_recording(self, request: Request) -> Response:
        """Pause or go on."""
        hub, recorder = self._hub(request), self.service.recorder
        on = (await _body(request)).get("on")
        if not isinstance(on, bool):
            raise Refusal(400, "on is missing", 'send {"on": true} or {"on": false}')
        if recorder is None:
            raise Refusal(400, "this server was started without recording", "start it with --record FILE")
        recorder.pause(not on)
        return _json(self._recording(hub))

    async def recordings(self, request: Request) -> Response:
        """Recorded sessions."""
        if self.service.recorder is None:
            return _json({"recordings": []})
        store = self._store()

        def rows() -> list[dict[str, object]]:
            counts = store.note_counts()
            return [{**session.document(), "markers": counts.get(session.number, 0)} for session in store.sessions()]
        return _json({"recordings": await _reading(rows)})

    async def one_recording(self, request: Request) -> Response:
        """One recorded session."""
        store, session = await self._session(request)
        notes = await _reading(lambda: store.notes(session))
        return _json({**session.document(),
                      "markers": [{"t": note.t, "t_s": note.t_s, "text": note.text} for note in notes]})

    async def recording_csv(self, request: Request) -> Response:
        """A session as CSV, in pieces."""
        from tapwright.live.tables import csv_lines

        store, session = await self._session(request)
        return StreamingResponse(csv_lines(store.rows(session)), media_type="text/csv; charset=utf-8",
                                 headers=_download(session, "csv"))

    async def recording_parquet(self, request: Request) -> Response:
        """A session as Parquet."""
        from tapwright.live.tables import parquet

        store, session = await self._session(request)
        data = await _reading(lambda: parquet(store.rows(session)))
        return Response(data, media_type="application/vnd.apache.parquet", headers=_download(session, "parquet"))

    async def recording_vtt(self, request: Request) -> Response:
        """A session as captions."""
        from tapwright.live.captions import webvtt

        store, session = await self._session(request)
        start_s = _number(request, "start", 0.0, -1e9, 1e9)

        def lines() -> Iterator[str]:
            yield from webvtt(store.rows(session), start_s=start_s)
        return StreamingResponse(lines(), media_type="text/vtt; charset=utf-8", headers=_download(session, "vtt"))

    async def recording_trend(self, request: Request) -> Response:
        """A session's trend, thinned."""
        from tapwright.live.trend import as_segments

        points = int(_number(request, "points", 600, 2, POINTS_MOST))
        store, session = await self._session(request)
        segments = await _reading(lambda: as_segments(store.stretches(session, points)))
        return _json({"id": session.ident, "instrument": session.instrument, "from": session.started,
                      "to": session.ended, "seconds": session.ended - session.started, "segments": segments})

    # The server

    async def metrics(self, request: Request) -> Response:
        """OpenMetrics."""
        return Response(self.service.metrics().text(), headers={"content-type": CONTENT_TYPE, **_NO_STORE})

    async def health(self, request: Request) -> Response:
        """Whether it lives."""
        service = self.service
        return _json({"status": "ok", "instruments": {name: hub.link.state.value for name, hub in
                                                      service.hubs.items()},
                      "recording": service.recorder.state if service.recorder else "off",
                      "uptime_s": round(service.clock.mono() - service.started_mono_s, 3), "version": VERSION})

    # Inside

    def _hub(self, request: Request) -> Hub:
        hubs, name = self.service.hubs, request.query_params.get("instrument")
        if name is None:
            return next(iter(hubs.values()))
        if name not in hubs:
            raise Refusal(404, f"no instrument called '{name[:80]}'", "one of " + ", ".join(hubs))
        return hubs[name]

    def _recording(self, hub: Hub) -> dict[str, object]:
        recorder = self.service.recorder
        return recorder.document(hub.name) if recorder is not None else NOT_RECORDING

    def _store(self) -> Store:
        recorder = self.service.recorder
        if recorder is None:
            raise Refusal(404, "nothing is recorded", "start the server with --record FILE")
        if recorder.store is None:
            raise Refusal(503, recorder.text or "the recording is not open yet", "try again")
        return recorder.store

    async def _session(self, request: Request) -> tuple[Store, Recorded]:
        store, ident = self._store(), request.path_params["ident"]
        session = await _reading(lambda: store.session(ident))
        if session is None:
            raise Refusal(404, f"no recording '{ident[:80]}'", "see /api/recordings")
        return store, session


NOT_RECORDING: dict[str, object] = {"state": "off", "text": "", "where": None, "session": None, "through": None,
                                    "waiting": 0, "not_recorded": 0}
_NO_STORE = {"cache-control": "no-store"}


def described(instrument: Instrument) -> dict[str, object]:
    """Return what is known of an instrument, for people: line, frame, check, mask, map, evidence."""
    line, layout = instrument.line, instrument.layout
    return {
        "title": instrument.name,
        "line": None if line is None else line.name if isinstance(line, AsyncSettings) else
        f"clock {line.clock}, data {line.data}, {line.edge} edge, {line.bits_per_word} bits",
        "frame": None if layout is None else _frame_words(layout),
        "checks": [] if layout is None else [check.kind for check in layout.checks],
        "masked": instrument.mask is not None,
        "learned_from": list(instrument.learned_from),
        "evidence": list(instrument.evidence),
    }


def _frame_words(layout: FrameLayout) -> str:
    kinds = {"fixed": f"{layout.n_bytes} bytes", "field": f"length in byte {layout.field_at}",
             "delimited": "ends with " + layout.end.hex(" ").upper(), "gap": "told apart by idle time"}
    return kinds[layout.length] + (", begins with " + layout.start.hex(" ").upper() if layout.start else "")


def _answering(handler: Handler) -> Handler:
    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except Refusal as refusal:
            return _json(refusal.document, refusal.status)
    return answer


async def _reading(what: Callable[[], T]) -> T:
    from tapwright.live.store import StoreTrouble

    try:
        return await asyncio.to_thread(what)
    except StoreTrouble as trouble:
        raise Refusal(503, f"the recording cannot be read: {trouble}", "try again") from None


async def _body(request: Request) -> dict[str, object]:
    # A page of another site can send forms, but not this type; see security.py for the rest.
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise Refusal(400, "the body is not JSON", "send content-type: application/json")
    data = b""
    async for piece in request.stream():
        data += piece
        if len(data) > BODY_MOST:
            raise Refusal(413, f"more than {BODY_MOST} bytes")
    try:
        body = json.loads(data)
    except (ValueError, RecursionError):
        raise Refusal(400, "the body is not JSON") from None
    if not isinstance(body, dict):
        raise Refusal(400, "the body is no JSON object")
    return body


def _number(request: Request, name: str, usual: float, low: float, high: float) -> float:
    text = request.query_params.get(name)
    if text is None:
        return usual
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise Refusal(400, f"{name}={text[:40]}", f"give a number from {low:g} to {high:g}")
    return value


def _json(document: object, status: int = 200) -> JSONResponse:
    return JSONResponse(document, status, headers=_NO_STORE)


def _download(session: Recorded, ending: str) -> dict[str, str]:
    return {"content-disposition": f'attachment; filename="{session.ident}.{ending}"', **_NO_STORE}
