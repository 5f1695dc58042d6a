"""Decoding, tracing, laying and writing in a process of its own, with limits in memory and time.

A picture from outside is only ever decoded here: if it is made to harm, the process ends and the page lives on. One
request a process, JSON on standard input; answers are JSON lines on standard output: ``progress`` lines, then one
``done`` or ``refused`` line. Ending the process is how work is cancelled; every file it writes is whole or not there.
Standard input stays open while the work is wanted: should the server be killed, its end ends the work too, so that
nothing is written into a job that a new server has opened meanwhile.
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import sys
import threading
from typing import Any

from calibration.errors import CalibrationError
from tracer.errors import TracerError

TASKS = {
    "thumbnails": "tracer.web.looking",
    "close_up": "tracer.web.looking",
    "trace": "tracer.web.bringing",
    "cloth": "tracer.web.bringing",
    "lay": "tracer.web.laying",
    "write": "tracer.web.handing",
}
"""Each task and the module with the function of that name; only what is asked for is loaded."""


def say(**line: Any) -> None:
    """Write one line to whoever asked."""
    sys.stdout.write(json.dumps(line, ensure_ascii=True) + "\n")
    sys.stdout.flush()


def tell(words: str, share: float) -> None:
    """Report progress."""
    say(kind="progress", words=words, share=share)


def limit_resources(memory_bytes: int, seconds: int) -> None:
    """Give this process a ceiling; beyond it allocation fails and the kernel ends it."""
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def end_with_the_server() -> None:
    """Watch standard input and end this process when it closes."""

    def watch() -> None:
        # Read from the descriptor: a thread that waits in sys.stdin would hold its lock when the process ends.
        while os.read(0, 4096):
            continue
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def main() -> int:
    """Do the one request on standard input; modules named as arguments are loaded while it is waited for."""
    for module in sys.argv[1:]:
        importlib.import_module(module)
    line = sys.stdin.readline()
    if not line:
        return 0
    request = json.loads(line)
    end_with_the_server()
    limit_resources(int(request["memory_bytes"]), int(request["seconds"]))
    try:
        do = getattr(importlib.import_module(TASKS[request["task"]]), request["task"])
        result = do(request, tell)
    except (CalibrationError, TracerError) as error:
        say(kind="refused", message=str(error))
        return 2
    except MemoryError:
        say(kind="refused", message="this picture needs more memory than is allowed; scan at a lower density")
        return 2
    except Exception as error:  # noqa: BLE001 - the last place before the process ends: whatever it is must be told
        say(kind="refused", message=f"this could not be done, please report it: {type(error).__name__}: {error}")
        return 3
    except KeyboardInterrupt:
        say(kind="refused", message="stopped before anything was found")
        return 2
    say(kind="done", result=result)
    return 0


if __name__ == "__main__":
    status = main()
    # At once: a page waits for the end of this process, and taking down its libraries in order takes a while.
    sys.stdout.flush()
    os._exit(status)
