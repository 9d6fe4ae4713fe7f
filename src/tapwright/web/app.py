"""The application: the readout and overlay pages, their files, and the API, behind the guard."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from tapwright.live.service import Service
from tapwright.web.api import Api
from tapwright.web.security import Access, Guard

STATIC = Path(__file__).parent / "static"
_PICTURE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_. -]*\.(svg|png)")
#: The page's files may change with an update, so they are asked after each time (and mostly answered 304).
_ASK_AGAIN = {"cache-control": "no-cache"}


def application(service: Service, access: Access, *, more: Sequence[BaseRoute] = ()) -> ASGIApp:
    """Return the application of a service; `more` are further routes (the workbench's), under the same guard."""
    pages = Pages(service)
    routes: list[BaseRoute] = [
        *Api(service).routes(),
        Route("/", pages.readout), Route("/overlay", pages.overlay),
        Route("/i/{name}", pages.readout), Route("/i/{name}/overlay", pages.overlay),
        Route("/api/found", pages.found), Route("/found/{file}", pages.picture),
        Route("/openapi.json", pages.openapi), Route("/api", pages.openapi_page),
        *more,
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    app = Starlette(routes=routes, exception_handlers={HTTPException: _in_json})
    return Guard(app, access)


class Pages:
    """The handlers of everything that is no JSON of readings."""

    def __init__(self, service: Service) -> None:
        self.service = service

    async def readout(self, request: Request) -> Response:
        """The readout page."""
        return self._page(request, "index.html")

    async def overlay(self, request: Request) -> Response:
        """The overlay for video."""
        return self._page(request, "overlay.html")

    async def found(self, request: Request) -> Response:
        """How this was found; no steps where nothing was written about it."""
        folder = self.service.plan.found
        if folder is None or not (folder / "found.json").is_file():
            return JSONResponse({"steps": [], "next": ""}, headers=_ASK_AGAIN)
        return self._file("found.json", "application/json")

    async def picture(self, request: Request) -> Response:
        """A picture of how it was found."""
        name = request.path_params["file"]
        if not _PICTURE.fullmatch(name):
            raise HTTPException(404, "no such picture")
        return self._file(name, "image/svg+xml" if name.endswith(".svg") else "image/png")

    async def openapi(self, request: Request) -> Response:
        """The API for programs."""
        from tapwright.web.openapi import document

        return JSONResponse(document(), headers=_ASK_AGAIN)

    async def openapi_page(self, request: Request) -> Response:
        """The API as a page."""
        from tapwright.web.openapi import page

        return HTMLResponse(page(), headers=_ASK_AGAIN)

    def _page(self, request: Request, name: str) -> Response:
        wanted = request.path_params.get("name")
        if wanted is not None and wanted not in self.service.hubs:
            raise HTTPException(404, "no instrument of that name")
        return FileResponse(STATIC / name, media_type="text/html; charset=utf-8", headers=_ASK_AGAIN)

    def _file(self, name: str, kind: str) -> Response:
        folder = self.service.plan.found
        path = None if folder is None else folder / name
        if path is None or not path.is_file():
            raise HTTPException(404, "nothing was written about how this was found")
        return FileResponse(path, media_type=kind, headers=_ASK_AGAIN)


async def _in_json(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return JSONResponse({"error": error.detail}, error.status_code, headers=error.headers)
