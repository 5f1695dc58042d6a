"""The page's server: routes that parse, call the library, and answer."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from calibration import CalibrationError
from tracer.errors import CorrectionError, TracerError
from tracer.pattern import to_json
from tracer.web.guard import Guard
from tracer.web.inbox import UploadError, receive
from tracer.web.store import JobStore
from tracer.web.work import Workbench

STATIC = Path(__file__).parent / "static"
INBOX = "inbox"
THUMBS = "inbox-pages"
_LARGEST_JSON = 4_000_000
_WAIT_SECONDS = 20.0
_SERVED = {".svg", ".pdf", ".dxf", ".png", ".jpg", ".html", ".json", ".toml"}


class Page:
    """Everything the routes need."""

    def __init__(self, job: Path) -> None:
        self.job = job
        self.store = JobStore(job)
        self.bench = Workbench()

    # -- looking ------------------------------------------------------------------------------------------------------
    async def state(self, request: Request) -> Response:
        """Return all that a page shows; with ``since`` it waits for news."""
        since = int(request.query_params.get("since", "0"))
        revision = await (self.store.wait(since, _WAIT_SECONDS) if since else self.store.look())
        pattern = self.store.pattern()
        content = None if pattern is None else to_json(pattern)
        if content is not None and "history" in content:
            history = content.pop("history")
            content["history"] = {"done": history["done"], "count": len(history["changes"])}
        return JSONResponse({"revision": revision, "job": self.job.name, "pattern": content, "work": self.working()})

    def working(self) -> dict[str, Any]:
        """Return the state of the work in progress."""
        now = self.bench.now
        return {"task": now.task, "state": now.state, "words": now.words, "share": now.share, "result": now.result}

    async def work(self, request: Request) -> Response:
        """Return only the work in progress."""
        return JSONResponse(self.working())

    async def file(self, request: Request) -> Response:
        """Serve one file of the job folder."""
        path = self._inside(request.path_params["name"])
        if path is None or not path.is_file() or path.suffix.lower() not in _SERVED:
            return JSONResponse({"message": "there is no such file in this job"}, status_code=404)
        headers = (
            {"content-disposition": f'attachment; filename="{path.name}"'} if "download" in request.query_params else {}
        )
        return FileResponse(path, headers=headers)

    def _inside(self, name: str) -> Path | None:
        """Return the path of a name within the job folder; None for anything that would leave it."""
        try:
            path = (self.job / name).resolve()
        except (OSError, ValueError):
            return None
        hidden = any(part.startswith(".") for part in Path(name).parts)
        return path if path.is_relative_to(self.job.resolve()) and not hidden else None

    # -- bringing in and tracing --------------------------------------------------------------------------------------
    async def upload(self, request: Request) -> Response:
        """Keep one brought file and make small pictures of its pages."""
        stated = request.headers.get("content-length")
        path = await receive(
            self.job / INBOX,
            request.path_params["name"],
            request.stream(),
            stated_bytes=int(stated) if stated and stated.isdigit() else None,
        )
        ended = await self.bench.run({"task": "thumbnails", "file": str(path), "into": str(self.job / THUMBS)})
        if ended.state != "done":
            path.unlink(missing_ok=True)
            return JSONResponse({"message": ended.words}, status_code=422)
        return JSONResponse(ended.result, status_code=201)

    async def trace(self, request: Request) -> Response:
        """Trace brought files; answers when done, progress is at ``work``."""
        if self.bench.busy:
            return JSONResponse({"message": "something is being worked on already"}, status_code=409)
        asked = await _body(request)
        files = [self._inside(f"{INBOX}/{name}") for name in asked.get("files", [])]
        if not files or any(f is None or not f.is_file() for f in files):
            return JSONResponse({"message": "choose a file that was brought in"}, status_code=422)
        kept = {
            k: asked[k] for k in ("pages", "reference", "tolerance", "line", "fit", "size_line", "words") if k in asked
        }
        ended = await self.bench.run({"task": "trace", "files": [str(f) for f in files], "job": str(self.job)} | kept)
        await self.store.tell()
        return JSONResponse(self.working(), status_code=200 if ended.state == "done" else 422)

    async def cancel(self, request: Request) -> Response:
        """Stop the work in progress."""
        return JSONResponse({"stopped": self.bench.cancel()})

    # -- changing -----------------------------------------------------------------------------------------------------
    async def change(self, request: Request) -> Response:
        """Record one correction."""
        await self.store.change(await _body(request))
        return JSONResponse({"revision": self.store.revision})

    async def undo(self, request: Request) -> Response:
        """Undo the last change."""
        await self.store.undo()
        return JSONResponse({"revision": self.store.revision})

    async def redo(self, request: Request) -> Response:
        """Do the last undone change again."""
        await self.store.redo()
        return JSONResponse({"revision": self.store.revision})


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
    return JSONResponse({"message": str(error)}, status_code=status)


def create_app(job: Path, *, token: str, port: int) -> Guard:
    """Return the page's server for one job folder."""
    page = Page(job)

    async def index(request: Request) -> Response:
        return FileResponse(STATIC / "index.html")

    app = Starlette(
        routes=[
            Route("/", index),
            Route("/api/state", page.state),
            Route("/api/work", page.work),
            Route("/api/inbox/{name:path}", page.upload, methods=["PUT"]),
            Route("/api/trace", page.trace, methods=["POST"]),
            Route("/api/cancel", page.cancel, methods=["POST"]),
            Route("/api/change", page.change, methods=["POST"]),
            Route("/api/undo", page.undo, methods=["POST"]),
            Route("/api/redo", page.redo, methods=["POST"]),
            Route("/job/{name:path}", page.file),
            Mount("/static", StaticFiles(directory=STATIC)),
        ],
        exception_handlers={TracerError: _say_error, CalibrationError: _say_error},
    )
    return Guard(app, token=token, port=port)
