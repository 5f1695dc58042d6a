"""``tracewheel open``."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from pathlib import Path
from typing import Annotated

import typer

from tracer.cli.app import app, out
from tracer.errors import JobError
from tracer.job import job_folder
from tracer.web.serve import serve


@app.command(
    "open", short_help="Open the local page: the whole job by eye and hand.", epilog="Example: tracewheel open apron"
)
def open_command(
    job: Annotated[Path, typer.Argument(help="Job folder; made when missing.", show_default=False)],
    port: Annotated[int, typer.Option(help="Port on this machine; 0 takes a free one.")] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the browser too.")] = True,
) -> None:
    """Open the local page: the whole job by eye and hand, on this machine only."""
    with job_folder(job, keep=True), socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind(("127.0.0.1", port))
        except OSError as error:
            raise JobError(
                f"port {port} cannot be used ({error.strerror}); take another with --port, or leave it out"
            ) from error
        # Listening before the address is told: a browser that comes at once waits instead of being turned away.
        listening.listen()
        own_port = listening.getsockname()[1]
        token = secrets.token_urlsafe(24)
        address = f"http://127.0.0.1:{own_port}/?token={token}"
        out.print(f"The page is at {address}", markup=False)
        out.print(
            "The address works once, on this machine only. Stop with Ctrl-C; every change is saved.", markup=False
        )
        if browser:
            webbrowser.open(address)
        serve(job, listening, token=token)
