"""The workbench's pages and what they ask for."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from tapwright.core.errors import TapwrightError, UsageError
from tapwright.web.app import STATIC
from tapwright.web.security import Access, Guard
from tapwright.web.workbench import editors
from tapwright.web.workbench.bench import Bench
from tapwright.web.workbench.programs import Live, tapwright
from tapwright.web.workbench.uploads import MOST_CAPTURE_BYTES, MOST_TEXT_BYTES, receive, target
from tapwright.web.workbench.views import render

Handler = Callable[[Request], Awaitable[Response]]
MOST_JSON_BYTES = 8 << 20
SIGN_OF_LIFE_S = 10.0


def application(folder: Path, access: Access) -> ASGIApp:
    """Return the workbench of a job folder, behind the guard."""
    routes = Workbench(folder)
    app = Starlette(routes=routes.routes(), lifespan=routes.lifespan, exception_handlers={Exception: _own_fault})
    return Guard(app, access)


class Workbench:
    """All handlers; each asks the bench, none computes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.bench = Bench(folder)
        self.live = Live(folder)
        self.commands: dict[str, asyncio.Task[Any]] = {}

    def routes(self) -> list[Route | Mount]:
        """Return the routes."""
        get, post = ["GET"], ["POST"]
        return [
            Route("/", _shown(self.paper), methods=get),
            Route("/q/{id}", _shown(self.question), methods=get),
            Route("/journal", _shown(self.journal), methods=get),
            Route("/live", _shown(self.live_page), methods=get),
            Route("/dossier", _shown(self.dossier), methods=get),
            Route("/dossier.{ending}", _told(self.dossier_file), methods=get),
            Route("/events", self.events, methods=get),
            Route("/stretches", _told(self.stretches), methods=get),
            Route("/drop/{kind}", _told(self.drop), methods=post),
            Route("/point", _told(self.point), methods=post),
            Route("/remove", _told(self.remove), methods=post),
            Route("/grid/{name}", _told(self.grid), methods=post),
            Route("/text/{name}", _told(self.text), methods=post),
            Route("/try/{name}", _told(self.try_text), methods=post),
            Route("/label", _told(self.label), methods=post),
            Route("/sampling", _told(self.sampling), methods=post),
            Route("/do/{what}", _told(self.do), methods=post),
            Route("/undo/{number:int}", _told(self.undo), methods=post),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]

    @contextlib.asynccontextmanager
    async def lifespan(self, app: Starlette) -> AsyncIterator[None]:
        """Keep the answers fresh while the workbench is open; end what it started when it closes."""
        watch = asyncio.create_task(self.bench.run())
        try:
            yield
        finally:
            watch.cancel()
            for task in self.commands.values():
                task.cancel()
            await asyncio.gather(watch, *self.commands.values(), return_exceptions=True)
            await self.live.stop()

    async def paper(self, request: Request) -> Response:
        """The whole job: every question with its present answer."""
        return self._page("paper.html", {})

    async def question(self, request: Request) -> Response:
        """One question with its evidence."""
        name = request.path_params["id"]
        if name not in self.bench.modules:
            raise UsageError(f"no question called '{name}'", expected="one of " + ", ".join(self.bench.modules))
        return self._page("question.html", {"id": name, **editors.context(name, self.bench.desk())})

    async def journal(self, request: Request) -> Response:
        """Every change, newest first."""
        return self._page("journal.html", {"entries": self.bench.journal.entries()[::-1]})

    async def live_page(self, request: Request) -> Response:
        """Start and watch the live reading."""
        return self._page("live.html", {"live": self.live, "sources": editors.sources(self.bench.desk())})

    async def dossier(self, request: Request) -> Response:
        """The dossier: write it, look at it."""
        place = self.folder / "report"
        files = [name for name in ("dossier.html", "dossier.pdf") if (place / name).is_file()]
        return self._page("dossier.html", {"files": files, "board": sorted(
            path.relative_to(self.folder).as_posix() for path in (self.folder / "board").rglob("*") if path.is_file())})

    async def dossier_file(self, request: Request) -> Response:
        """The dossier as a file. It is a document of its own: no script, styles and pictures inside it."""
        path = self.folder / "report" / f"dossier.{request.path_params['ending']}"
        if request.path_params["ending"] not in ("html", "pdf") or not path.is_file():
            raise UsageError("there is no such dossier yet", expected="one that was written", do="write it first")
        return FileResponse(path, headers={"content-security-policy":
                                           "default-src 'none'; style-src 'unsafe-inline'; img-src data:"})

    async def events(self, request: Request) -> Response:
        """Server-sent events: the bench's state on each change."""
        changed = asyncio.Event()
        unhear = self.bench.listen(changed.set)

        async def stream() -> AsyncIterator[str]:
            try:
                while True:
                    changed.clear()
                    yield f"data: {json.dumps(self.bench.state())}\n\n"
                    with contextlib.suppress(TimeoutError):
                        await asyncio.wait_for(changed.wait(), SIGN_OF_LIFE_S)
            finally:
                unhear()

        return StreamingResponse(stream(), media_type="text/event-stream", headers={"cache-control": "no-store"})

    async def stretches(self, request: Request) -> dict[str, Any]:
        """Stretches of unchanged frames of a capture."""
        path = self._capture(request.query_params.get("capture", ""))
        code, document, said = await tapwright("label", str(path), *editors.sampling_of(path), folder=self.folder)
        if code == 2:
            raise UsageError(said.removeprefix("tapwright: "))
        return {"stretches": document.get("stretches", [])}

    async def drop(self, request: Request) -> dict[str, Any]:
        """Take a dropped file; its name is in the query, its content is the body."""
        kind = request.path_params["kind"]
        path = target(self.folder, kind, request.query_params.get("name", ""))
        file = path.relative_to(self.folder).as_posix()
        if kind in ("capture", "radio", "subtitles"):
            if path.exists():
                raise UsageError(f"there is a {file} already", expected="another name", do="take the old one out first")
            size = await receive(path, request.stream(), most=MOST_CAPTURE_BYTES)
            self.bench.journal.added(file, f"dropped {path.name}")
        else:
            before = path.read_bytes() if path.is_file() else None
            size = await receive(path, request.stream(), most=MOST_TEXT_BYTES)
            self.bench.journal.changed(file, before, f"dropped {path.name}")
        self.bench.go_on()
        return {"file": file, "bytes": size}

    async def point(self, request: Request) -> dict[str, Any]:
        """Use a capture where it lies on this machine: a link to it is put into captures/."""
        asked = await _json(request)
        source = Path(str(asked.get("path", ""))).expanduser()
        if not source.is_file():
            raise UsageError("no such file on this machine", path=source, expected="the full path of a capture")
        path = target(self.folder, "capture", source.name)
        if path.exists() or path.is_symlink():
            raise UsageError(f"there is a {path.name} already", expected="another name")
        path.parent.mkdir(exist_ok=True)
        os.symlink(source.resolve(), path)
        self.bench.journal.added(f"captures/{path.name}", f"pointed to {source}")
        self.bench.go_on()
        return {"file": f"captures/{path.name}"}

    async def remove(self, request: Request) -> dict[str, Any]:
        """Take an evidence file out of the folder; the journal keeps it."""
        file = str((await _json(request)).get("file", ""))
        if file not in editors.removable(self.bench.desk()):
            raise UsageError(f"'{file}' is no evidence file of this job", expected="a capture, a recording or a table")
        self.bench.journal.remove(file, f"took out {file}")
        return {"removed": file}

    async def grid(self, request: Request) -> dict[str, Any]:
        """Keep an edited table."""
        return self._edited(editors.table(request.path_params["name"], await _json(request)))

    async def text(self, request: Request) -> dict[str, Any]:
        """Keep an edited text file, unless it is wrong."""
        return self._edited(editors.text(request.path_params["name"], await _json(request)))

    async def try_text(self, request: Request) -> dict[str, Any]:
        """Say what would come of a text, without keeping it."""
        asked = await _json(request)
        return await asyncio.to_thread(editors.tried, request.path_params["name"], asked)

    async def label(self, request: Request) -> dict[str, Any]:
        """Keep what was typed for stretches of a capture as label rows."""
        return self._edited(editors.labelled(self.bench.desk(), await _json(request)))

    async def sampling(self, request: Request) -> dict[str, Any]:
        """Keep the sample rate of a .bin."""
        return self._edited(editors.sampling(self.bench.desk(), await _json(request)))

    async def do(self, request: Request) -> dict[str, Any]:
        """Start or stop something: learn, unmask, board, report, live, work."""
        what, asked = request.path_params["what"], await _json(request)
        actions: dict[str, Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]] = {
            "learn": partial(self._command, "learn", [], "instrument.toml"),
            "unmask": self._unmask,
            "board": partial(self._command, "board", ["--instrument", "instrument.toml", "--out", "board"], ""),
            "report": partial(self._command, "report", ["."], ""),
            "live": self._start_live, "live-stop": self._stop_live, "work": self._work, "work-stop": self._stop_work,
        }
        if what not in actions:
            raise UsageError(f"'{what}' is nothing to do here", expected="one of " + ", ".join(actions))
        return await actions[what](asked)

    async def undo(self, request: Request) -> dict[str, Any]:
        """Take a change back."""
        entry = self.bench.journal.undo(request.path_params["number"])
        return {"file": entry.file, "what": entry.what}

    async def _command(self, name: str, argv: list[str], writes: str, asked: dict[str, Any]) -> dict[str, Any]:
        before = (self.folder / writes).read_bytes() if writes and (self.folder / writes).is_file() else None
        more = ["--allow-unproven"] if name == "board" and asked.get("allow_unproven") else []
        if name == "report":
            self.bench.write_found()
        task = asyncio.create_task(tapwright(name, *argv, *more, folder=self.folder))
        self.commands[name] = task
        code, document, said = await task
        if code == 2 or (code and not document):
            raise UsageError(said.removeprefix("tapwright: ") or f"{name} did not succeed")
        if writes:
            self.bench.journal.changed(writes, before, f"{name} wrote {writes}")
        return {"code": code, "said": said, "document": document}

    async def _unmask(self, asked: dict[str, Any]) -> dict[str, Any]:
        desk = self.bench.desk()
        files = self.bench.modules["mask"].files(desk)
        if not files:
            raise UsageError("a wire capture and a radio recording are needed", expected="one of each")
        return await self._command("unmask", [*map(str, files), "--out", "mask.toml"], "mask.toml", asked)

    async def _start_live(self, asked: dict[str, Any]) -> dict[str, Any]:
        self.bench.write_found()
        await self.live.start(str(asked.get("source", "")))
        return {"url": self.live.url}

    async def _stop_live(self, asked: dict[str, Any]) -> dict[str, Any]:
        await self.live.stop()
        return {}

    async def _work(self, asked: dict[str, Any]) -> dict[str, Any]:
        self.bench.go_on()
        return {}

    async def _stop_work(self, asked: dict[str, Any]) -> dict[str, Any]:
        for task in self.commands.values():
            task.cancel()
        self.bench.stop()
        return {}

    def _edited(self, edit: editors.Edit) -> dict[str, Any]:
        self.bench.journal.write(edit.file, edit.content.encode("utf-8"), edit.what)
        self.bench.go_on()
        return {"file": edit.file, "complaint": edit.complaint}

    def _capture(self, name: str) -> Path:
        for path in self.bench.desk().captures:
            if path.name == name:
                return path
        raise UsageError(f"no capture called '{name}'", expected="one of captures/")

    def _page(self, template: str, context: dict[str, Any]) -> Response:
        desk = self.bench.desk()
        shown = self.bench.shown(desk)
        return HTMLResponse(render(template, job=desk.job, shown=shown, step=self.bench.next_step(shown),
                                   state=self.bench.state(), **context), headers={"cache-control": "no-store"})


async def _own_fault(request: Request, error: Exception) -> Response:
    """Say that the workbench itself failed; the files are as they were. The details go to its terminal in one line."""
    print(f"tapwright: a fault of its own at {request.url.path} ({type(error).__name__}: {error})", file=sys.stderr)
    words = f"The workbench has a fault of its own here ({type(error).__name__}); your files are as they were."
    if "text/html" in request.headers.get("accept", ""):
        return HTMLResponse(render("trouble.html", words=words), status_code=500)
    return JSONResponse({"error": words}, status_code=500)


def _shown(handler: Handler) -> Handler:
    """Return a handler of a page whose errors are a page too."""
    async def handle(request: Request) -> Response:
        try:
            return await handler(request)
        except TapwrightError as error:
            return HTMLResponse(render("trouble.html", words=error.message()), status_code=400)
    return handle


def _told(handler: Callable[[Request], Awaitable[dict[str, Any] | Response]]) -> Handler:
    """Return a handler that answers in JSON, errors as `{"error"}`; forms without script are sent back."""
    async def handle(request: Request) -> Response:
        try:
            answer = await handler(request)
        except TapwrightError as error:
            return JSONResponse({"error": error.message()}, status_code=400)
        except asyncio.CancelledError:
            return JSONResponse({"error": "stopped"}, status_code=409)
        if isinstance(answer, Response):
            return answer
        if request.method == "POST" and "text/html" in request.headers.get("accept", ""):
            return RedirectResponse(request.headers.get("referer", "/"), status_code=303)
        return JSONResponse(answer, headers={"cache-control": "no-store"})
    return handle


async def _json(request: Request) -> dict[str, Any]:
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_JSON_BYTES:
            raise UsageError("too much at once", expected=f"at most {MOST_JSON_BYTES >> 20} MiB")
    if not body:
        return {}
    try:
        asked = json.loads(body)
    except ValueError:
        raise UsageError("this is no JSON", expected="a JSON object") from None
    if not isinstance(asked, dict):
        raise UsageError("this is no JSON object", expected="a JSON object")
    return asked
