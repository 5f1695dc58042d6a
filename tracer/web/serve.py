"""Running the page's server on a socket that listens already."""

from __future__ import annotations

import socket
from pathlib import Path
from types import FrameType

import uvicorn

from tracer.web.app import create_app
from tracer.web.guard import Guard


class _Server(uvicorn.Server):
    """A server that lets waiting pages go when it is told to stop, so that it need not break them off."""

    def __init__(self, config: uvicorn.Config, guard: Guard) -> None:
        super().__init__(config)
        self._guard = guard

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Stop."""
        self._guard.on_stop()
        super().handle_exit(sig, frame)


def serve(job: Path, listening: socket.socket, *, token: str) -> None:
    """Serve one job folder until told to stop."""
    guard = create_app(job, token=token, port=listening.getsockname()[1])
    config = uvicorn.Config(guard, log_level="warning", access_log=False, timeout_graceful_shutdown=3, ws="none")
    _Server(config, guard).run(sockets=[listening])
