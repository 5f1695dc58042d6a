"""A process that has the page's server loaded and starts real servers by forking, so that each start takes no time.

Reads ``start JOB`` lines; for each it forks a server and writes ``PID PORT``. Used by the test that kills servers.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
from pathlib import Path

from tests.tracer.web.server import TOKEN
from tracer.web.serve import serve


def main() -> None:
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    for line in sys.stdin:
        job = Path(line.strip())
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            serve(job, listening, token=TOKEN)
            os._exit(0)
        sys.stdout.write(f"{child} {listening.getsockname()[1]}\n")
        sys.stdout.flush()
        listening.close()


if __name__ == "__main__":
    main()
