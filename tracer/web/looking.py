"""The worker's task of looking at what was brought in: pictures of its pages. It loads little, so it answers soon."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.intake import read_pictures
from tracer.pattern import write_bytes_whole, write_text_whole

THUMB_PX = 320
CLOSE_UP_PX = 4000
_MOST_PAGES = 60

Tell = Callable[[str, float], None]


def thumbnails(request: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Make a small picture of every page of a file: ``{"file", "into"}``; what was found is kept beside them.

    It is kept after each page, so that the first pages of a long document can be chosen while the others are looked at.
    """
    path, into = Path(request["file"]), Path(request["into"])
    into.mkdir(parents=True, exist_ok=True)
    pages: list[dict[str, Any]] = []
    found = {"file": path.name, "pages": pages, "more": ""}

    def keep(more: str) -> None:
        write_text_whole(into / f"{path.name}.json", json.dumps(found | {"more": more}))

    more = ""
    for number, picture in enumerate(read_pictures(path), start=1):
        if number > _MOST_PAGES:
            more = f"only the first {_MOST_PAGES} pages are shown; split the document to reach the others"
            break
        pixels = np.asarray(picture.pixels)
        shrink = THUMB_PX / max(pixels.shape[:2])
        small = cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        name = f"{path.name}.{number}.jpg"
        write_bytes_whole(into / name, jpeg(small, quality=75))
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
        tell(f"looking at page {number}", 0.5)
        keep("looking at the next page")
    keep(more)
    return found | {"more": more}


def close_up(request: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Make a large picture of one page as it was taken, to point at something in it: ``{"file", "page", "into"}``."""
    path, into, page = Path(request["file"]), Path(request["into"]), request.get("page")
    tell("looking closely", 0.2)
    pixels = np.asarray(next(iter(read_pictures(path, pages=None if page is None else str(page)))).pixels)
    height, width = pixels.shape[:2]
    shrink = min(1.0, CLOSE_UP_PX / max(width, height))
    if shrink < 1:
        pixels = np.asarray(
            cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), dtype=np.uint8
        )
    name = f"{path.name}.{page or 1}.large.jpg"
    write_bytes_whole(into / name, jpeg(pixels, quality=85))
    return {"picture": name, "size_px": [width, height]}


def jpeg(pixels: Any, *, quality: int) -> bytes:
    """Return pixels (RGB or grey) as a JPEG file."""
    bgr = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return bytes(data)
