"""The reader in a process of its own: it loads while the scale is looked for, and takes nobody's time then.

Requests come on standard input: ``HEADER`` (number, ``FIND`` or ``READ``, rows, columns) and the bytes of a picture of
three channels. Answers go to standard output in any order, one JSON object a line: ``{"number", "boxes"}`` or
``{"number", "text", "score"}``, or ``{"number", "failed"}``. It ends when its input does.
"""

from __future__ import annotations

import json
import os
import struct
import sys
from concurrent.futures import ThreadPoolExecutor
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracer.reading import models

HEADER = struct.Struct("<IBII")
FIND, READ = 0, 1


def _answer(task: int, picture: NDArray[np.uint8]) -> dict[str, Any]:
    try:
        if task == FIND:
            return {"boxes": models.find_lines(picture).tolist()}
        text, score = models.read_line(picture)
        return {"text": text, "score": score}
    except Exception as error:  # noqa: BLE001 - one picture that the reader chokes on must not end it
        return {"failed": f"{type(error).__name__}: {error}"}


def main() -> None:
    """Answer until there is nothing more to read."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    sys.stdout = sys.stderr  # whatever a library prints is no answer
    told = Lock()

    def work(number: int, task: int, picture: NDArray[np.uint8]) -> None:
        line = json.dumps({"number": number, **_answer(task, picture)})
        with told:
            answers.write(line + "\n")
            answers.flush()

    models.warm()
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        while len(head := sys.stdin.buffer.read(HEADER.size)) == HEADER.size:
            number, task, rows, columns = HEADER.unpack(head)
            pixels = sys.stdin.buffer.read(rows * columns * 3)
            if len(pixels) < rows * columns * 3:
                break
            pool.submit(work, number, task, np.frombuffer(pixels, dtype=np.uint8).reshape(rows, columns, 3))


if __name__ == "__main__":
    main()
