"""The open nesting instances and record layouts, read for the tests; nothing of the search reads them."""

from __future__ import annotations

import re
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from tracer.lay.bodies import Body, make_body
from tracer.path import Path
from tracer.piece import Fit, Piece

# Mean of 100 twenty-minute runs and record density: Gardeyn, Vanden Berghe, Wauters, arXiv:2509.13329 (2025).
PUBLISHED_MEAN = {"shirts": 0.8966, "trousers": 0.9173, "jakobs1": 0.8908, "fu": 0.9223}
PUBLISHED_RECORD = {
    "shirts": (59.393, 0.90920), "trousers": (235.172, 0.92615), "jakobs1": (10.980, 0.89247), "fu": (30.843, 0.92396),
}  # fmt: skip

WIDTH_MM = 1000.0
"""Every strip is laid at this width, so that the trade's 0.01 mm means the same on each."""


def instance_bodies(data: dict[str, Any]) -> tuple[list[Body], float, float]:
    """Return the bodies of an instance, the strip's width in mm, and mm per unit of the instance."""
    scale = WIDTH_MM / data["strip_height"]
    bodies = []
    for item in data["items"]:
        # The instance's strip runs along x, ours along y: a quarter turn takes one to the other.
        points = np.array(item["shape"]["data"]) * scale
        outline = Path.polygon(np.stack([-points[:, 1], points[:, 0]], axis=1))
        piece = Piece(
            id=str(item["id"]), name=f"item {item['id']}", sheet="s1", outline=outline.oriented(),
            expanded_uncertainty_mm=0.0, fit=Fit(max_mm=0.0, p95_mm=0.0, rms_mm=0.0),
        )  # fmt: skip
        turns = tuple(a % 360.0 for a in item.get("allowed_orientations", [0.0]))
        bodies.append(
            make_body([(piece, False, None)], name=piece.name, turns=turns, demand=item["demand"], gap_mm=0.0)
        )
    return bodies, WIDTH_MM, scale


def polygon_area(points: np.ndarray) -> float:
    q = np.roll(points, -1, axis=0)
    return abs(float((points[:, 0] * q[:, 1] - q[:, 0] * points[:, 1]).sum())) / 2


def instance_density(data: dict[str, Any], length: float) -> float:
    """Return the area of all items over the strip's, in the instance's own units."""
    area = sum(polygon_area(np.array(i["shape"]["data"])) * i["demand"] for i in data["items"])
    return area / (data["strip_height"] * length)


def read_record(path: FilePath) -> tuple[list[Path], float, float]:
    """Return the outlines of a record layout, and the length and width of its strip.

    The layout's ``use`` elements hold exact transforms: a translation and a rotation of the shape in ``item_N``.
    """
    text = path.read_text()
    container = re.search(r'<g id="(?:container|bin)_0">\s*<path d="M0,0 L([\d.]+),0 L[\d.]+,([\d.]+)', text)
    assert container is not None
    shapes = {
        m[1]: np.array([[float(v) for v in p.split(",")] for p in re.findall(r"-?[\d.]+,-?[\d.]+", m[2])])
        for m in re.finditer(r'<g id="item_(\d+)">\s*<path d="([^"]+)"', text)
    }
    outlines = []
    for use in re.finditer(r"<use\b[^>]*>", text):
        target = re.search(r'href="#item_(\d+)"', use[0])
        move = re.search(r'transform="translate\(([-\d.e]+)[ ,]+([-\d.e]+)\)[ ,]*rotate\(([-\d.e]+)\)"', use[0])
        if target is None or move is None:
            continue
        a = np.radians(float(move[3]))
        spin = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        outlines.append(Path.polygon(shapes[target[1]] @ spin.T + (float(move[1]), float(move[2]))))
    return outlines, float(container[1]), float(container[2])
