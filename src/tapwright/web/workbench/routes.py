"""The workbench's pages and what they ask for."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from tapwright.core.errors import TapwrightError, UsageError
from tapwright.job.desk import Desk
from tapwright.web.app import STATIC
from tapwright.web.security import Access, Guard
from tapwright.web.workbench import claims, editors, labelling
from tapwright.web.workbench.bench import Bench, Shown
from tapwright.web.workbench.intake import Intake
from tapwright.web.workbench.programs import Live, Ran, keep_map, tapwright
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
        self.intake = Intake(self.bench)
        self.commands: set[asyncio.Task[Ran]] = set()

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
            Route("/captions", _told(self.captions), methods=get),
            Route("/captions", _told(self.keep_captions), methods=post),
            Route("/live/reading", _told(self.live_reading), methods=get),
            Route("/drop/{kind}", _told(self.intake.drop), methods=post),
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
            for task in self.commands:
                task.cancel()
            await asyncio.gather(watch, *self.commands, return_exceptions=True)
            await self.live.stop()

    async def paper(self, request: Request) -> Response:
        """The whole job: every question with its present answer."""
        return self._page("paper.html", {})

    async def question(self, request: Request) -> Response:
        """One question with its evidence."""
        name = request.path_params["id"]
        if name not in self.bench.modules:
            raise UsageError(f"no question called '{name}'", expected="one of " + ", ".join(self.bench.modules))
        desk = self.bench.desk()
        shown = self.bench.shown(desk)
        answer = next(item.answer for item in shown if item.id == name)
        return self._page("question.html", {"id": name, **editors.context(name, desk),
                                            **claims.context(name, desk, answer)}, desk, shown)

    async def journal(self, request: Request) -> Response:
        """Every change, newest first."""
        return self._page("journal.html", {"entries": self.bench.journal.entries()[::-1]})

    async def live_page(self, request: Request) -> Response:
        """Start and watch the live reading."""
        return self._page("live.html", {"live": self.live, "sources": editors.sources(self.bench.desk()),
                                        "described": (self.folder / "instrument.toml").is_file()})

    async def dossier(self, request: Request) -> Response:
        """The dossier: write it, look at it."""
        place = self.folder / "report"
        files = [name for name in ("dossier.html", "dossier.pdf") if (place / name).is_file()]
        board = sorted(path.relative_to(self.folder).as_posix() for path in (self.folder / "board").rglob("*")
                       if path.is_file())
        states = [item.answer.state for item in self.bench.shown() if item.answer is not None]
        return self._page("dossier.html", {
            "files": files, "board": board, "described": (self.folder / "instrument.toml").is_file(),
            "unsettled": len(self.bench.modules) - states.count("settled")})

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
        """Stretches of unchanged frames of a capture, with what labels say of them already."""
        asked = dict(request.query_params)
        path = self._capture(asked.get("capture", ""))
        code, document, said = await self._doing("finding unchanged stretches", tapwright(
            "label", str(path), *editors.sampling_of(path), folder=self.folder))
        if code == 2:
            raise UsageError(said.removeprefix("tapwright: "))
        return {"stretches": labelling.shown_in(self.bench.desk(), asked, document.get("stretches", []))}

    async def captions(self, request: Request) -> dict[str, Any]:
        """What a dropped caption file says, as labels of a capture, before any of it is kept."""
        found = await asyncio.to_thread(labelling.captions, self.bench.desk(), dict(request.query_params))
        return {"labels": [{"start_s": label.start_s, "end_s": label.end_s, "display": label.display,
                            "unit": label.unit, "flags": " ".join(label.flags)} for label in found.labels],
                "not_taken": [{"line": line, "text": text} for line, text in found.not_taken]}

    async def keep_captions(self, request: Request) -> dict[str, Any]:
        """Keep a caption file's labels."""
        return self._edited(labelling.captioned(self.bench.desk(), await _json(request)))

    async def point(self, request: Request) -> dict[str, Any]:
        """Use a capture where it lies."""
        return await self.intake.point(await _json(request))

    async def remove(self, request: Request) -> dict[str, Any]:
        """Take an evidence file out of the folder."""
        return await self.intake.remove(await _json(request))

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
        return self._edited(labelling.typed(self.bench.desk(), await _json(request)))

    async def sampling(self, request: Request) -> dict[str, Any]:
        """Keep the sample rate of a .bin."""
        return self._edited(editors.sampling(self.bench.desk(), await _json(request)))

    async def do(self, request: Request) -> dict[str, Any]:
        """Start or stop something: learn, unmask, board, report, live, work."""
        what, asked = request.path_params["what"], await _json(request)
        actions: dict[str, Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]] = {
            "learn": self._learn, "unmask": self._unmask, "board": self._board, "report": self._report,
            "live": self._start_live, "live-stop": self._stop_live, "work": self._work, "work-stop": self._stop_work,
        }
        if what not in actions:
            raise UsageError(f"'{what}' is nothing to do here", expected="one of " + ", ".join(actions))
        return await actions[what](asked)

    async def undo(self, request: Request) -> dict[str, Any]:
        """Take a change back."""
        return await self.intake.undo(request.path_params["number"])

    async def live_reading(self, request: Request) -> dict[str, Any]:
        """The newest reading of the live page that runs beside the workbench."""
        return await self.live.reading()

    async def _doing(self, what: str, work: Coroutine[Any, Any, Ran]) -> Ran:
        """Wait for a command that a button started; the page shows it with a stop button meanwhile."""
        task = asyncio.create_task(work)
        self.commands.add(task)
        self.bench.doing = what
        self.bench.tell()
        try:
            return await task
        finally:
            self.commands.discard(task)
            self.bench.doing = ""
            self.bench.tell()

    async def _writing(self, what: str, file: str, work: Coroutine[Any, Any, Ran]) -> dict[str, Any]:
        """Run a command that writes a file of the job, and note what it wrote in the journal."""
        path = self.folder / file
        before = path.read_bytes() if path.is_file() else None
        code, document, said = await self._doing(what, work)
        if code == 2 or (code and not document):
            raise UsageError(said.removeprefix("tapwright: ") or f"{what} did not succeed")
        entry = self.bench.journal.changed(file, before, f"wrote {file}")
        self.bench.go_on()
        return {"code": code, "said": said, "document": document, "number": entry.number if entry else 0,
                "changed": entry is not None}

    async def _learn(self, asked: dict[str, Any]) -> dict[str, Any]:
        return await self._writing("keeping the reading map", "instrument.toml", keep_map(self.folder))

    async def _unmask(self, asked: dict[str, Any]) -> dict[str, Any]:
        files = self.bench.modules["mask"].files(self.bench.desk())
        if not files:
            raise UsageError("a wire capture and a radio recording are needed", expected="one of each")
        return await self._writing("keeping the mask", "mask.toml", tapwright(
            "unmask", *map(str, files), "--out", "mask.toml", folder=self.folder))

    async def _board(self, asked: dict[str, Any]) -> dict[str, Any]:
        more = ["--allow-unproven"] if asked.get("allow_unproven") else []
        return await self._told_by("writing the board's files", "board", "wrote the board's files", tapwright(
            "board", "--instrument", "instrument.toml", "--out", "board", *more, folder=self.folder))

    async def _report(self, asked: dict[str, Any]) -> dict[str, Any]:
        self.bench.write_found()
        return await self._told_by("writing the dossier", "report", "wrote the dossier",
                                   tapwright("report", ".", folder=self.folder))

    async def _told_by(self, what: str, place: str, done: str, work: Coroutine[Any, Any, Ran]) -> dict[str, Any]:
        """Run a command that writes files into a place of the folder, and note them in the journal."""
        before = await asyncio.to_thread(self._contents, place)
        code, document, said = await self._doing(what, work)
        after = await asyncio.to_thread(self._contents, place)
        await asyncio.to_thread(self.bench.journal.written, after, before, done)
        if code == 2 or (code and not document):
            raise UsageError(said.removeprefix("tapwright: ") or f"{what} did not succeed")
        return {"code": code, "said": said, "document": document}

    def _contents(self, place: str) -> dict[str, bytes]:
        return {path.relative_to(self.folder).as_posix(): path.read_bytes()
                for path in (self.folder / place).rglob("*") if path.is_file() and path.parent.name != "found"}

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
        for task in self.commands:
            task.cancel()
        self.bench.stop()
        return {}

    def _edited(self, edit: editors.Edit) -> dict[str, Any]:
        entry = self.bench.journal.write(edit.file, edit.content.encode("utf-8"), edit.what)
        self.bench.go_on()
        return {"file": edit.file, "complaint": edit.complaint, "number": entry.number, "what": edit.what}

    def _capture(self, name: str) -> Path:
        for path in self.bench.desk().captures:
            if path.name == name:
                return path
        raise UsageError(f"no capture called '{name}'", expected="one of captures/")

    def _page(self, template: str, context: dict[str, Any], desk: Desk | None = None,
              shown: list[Shown] | None = None) -> Response:
        desk = desk or self.bench.desk()
        shown = shown or self.bench.shown(desk)
        return HTMLResponse(render(template, job=desk.job, shown=shown, step=self.bench.next_step(shown),
                                   state=self.bench.state(), **context), headers={"cache-control": "no-store"})


async def _own_fault(request: Request, error: Exception) -> Response:
    """Say that the workbench itself failed; the files are as they were. The details go to its terminal in one line."""
    print(f"tapwright: a fault of its own at {request.url.path} ({type(error).__name__}: {error})", file=sys.stderr)
    words = f"The workbench has a fault of its own here ({type(error).__name__}); your files are as they were."
    if "text/html" in request.headers.get("accept", ""):
        return HTMLResponse(render("trouble.html", words=words, job=None), status_code=500)
    return JSONResponse({"error": words}, status_code=500)


def _shown(handler: Handler) -> Handler:
    """Return a handler of a page whose errors are a page too."""
    async def handle(request: Request) -> Response:
        try:
            return await handler(request)
        except TapwrightError as error:
            job = _job_text(error)
            return HTMLResponse(render("trouble.html", words=error.message(), job=job), status_code=400)
    return handle


def _job_text(error: TapwrightError) -> str | None:
    """Return job.toml's text where it is what is wrong, so that the page can offer it for mending."""
    path = error.path
    if path is None or path.name != "job.toml" or not path.is_file():
        return None
    return path.read_text(encoding="utf-8", errors="replace")


def _told(handler: Callable[[Request], Awaitable[dict[str, Any] | Response]]) -> Handler:
    """Return a handler that answers in JSON, errors as `{"error"}`; forms without script are sent back."""
    async def handle(request: Request) -> Response:
        try:
            answer = await handler(request)
        except TapwrightError as error:
            return JSONResponse({"error": error.message()}, status_code=400)
        except asyncio.CancelledError:
            return JSONResponse({"stopped": True})  # as was asked: no error
        except ClientDisconnect:
            return Response(status_code=400)  # the page stopped an upload; nobody hears this
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
