"""The page's server: routes that parse, call the library, and answer."""

from __future__ import annotations

import asyncio
import json
import mimetypes
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from calibration.errors import CalibrationError
from tracer.errors import CorrectionError, JobError, TracerError
from tracer.files.target import target_pdf
from tracer.web import cut_form, table
from tracer.web.eye import Eye
from tracer.web.guard import SERVED_FILES_POLICY, Guard
from tracer.web.inbox import LARGEST_BYTES, UploadError, plain_name, receive
from tracer.web.shown import INBOX, THUMBS, read_json, state
from tracer.web.store import JobStore
from tracer.web.work import Work, Workbench

STATIC = Path(__file__).parent / "static"
_LARGEST_JSON = 4_000_000
_WAIT_SECONDS = 20.0
_LOOKING_SECONDS = 90
_SERVED = {".svg", ".pdf", ".dxf", ".png", ".jpg", ".html", ".json", ".toml"}
_BUSY = "something is being worked on already; wait for it, or stop it"


class Page:
    """Everything the routes need."""

    def __init__(self, job: Path, *, largest_bytes: int = LARGEST_BYTES) -> None:
        self.job = job
        self.store = JobStore(job, after_change=cut_form.refresh)
        self.bench = Workbench(news=self._tell_soon, warm="tracer.web.bringing")
        self.looking = Workbench(seconds=_LOOKING_SECONDS, warm="tracer.web.looking")
        self.eye = Eye()
        self._largest_bytes = largest_bytes
        self._one_look = asyncio.Lock()
        self._telling: set[asyncio.Task[None]] = set()

    def stop(self) -> None:
        """Let everybody who waits for news or for the end of a task go: the server stops."""
        self.store.close()
        for bench in (self.bench, self.looking):
            bench.stop()

    def _tell_soon(self) -> None:
        task = asyncio.get_running_loop().create_task(self.store.tell())
        self._telling.add(task)
        task.add_done_callback(self._telling.discard)

    # -- looking ------------------------------------------------------------------------------------------------------
    async def state(self, request: Request) -> Response:
        """Return all that a page shows; with ``since`` it waits for news."""
        given = request.query_params.get("since", "0")
        since = int(given) if given.isdigit() and len(given) < 16 else 0
        for bench in (self.looking, self.bench):
            await bench.get_ready()
        revision = await (self.store.wait(since, _WAIT_SECONDS) if since else self.store.look())
        content = await asyncio.to_thread(lambda: state(self.job, self.store.pattern()))
        content["lay"]["stale"] = await asyncio.to_thread(lambda: table.is_stale(self.job))
        return JSONResponse({"revision": revision, "work": self.working(), **content})

    def working(self) -> dict[str, Any]:
        """Return the state of the work in progress."""
        now = self.bench.now
        return asdict(now)

    async def work(self, request: Request) -> Response:
        """Return only the work in progress."""
        return JSONResponse(self.working())

    async def file(self, request: Request) -> Response:
        """Serve one file of the job folder; whatever it holds, it runs no script."""
        path = self._inside(request.path_params["name"])
        if path is None or not path.is_file() or path.suffix.lower() not in _SERVED:
            return JSONResponse({"message": "there is no such file in this job"}, status_code=404)
        headers = {"content-security-policy": SERVED_FILES_POLICY}
        media = mimetypes.types_map.get(path.suffix.lower(), "application/octet-stream")
        if "download" in request.query_params:
            return FileResponse(path, headers=headers, filename=path.name, media_type=media)
        return FileResponse(path, headers=headers, media_type=media)

    def _inside(self, name: str) -> Path | None:
        """Return the path of a name within the job folder; None for anything that would leave it."""
        try:
            path = (self.job / name).resolve()
        except (OSError, ValueError):
            return None
        hidden = any(part.startswith(".") for part in Path(name).parts)
        return path if path.is_relative_to(self.job.resolve()) and not hidden else None

    def _brought(self, names: Any) -> list[Path]:
        found = [self._inside(f"{INBOX}/{plain_name(str(n))}") for n in names] if isinstance(names, list) else []
        paths = [p for p in found if p is not None and p.is_file()]
        if not paths or len(paths) != len(found):
            raise UploadError("choose a file that was brought in", status=422)
        return paths

    # -- bringing in and tracing --------------------------------------------------------------------------------------
    async def upload(self, request: Request) -> Response:
        """Keep one brought file and make small pictures of its pages."""
        stated = request.headers.get("content-length")
        path = await receive(
            self.job / INBOX,
            plain_name(request.path_params["name"]),
            request.stream(),
            stated_bytes=int(stated) if stated and stated.isdigit() else None,
            largest_bytes=self._largest_bytes,
        )
        async with self._one_look:
            asked = {"task": "thumbnails", "file": str(path), "into": str(self.job / THUMBS)}
            ended = await self.looking.run(asked)
        if ended.state != "done":
            path.unlink(missing_ok=True)
            return JSONResponse({"message": ended.words}, status_code=422)
        await self.store.tell()
        return JSONResponse(ended.result, status_code=201)

    async def close_up(self, request: Request) -> Response:
        """Make a large picture of a brought page, to point at something in it: ``{"file", "page"}``."""
        asked = await _body(request)
        (path,) = self._brought([asked.get("file", "")])
        page = asked.get("page")
        async with self._one_look:
            wanted = {"task": "close_up", "file": str(path), "into": str(self.job / THUMBS)}
            ended = await self.looking.run(wanted | {"page": None if page is None else int(page)})
        if ended.state != "done":
            return JSONResponse({"message": ended.words}, status_code=422)
        return JSONResponse(ended.result)

    async def target(self, request: Request) -> Response:
        """Give the calibration target to print: ``?paper=A4``."""
        paper = request.query_params.get("paper", "A4")
        content = await asyncio.to_thread(target_pdf, paper)
        headers = {"content-disposition": 'attachment; filename="target.pdf"'}
        return Response(content, media_type="application/pdf", headers=headers)

    async def put_back(self, request: Request) -> Response:
        """Take a file out of the tray again."""
        (path,) = self._brought([(await _body(request)).get("file", "")])

        def remove() -> None:
            path.unlink(missing_ok=True)
            for small in (self.job / THUMBS).glob("*"):
                if small.name == f"{path.name}.json" or small.name.startswith(f"{path.name}."):
                    small.unlink(missing_ok=True)

        await self.store.do(remove)
        return JSONResponse({"file": path.name})

    async def trace(self, request: Request) -> Response:
        """Trace brought files; answers when done, progress is at ``work``."""
        asked = await _body(request)
        files = self._brought(asked.get("files", []))
        known = ("pages", "reference", "tolerance", "line", "fit", "size_line", "words", "own")
        kept = {k: asked[k] for k in known if asked.get(k) not in (None, "")}
        answer = await self._run({"task": "trace", "files": [str(f) for f in files], "job": str(self.job)} | kept)
        if answer.status_code == 200:
            # What is cut from the pieces follows them; a lay and written files say themselves that they are older.
            await self.store.do(lambda: cut_form.refresh(self.job))
        return answer

    async def _run(self, request: dict[str, Any]) -> Response:
        if self.bench.busy:
            return JSONResponse({"message": _BUSY}, status_code=409)
        ended = await self.bench.run(request)
        return JSONResponse(self.working(), status_code=_status(ended))

    async def cancel(self, request: Request) -> Response:
        """Stop the work in progress."""
        return JSONResponse({"stopped": self.bench.cancel()})

    # -- correcting ---------------------------------------------------------------------------------------------------
    def _not_while_tracing(self) -> None:
        if self.bench.busy and self.bench.now.task == "trace":
            raise JobError("the sheets are being traced; wait for it, or stop it, then change the pieces")

    async def change(self, request: Request) -> Response:
        """Record one correction."""
        change = await _body(request)
        self._not_while_tracing()
        await self.store.change(change)
        return JSONResponse({"revision": self.store.revision})

    async def undo(self, request: Request) -> Response:
        """Undo the last change."""
        self._not_while_tracing()
        await self.store.undo()
        return JSONResponse({"revision": self.store.revision})

    async def redo(self, request: Request) -> Response:
        """Do the last undone change again."""
        self._not_while_tracing()
        await self.store.redo()
        return JSONResponse({"revision": self.store.revision})

    async def snap(self, request: Request) -> Response:
        """Say where the picture's own line is near a point: ``{"piece", "point", "to", "reach"}``."""
        asked = await _body(request)
        pattern = await asyncio.to_thread(self.store.pattern)
        if pattern is None:
            raise JobError("nothing was traced yet")
        try:
            piece = pattern.piece(str(asked["piece"]))
            node = int(asked["point"]) - 1
            to = [float(v) for v in asked["to"]]
            before, after = piece.outline.tangents(node % piece.outline.node_count)
            reach = min(5.0, max(0.2, float(asked.get("reach", 1.5))))
        except (KeyError, TypeError, ValueError) as error:
            raise CorrectionError(f"this place cannot be looked up: {error}") from error
        sheet = next(s for s in pattern.sheets if s.id == piece.sheet)
        about = read_json(self.job / f"sheet-{sheet.id}.json")
        source = self.job / INBOX / sheet.file
        if about is None or not source.is_file():
            return JSONResponse({"at": to, "found": False})
        question = {"file": str(source), "page": sheet.page, "map": about["map"], "at": to, "reach": reach}
        answer = await self.eye.ask(question | {"arms": [(-before).tolist(), after.tolist()]})
        return JSONResponse({"at": to, "found": False} | answer)

    # -- cutting and laying -------------------------------------------------------------------------------------------
    async def cut(self, request: Request) -> Response:
        """Show the cut list and what it makes."""
        return JSONResponse(await self.store.do(lambda: cut_form.shown(self.job), told=False))

    async def cut_change(self, request: Request) -> Response:
        """Change one entry of the cut list, or try it without keeping it."""
        change = await _body(request)
        self._not_while_tracing()
        try:
            trying = bool(change.get("try"))
            return JSONResponse(await self.store.do(lambda: cut_form.keep(self.job, change), told=not trying))
        except cut_form.ListChangedError as error:
            shown = await self.store.do(lambda: cut_form.shown(self.job), told=False)
            return JSONResponse({"message": str(error), "now": shown}, status_code=409)
        except (KeyError, TypeError) as error:
            raise CorrectionError(f"this entry cannot be read: {error}") from error

    async def lay(self, request: Request) -> Response:
        """Show the lay."""
        shown = await self.store.do(lambda: table.table(self.job), told=False)
        asked = table.asked_of(self.job)
        asked = {k: v for k, v in asked.items() if k not in ("shapes", "wrong", "pinned", "steps", "done")}
        return JSONResponse({"asked": asked, "table": shown})

    async def lay_out(self, request: Request) -> Response:
        """Lay the pieces; ``rest`` leaves what is pinned."""
        body = await _body(request)
        asked = body.get("asked")
        if not isinstance(asked, dict):
            raise UploadError("say what to lay on", status=400)
        # Wrong words are told at once, before a process is started for them.
        table.surface_of(asked)
        table.rules_of(asked)
        return await self._run({"task": "lay", "job": str(self.job), "asked": asked, "rest": bool(body.get("rest"))})

    async def lay_move(self, request: Request) -> Response:
        """Move, turn or pin one piece of the lay."""
        change = await _body(request)
        if self.bench.busy and self.bench.now.task == "lay":
            raise JobError("the pieces are being laid; wait for it, or stop it")
        try:
            found = await self.store.do(lambda: table.moved(self.job, change), told=bool(change.get("keep")))
        except (KeyError, TypeError) as error:
            raise CorrectionError(f"this move cannot be read: {error}") from error
        return JSONResponse(found)

    async def lay_step(self, request: Request) -> Response:
        """Take the last move of the lay back, or do it again: ``{"back"}``."""
        back = bool((await _body(request)).get("back"))
        return JSONResponse(await self.store.do(lambda: table.stepped(self.job, back=back)))

    async def cloth(self, request: Request) -> Response:
        """Put a brought photo of cloth under the lay: ``{"file", "reference"}``; no file takes it away."""
        asked = await _body(request)
        if not asked.get("file"):
            await self.store.do(lambda: (self.job / "cloth.json").unlink(missing_ok=True))
            return JSONResponse({})
        (path,) = self._brought([asked["file"]])
        request_ = {"task": "cloth", "job": str(self.job), "file": str(path), "reference": asked.get("reference", "")}
        return await self._run(request_)

    async def write(self, request: Request) -> Response:
        """Write files and measure them again."""
        asked = await _body(request)
        known = (
            "kinds", "what", "paper", "projector", "outlines_only", "each", "cutting_sheet", "dxf_version",
            "dxf_layers",
        )  # fmt: skip
        kept = {k: asked[k] for k in known if k in asked}
        if not isinstance(kept.get("kinds", []), list):
            raise UploadError("kinds are a list", status=400)
        return await self._run({"task": "write", "job": str(self.job)} | kept)


def _status(ended: Work) -> int:
    return 422 if ended.state == "refused" else 200


async def _body(request: Request) -> dict[str, Any]:
    content = b""
    async for chunk in request.stream():
        content += chunk
        if len(content) > _LARGEST_JSON:
            raise UploadError("this request is too long", status=413)
    try:
        data = json.loads(content)
    except ValueError as error:
        raise UploadError(f"this request is no JSON ({error})", status=400) from error
    if not isinstance(data, dict):
        raise UploadError("this request is no JSON object", status=400)
    return data


async def _say_error(request: Request, error: Exception) -> Response:
    status = error.status if isinstance(error, UploadError) else 409 if isinstance(error, CorrectionError) else 422
    # What is not read of a refused upload must not be taken for the next request.
    headers = {"connection": "close"} if status == 413 else {}
    return JSONResponse({"message": str(error)}, status_code=status, headers=headers)


def create_app(job: Path, *, token: str, port: int, largest_bytes: int = LARGEST_BYTES) -> Guard:
    """Return the page's server for one job folder; ``on_stop`` of it lets waiting pages go."""
    page = Page(job, largest_bytes=largest_bytes)

    async def index(request: Request) -> Response:
        return FileResponse(STATIC / "index.html")

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        # A job that cannot be read says so on the page, in answer to the first request.
        with suppress(TracerError, CalibrationError):
            await page.store.do(lambda: cut_form.mend(job), told=False)
        yield
        for part in (page.bench, page.looking, page.eye):
            await part.close()

    app = Starlette(
        lifespan=lifespan,
        routes=[
            Route("/", index),
            Route("/api/state", page.state),
            Route("/api/work", page.work),
            Route("/api/inbox/{name:path}", page.upload, methods=["PUT"]),
            Route("/api/close-up", page.close_up, methods=["POST"]),
            Route("/api/put-back", page.put_back, methods=["POST"]),
            Route("/api/trace", page.trace, methods=["POST"]),
            Route("/api/cancel", page.cancel, methods=["POST"]),
            Route("/api/change", page.change, methods=["POST"]),
            Route("/api/undo", page.undo, methods=["POST"]),
            Route("/api/redo", page.redo, methods=["POST"]),
            Route("/api/snap", page.snap, methods=["POST"]),
            Route("/api/cut", page.cut, methods=["GET"]),
            Route("/api/cut", page.cut_change, methods=["POST"]),
            Route("/api/lay", page.lay, methods=["GET"]),
            Route("/api/lay", page.lay_out, methods=["POST"]),
            Route("/api/lay/move", page.lay_move, methods=["POST"]),
            Route("/api/lay/step", page.lay_step, methods=["POST"]),
            Route("/api/target", page.target),
            Route("/api/cloth", page.cloth, methods=["POST"]),
            Route("/api/write", page.write, methods=["POST"]),
            Route("/job/{name:path}", page.file),
            Mount("/static", StaticFiles(directory=STATIC)),
        ],
        exception_handlers={TracerError: _say_error, CalibrationError: _say_error},
    )
    return Guard(app, token=token, port=port, on_stop=page.stop)
