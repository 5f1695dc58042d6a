"""The page's real server on a real socket, in a thread of the test."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from tracer.web.app import create_app

TOKEN = "a-token-for-the-test"


@dataclass(frozen=True)
class Running:
    """A server and a client that has come in by the address it printed."""

    port: int
    client: httpx.Client

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def post(self, path: str, **body: Any) -> httpx.Response:
        return self.client.post(path, json=body)


@contextmanager
def running(job: Path, **options: Any) -> Iterator[Running]:
    """Serve a job folder until the block ends."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        listening.bind(("127.0.0.1", 0))
        port = listening.getsockname()[1]
        guard = create_app(job, token=TOKEN, port=port, **options)
        server = uvicorn.Server(uvicorn.Config(guard, log_level="error", ws="none", timeout_graceful_shutdown=2))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            while not server.started:
                time.sleep(0.01)
            origin = f"http://127.0.0.1:{port}"
            with httpx.Client(base_url=origin, headers={"origin": origin}, timeout=120) as client:
                client.get("/", params={"token": TOKEN}, follow_redirects=True).raise_for_status()
                yield Running(port, client)
        finally:
            guard.on_stop()
            server.should_exit = True
            thread.join()
