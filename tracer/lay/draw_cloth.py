"""The print in the drawing of a lay: pale under everything, in full inside each piece, as it will look cut."""

from __future__ import annotations

import base64
import math

import cv2

from tracer.lay.laid import Lay

_QUALITY = 85
_MOST_LINES = 400


def cloth_defs(lay: Lay) -> list[str]:
    """Return the picture of the cloth, once."""
    if lay.cloth is None or lay.cloth.pixels is None:
        return []
    width, length = lay.cloth.size_mm or (0.0, 0.0)
    x, y = lay.cloth.origin_mm
    _, jpeg = cv2.imencode(".jpg", lay.cloth.pixels[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    data = base64.b64encode(jpeg.tobytes()).decode("ascii")
    return [
        f'<image id="cloth" x="{x:.3f}" y="{y:.3f}" width="{width:.3f}" height="{length:.3f}" '
        f'preserveAspectRatio="none" href="data:image/jpeg;base64,{data}"/>'
    ]


def cloth_under(lay: Lay, x0: float, y0: float, width: float, length: float, *, full: bool = False) -> list[str]:
    """Return the print over a stretch of the surface that begins at (x0, y0).

    The picture is drawn again and again where it shows one repeat. Without a picture the repeat is drawn as a lattice
    with a small ring at each of its corners.
    """
    cloth = lay.cloth
    if cloth is None:
        return []
    out = [f'<g transform="translate({-x0:.3f} {-y0:.3f})"' + ("" if full else ' opacity="0.3"') + ">"]
    spans = []
    if cloth.repeat_mm is not None:
        for start, size, origin, repeat in zip(
            (x0, y0), (width, length), cloth.origin_mm, cloth.repeat_mm, strict=True
        ):
            first, last = math.floor((start - origin) / repeat), math.ceil((start + size - origin) / repeat)
            spans.append([k * repeat for k in range(first, min(last, first + _MOST_LINES) + 1)])
    if cloth.pixels is not None:
        if cloth.repeat_mm is None or not _one_repeat(lay):
            out.append('<use href="#cloth"/>')
        else:
            out += [f'<use href="#cloth" x="{x:.3f}" y="{y:.3f}"/>' for y in spans[1] for x in spans[0]]
    elif cloth.repeat_mm is not None:
        ox, oy = cloth.origin_mm
        pen = min(cloth.repeat_mm) / 60
        left, right, top, bottom = (
            spans[0][0] + ox, spans[0][-1] + ox, spans[1][0] + oy, spans[1][-1] + oy,
        )  # fmt: skip
        data = "".join(f"M{x + ox:.3f} {top:.3f}V{bottom:.3f}" for x in spans[0])
        data += "".join(f"M{left:.3f} {y + oy:.3f}H{right:.3f}" for y in spans[1])
        out.append(f'<path d="{data}" fill="none" stroke="#777" stroke-width="{pen:.3f}"/>')
        ring = min(cloth.repeat_mm) / 8
        out += [
            f'<circle cx="{x + ox:.3f}" cy="{y + oy:.3f}" r="{ring:.3f}" fill="none" stroke="#777" '
            f'stroke-width="{pen:.3f}"/>'
            for x in spans[0]
            for y in spans[1]
        ]
    return [*out, "</g>"]


def _one_repeat(lay: Lay) -> bool:
    """Return whether the picture shows one repeat, to a twentieth: then it is drawn again and again."""
    cloth = lay.cloth
    if cloth is None or cloth.repeat_mm is None or cloth.size_mm is None:
        return False
    return all(abs(s - r) <= r / 20 for s, r in zip(cloth.size_mm, cloth.repeat_mm, strict=True))
