"""The API for programs: an OpenAPI 3.1 document, and the same as a plain page."""

from __future__ import annotations

import html
from typing import Any

from tapwright import VERSION

_NUMBER, _TEXT, _WHOLE = {"type": "number"}, {"type": "string"}, {"type": "integer"}
_MAYBE_NUMBER = {"type": ["number", "null"]}
_INSTRUMENT = {"name": "instrument", "in": "query", "schema": _TEXT, "description": "left out: the first"}
_IDENT = {"name": "ident", "in": "path", "required": True, "schema": _TEXT, "description": "a recording's id"}


def document() -> dict[str, Any]:
    """Return the OpenAPI document."""
    return {
        "openapi": "3.1.0",
        "info": {"title": "tapwright", "version": VERSION,
                 "description": "Readings of a handheld instrument. Times are Unix seconds; only status ok is a "
                                "measurement."},
        "paths": _paths(),
        "components": {"schemas": _schemas(), "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}},
    }


def page() -> str:
    """Return the document as a page without script."""
    rows = []
    for path, methods in _paths().items():
        for method, operation in methods.items():
            asks = ", ".join(f"<code>{html.escape(p['name'])}</code>" for p in operation.get("parameters", ()))
            rows.append(f"<tr><td><code>{method.upper()}</code></td><td><code>{html.escape(path)}</code></td>"
                        f"<td>{html.escape(operation['summary'])}</td><td>{asks}</td></tr>")
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>tapwright: for programs</title>'
        '<meta name="viewport" content="width=device-width"><link rel="stylesheet" href="/static/look.css"></head>'
        "<body><main><h1>For programs</h1><p>The same for machines: <a href=\"/openapi.json\">openapi.json</a> "
        "(OpenAPI 3.1). Changing needs <code>Authorization: Bearer TOKEN</code> where the server has a token.</p>"
        "<table><thead><tr><th>Method</th><th>Route</th><th>Gives</th><th>Parameters</th></tr></thead><tbody>"
        + "".join(rows) + '</tbody></table><p><a href="/">the readout</a></p></main></body></html>')


def _paths() -> dict[str, dict[str, Any]]:
    points = _query("points", _WHOLE, "at most about this many points, 2 to 5000")
    ident = [_IDENT]
    return {
        "/api/instruments": {"get": _get("All instruments and their links", "Instruments")},
        "/api/instrument": {"get": _get("How one instrument is read", None, [_INSTRUMENT])},
        "/api/reading": {"get": _get("The newest reading", "NewestReading", [_INSTRUMENT], missing=True)},
        "/api/stream": {"get": _get("Server-sent events: readings, link, settled, marker, recording, recorded, dropped",
                                    None, [_INSTRUMENT, _query("events", {"enum": ["all", "readings"]}, "which")],
                                    media="text/event-stream")},
        "/api/trend": {"get": _get("The trend, thinned, extremes kept", "Trend", [
            _INSTRUMENT, _query("seconds", _NUMBER, "how far back"), points])},
        "/api/statistics": {"get": _get("Figures since the last reset", None, [_INSTRUMENT])},
        "/api/statistics/reset": {"post": _post("Begin the figures anew", None)},
        "/api/settled": {"get": _get("Settled readings", None, [_INSTRUMENT, _query("limit", _WHOLE, "newest")])},
        "/api/markers": {"get": _get("Markers of this run", None, [_INSTRUMENT]),
                         "post": _post("A new marker", "NewMarker", status="201")},
        "/api/recording": {"get": _get("Whether and where it records", "Recording", [_INSTRUMENT]),
                           "post": _post("Pause recording or go on", "OnOff")},
        "/api/recordings": {"get": _get("Recorded sessions, newest first", None)},
        "/api/recordings/{ident}": {"get": _get("One recorded session with its markers", None, ident, missing=True)},
        "/api/recordings/{ident}.csv": {"get": _get("Its readings as CSV", None, ident, missing=True,
                                                    media="text/csv")},
        "/api/recordings/{ident}.parquet": {"get": _get("Its readings as Parquet", None, ident, missing=True,
                                                        media="application/vnd.apache.parquet")},
        "/api/recordings/{ident}.vtt": {"get": _get("Its readings as captions", None, [
            _IDENT, _query("start", _NUMBER, "the video's time at the first reading")], media="text/vtt",
            missing=True)},
        "/api/recordings/{ident}/trend": {"get": _get("Its trend, thinned", "Trend", [_IDENT, points], missing=True)},
        "/api/found": {"get": _get("How this was found", None)},
        "/metrics": {"get": _get("OpenMetrics 1.0", None, media="application/openmetrics-text")},
        "/health": {"get": _get("Whether the server lives", None)},
    }


def _get(summary: str, schema: str | None, parameters: list[dict[str, Any]] | None = None, *,
         media: str = "application/json", missing: bool = False) -> dict[str, Any]:
    content = {media: {"schema": {"$ref": f"#/components/schemas/{schema}"} if schema else {}}}
    operation: dict[str, Any] = {"summary": summary, "responses": {"200": {"description": "it", "content": content}}}
    if parameters:
        operation["parameters"] = parameters
    if missing:
        operation["responses"]["404"] = _error("there is none")
    return operation


def _post(summary: str, body: str | None, *, status: str = "200") -> dict[str, Any]:
    operation: dict[str, Any] = {
        "summary": summary, "parameters": [_INSTRUMENT], "security": [{}, {"token": []}],
        "responses": {status: {"description": "done", "content": {"application/json": {"schema": {}}}},
                      "400": _error("the body is wrong"), "401": _error("the token is missing")},
    }
    if body:
        operation["requestBody"] = {"required": True, "content": {
            "application/json": {"schema": {"$ref": f"#/components/schemas/{body}"}}}}
    return operation


def _query(name: str, schema: dict[str, Any], description: str) -> dict[str, Any]:
    return {"name": name, "in": "query", "schema": schema, "description": description}


def _error(description: str) -> dict[str, Any]:
    return {"description": description,
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Error"}}}}


def _object(required: str, **properties: Any) -> dict[str, Any]:
    return {"type": "object", "required": required.split(), "properties": properties}


def _schemas() -> dict[str, Any]:
    reading = _object(
        "t seq display value unit flags status instrument t_s gap_s note",
        t=_NUMBER, seq=_WHOLE, display=_TEXT, value=_MAYBE_NUMBER, unit=_TEXT, flags=_TEXT,
        status={"enum": ["ok", "overload", "blank", "unproven", "bad check", "broken"]},
        instrument=_TEXT, t_s=_NUMBER, gap_s=_MAYBE_NUMBER, note=_TEXT)
    link = _object(
        "instrument source state text waits_for since retry_s period_s last_t",
        instrument=_TEXT, source=_TEXT,
        state={"enum": ["waiting", "open", "receiving", "silent", "lost", "ended"]}, text=_TEXT, waits_for=_TEXT,
        since=_NUMBER, retry_s=_MAYBE_NUMBER, period_s=_MAYBE_NUMBER, last_t=_MAYBE_NUMBER)
    point = {"type": "array", "prefixItems": [_NUMBER, _NUMBER, _NUMBER], "description": "t, smallest, greatest"}
    segment = _object("unit points", unit=_TEXT, points={"type": "array", "items": point})
    instrument = _object("name title source page overlay link", name=_TEXT, title=_TEXT, source=_TEXT, page=_TEXT,
                         overlay=_TEXT, link={"$ref": "#/components/schemas/Link"})
    return {
        "Reading": reading,
        "NewestReading": {"allOf": [{"$ref": "#/components/schemas/Reading"}, _object(
            "age_s stale link", age_s=_NUMBER, stale={"type": "boolean"}, link={"$ref": "#/components/schemas/Link"})]},
        "Link": link,
        "Instruments": _object("instruments", instruments={"type": "array", "items": instrument}),
        "Trend": _object("instrument from to seconds segments", instrument=_TEXT, to=_NUMBER, seconds=_NUMBER,
                         segments={"type": "array", "items": segment}, **{"from": _NUMBER}),
        "Recording": _object(
            "state text where session through waiting not_recorded",
            state={"enum": ["off", "idle", "recording", "paused", "stopped"]}, text=_TEXT,
            where={"type": ["string", "null"]}, session={"type": ["string", "null"]},
            through={"type": ["integer", "null"]}, waiting=_WHOLE, not_recorded=_WHOLE),
        "NewMarker": _object("text", text={"type": "string", "minLength": 1, "maxLength": 200}, t=_NUMBER),
        "OnOff": _object("on", on={"type": "boolean"}),
        "Error": _object("error", error=_TEXT, do=_TEXT),
    }
