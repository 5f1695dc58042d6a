"""Decoding and tracing in a process of its own, with limits in memory and time.

A picture from outside is only ever decoded here: if it is made to harm, the process ends and the page lives on. One
request a process, JSON on standard input; answers are JSON lines on standard output: ``progress`` lines, then one
``done`` or ``refused`` line. Ending the process is how work is cancelled; every file it writes is whole or not there.
"""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration import CalibrateOptions, CalibrationError, parse_length_mm, parse_request, parse_tolerance
from calibration.intake import read_pictures
from tracer.errors import TracerError
from tracer.job import trace_files
from tracer.pattern import write_bytes_whole
from tracer.pipeline import TraceOptions

THUMB_PX = 320
_MOST_PAGES = 60


def _say(**line: Any) -> None:
    sys.stdout.write(json.dumps(line, ensure_ascii=True) + "\n")
    sys.stdout.flush()


def limit_resources(memory_bytes: int, seconds: int) -> None:
    """Give this process a ceiling; beyond it allocation fails and the kernel ends it."""
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def thumbnails(request: dict[str, Any]) -> dict[str, Any]:
    """Make a small picture of every page of a file: ``{"file", "into"}``."""
    path, into = Path(request["file"]), Path(request["into"])
    into.mkdir(parents=True, exist_ok=True)
    pages = []
    for number, picture in enumerate(read_pictures(path), start=1):
        if number > _MOST_PAGES:
            break
        pixels = np.asarray(picture.pixels)
        shrink = THUMB_PX / max(pixels.shape[:2])
        small = cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        bgr = small if small.ndim == 2 else cv2.cvtColor(small, cv2.COLOR_RGB2BGR)
        _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 75])
        name = f"{path.name}.{number}.jpg"
        write_bytes_whole(into / name, bytes(data))
        pages.append(
            {
                "page": picture.source.page,
                "thumbnail": name,
                "width_px": picture.width_px,
                "height_px": picture.height_px,
                "drawn": picture.vectors is not None,
                "density": None if picture.density is None else round(picture.density.x_per_inch, 2),
            }
        )
        _say(kind="progress", words=f"looking at page {number}", share=0.5)
    return {"file": path.name, "pages": pages}


def trace(request: dict[str, Any]) -> dict[str, Any]:
    """Trace files into the job: ``{"files", "job", "pages", "reference", ...}`` as on the command line."""
    relative, absolute = parse_tolerance(request["tolerance"]) if request.get("tolerance") else (None, None)
    pattern = trace_files(
        [Path(f) for f in request["files"]],
        Path(request["job"]),
        calibrate_options=CalibrateOptions(
            request=parse_request(request["reference"]) if request.get("reference") else None,
            reference_tolerance_relative=relative,
            reference_tolerance_mm=absolute,
        ),
        trace_options=TraceOptions(
            line=request.get("line", "centre"),
            tolerance_mm=parse_length_mm(request.get("fit", "0.1mm")),
            size_line=request.get("size_line"),
            words=bool(request.get("words", True)),
        ),
        pages=request.get("pages"),
        on_progress=lambda words, share: _say(kind="progress", words=words, share=share),
        keep_pictures=True,
    )
    return {"pieces": len(pattern.pieces), "sheets": len(pattern.sheets)}


_TASKS = {"thumbnails": thumbnails, "trace": trace}


def main() -> int:
    """Do the one request on standard input."""
    request = json.loads(sys.stdin.readline())
    limit_resources(int(request["memory_bytes"]), int(request["seconds"]))
    try:
        result = _TASKS[request["task"]](request)
    except (CalibrationError, TracerError) as error:
        _say(kind="refused", message=str(error))
        return 2
    except MemoryError:
        _say(kind="refused", message="this picture needs more memory than is allowed; scan at a lower density")
        return 2
    _say(kind="done", result=result)
    return 0


if __name__ == "__main__":
    sys.exit(main())
