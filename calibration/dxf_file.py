"""DXF files as vector pages, in millimetres.

A small reader of the published DXF group codes (entities LINE, LWPOLYLINE, POLYLINE, CIRCLE, ARC, SPLINE and TEXT), so
that files are measured by code that did not write them. Bulges are arcs; arcs become cubics. ``$INSUNITS`` gives the
unit; a file without it (R12 knows none) is taken as millimetres.
y is flipped: DXF has y up, pages have y down.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from calibration.errors import PictureError
from calibration.picture import DrawnPath, DrawnText, VectorPage
from calibration.units import MM_PER_INCH

_MM_PER_UNIT = {0: 1.0, 1: MM_PER_INCH, 2: 12 * MM_PER_INCH, 4: 1.0, 5: 10.0, 6: 1000.0}
"""Codes of ``$INSUNITS``: none, inches, feet, millimetres, centimetres, metres."""

_CLOSE_MM = 1e-6
_MARGIN_MM = 5.0
_RATIONAL_STEPS = 64
_LETTER = 0.8
_BERNSTEIN_AT = np.array([0.125, 0.375, 0.625, 0.875])
_BERNSTEIN = np.stack(
    [
        (1 - _BERNSTEIN_AT) ** 3,
        3 * (1 - _BERNSTEIN_AT) ** 2 * _BERNSTEIN_AT,
        3 * (1 - _BERNSTEIN_AT) * _BERNSTEIN_AT**2,
        _BERNSTEIN_AT**3,
    ],
    axis=1,
)
"""The cubic Bernstein polynomials at four places, shape (4, 4)."""

Segment = NDArray[np.float64]
Tag = tuple[int, str]
Box = tuple[float, float, float, float]


def read_dxf(path: Path) -> VectorPage:
    """Read the lines of a DXF file; the page is their box with a margin of 5 mm.

    Raises
    ------
    PictureError
        When it is no readable text DXF or holds no line.
    """
    tags = list(_tags(path))
    unit_mm = _MM_PER_UNIT.get(_units(tags), 1.0)
    chains: list[tuple[list[Segment], str]] = []
    written: list[tuple[str, Box]] = []
    try:
        for kind, body, vertices in _entities(tags):
            segments = [s * unit_mm for s in _segments(kind, body, vertices)]
            if segments:
                chains.append((segments, _first(body, 8, "0")))
            elif kind == "TEXT":
                written += _text(body, unit_mm)
    except (ValueError, IndexError, KeyError) as error:
        raise PictureError(f"{path.name} is a damaged DXF ({error}); export it again") from error
    if not chains:
        raise PictureError(f"{path.name} holds no line that can be read; export outlines as splines or polylines")
    points = np.concatenate([p for segments, _ in chains for p in segments])
    low, high = points.min(axis=0) - _MARGIN_MM, points.max(axis=0) + _MARGIN_MM
    layers = {name: i for i, name in enumerate(dict.fromkeys(layer for _, layer in chains))}
    drawn = tuple(
        DrawnPath(
            segments=tuple(np.stack([s[:, 0] - low[0], high[1] - s[:, 1]], axis=1) for s in segments),
            closed=bool(np.abs(segments[0][0] - segments[-1][-1]).max() < _CLOSE_MM),
            stroke_rgb=(0, 0, 0),
            fill_rgb=None,
            stroke_width_mm=0.1,
            object_index=1000 * layers[layer] + i,
        )
        for i, (segments, layer) in enumerate(chains)
    )
    width, height = high - low
    texts = tuple(
        DrawnText(text=t, box_mm=(x0 - low[0], high[1] - y1, x1 - low[0], high[1] - y0))
        for t, (x0, y0, x1, y1) in written
    )
    return VectorPage(width_mm=float(width), height_mm=float(height), paths=drawn, texts=texts)


# -- tags -------------------------------------------------------------------------------------------------------------
def _tags(path: Path) -> Iterator[Tag]:
    content = path.read_bytes()
    if content.startswith(b"AutoCAD Binary DXF"):
        raise PictureError(f"{path.name} is a binary DXF; export it as text")
    lines = content.decode("utf-8", errors="replace").splitlines()
    for code, value in zip(lines[::2], lines[1::2], strict=False):
        try:
            number = int(code)
        except ValueError:
            raise PictureError(f"{path.name} is no readable DXF (group code '{code[:20]}'); export it again") from None
        yield number, value.strip()


def _units(tags: list[Tag]) -> int:
    for i, (code, value) in enumerate(tags):
        if code == 9 and value == "$INSUNITS" and i + 1 < len(tags):
            return int(tags[i + 1][1])
    return 0


def _entities(tags: list[Tag]) -> Iterator[tuple[str, list[Tag], list[list[Tag]]]]:
    """Entities of the ENTITIES section with their tags; a POLYLINE comes with its vertices."""
    section = ""
    current: tuple[str, list[Tag], list[list[Tag]]] | None = None
    into: list[Tag] | None = None
    for i, (code, value) in enumerate(tags):
        if code == 0:
            into = None
            if current is not None and value not in ("VERTEX", "SEQEND"):
                yield current
                current = None
            if value == "SECTION":
                section = tags[i + 1][1] if i + 1 < len(tags) else ""
            elif value == "ENDSEC":
                section = ""
            elif section == "ENTITIES":
                if value == "VERTEX" and current is not None:
                    into = []
                    current[2].append(into)
                elif value != "SEQEND":
                    into = []
                    current = (value, into, [])
        elif into is not None:
            into.append((code, value))
    if current is not None:
        yield current


def _first(body: list[Tag], code: int, default: str) -> str:
    return next((v for c, v in body if c == code), default)


def _number(body: list[Tag], code: int, default: float = 0.0) -> float:
    return float(_first(body, code, str(default)))


def _all(body: list[Tag], code: int) -> list[float]:
    return [float(v) for c, v in body if c == code]


# -- entities ---------------------------------------------------------------------------------------------------------
def _segments(kind: str, body: list[Tag], vertices: list[list[Tag]]) -> list[Segment]:
    if kind == "LINE":
        return [np.array([[_number(body, 10), _number(body, 20)], [_number(body, 11), _number(body, 21)]])]
    if kind == "LWPOLYLINE":
        return _polyline(*_light_vertices(body), closed=bool(int(_number(body, 70)) & 1))
    if kind == "POLYLINE":
        points = [(_number(v, 10), _number(v, 20)) for v in vertices]
        bulges = [_number(v, 42) for v in vertices]
        return _polyline(points, bulges, closed=bool(int(_number(body, 70)) & 1))
    if kind == "CIRCLE":
        return _arc(_number(body, 10), _number(body, 20), _number(body, 40), 0.0, 2 * math.pi)
    if kind == "ARC":
        start, end = math.radians(_number(body, 50)), math.radians(_number(body, 51))
        return _arc(_number(body, 10), _number(body, 20), _number(body, 40), start, (end - start) % (2 * math.pi))
    if kind == "SPLINE":
        return _spline(body)
    return []


def _text(body: list[Tag], unit_mm: float) -> Iterator[tuple[str, Box]]:
    """The words of a TEXT with their box, y up, estimated from the height (letters are about 0.8 of it wide)."""
    words = " ".join(_first(body, 1, "").split())
    if not words:
        return
    across, up = int(_number(body, 72)), int(_number(body, 73))
    # Aligned text has its place in the second point.
    x, y = (_number(body, 11), _number(body, 21)) if across or up else (_number(body, 10), _number(body, 20))
    height = _number(body, 40, 1.0)
    width = _LETTER * height * len(words)
    left = x - {1: 0.5, 4: 0.5, 2: 1.0}.get(across, 0.0) * width
    low = y - {2: 0.5, 3: 1.0}.get(up, 0.5 if across == 4 else 0.0) * height
    yield words, (left * unit_mm, low * unit_mm, (left + width) * unit_mm, (low + height) * unit_mm)


def _light_vertices(body: list[Tag]) -> tuple[list[tuple[float, float]], list[float]]:
    points: list[list[float]] = []
    bulges: list[float] = []
    for code, value in body:
        if code == 10:
            points.append([float(value), 0.0])
            bulges.append(0.0)
        elif code == 20 and points:
            points[-1][1] = float(value)
        elif code == 42 and points:
            bulges[-1] = float(value)
    return [(x, y) for x, y in points], bulges


def _polyline(points: list[tuple[float, float]], bulges: list[float], *, closed: bool) -> list[Segment]:
    out: list[Segment] = []
    count = len(points) if closed else len(points) - 1
    for i in range(count):
        a, b = np.array(points[i]), np.array(points[(i + 1) % len(points)])
        if np.abs(a - b).max() == 0:
            continue
        out += [np.array([a, b])] if bulges[i] == 0 else _bulged(a, b, bulges[i])
    return out


def _bulged(a: NDArray[np.float64], b: NDArray[np.float64], bulge: float) -> list[Segment]:
    """Arc between two points; the bulge is the tangent of a quarter of its angle, positive to the left."""
    sweep = 4 * math.atan(bulge)
    chord = b - a
    radius = float(np.hypot(*chord)) / (2 * math.sin(abs(sweep) / 2))
    middle = (a + b) / 2
    left = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    centre = middle + left * math.copysign(radius * math.cos(abs(sweep) / 2), bulge)
    start = math.atan2(a[1] - centre[1], a[0] - centre[0])
    return _arc(float(centre[0]), float(centre[1]), radius, start, sweep)


def _arc(x: float, y: float, radius: float, start: float, sweep: float) -> list[Segment]:
    count = max(1, math.ceil(abs(sweep) / (math.pi / 4) - 1e-9))
    step = sweep / count
    handle = 4 / 3 * math.tan(step / 4) * radius
    out = []
    for i in range(count):
        t0, t1 = start + i * step, start + (i + 1) * step
        p0 = np.array([x + radius * math.cos(t0), y + radius * math.sin(t0)])
        p3 = np.array([x + radius * math.cos(t1), y + radius * math.sin(t1)])
        p1 = p0 + handle * np.array([-math.sin(t0), math.cos(t0)])
        p2 = p3 - handle * np.array([-math.sin(t1), math.cos(t1)])
        out.append(np.array([p0, p1, p2, p3]))
    return out


def _spline(body: list[Tag]) -> list[Segment]:
    """A B-spline as its Bezier curves, exactly where it is cubic or simpler and not rational."""
    degree = int(_number(body, 71, 3))
    knots = np.array(_all(body, 40))
    control = np.stack([_all(body, 10), _all(body, 20)], axis=1)
    weights = np.array(_all(body, 41))
    if len(knots) != len(control) + degree + 1 or degree < 1:
        raise ValueError("a spline's knots do not fit its points")
    if degree > 3 or (len(weights) == len(control) and np.ptp(weights) > 0):
        return _sampled_spline(knots, control, weights if len(weights) == len(control) else None, degree)
    spline = BSpline(knots, control, degree)
    out = []
    for k in range(degree, len(knots) - degree - 1):
        span = knots[k + 1] - knots[k]
        if span > 0:
            # A cubic is known by four of its points: solve for the Bezier points that give them.
            points = spline(knots[k] + span * _BERNSTEIN_AT)
            out.append(np.linalg.solve(_BERNSTEIN, points))
    return out


def _sampled_spline(
    knots: NDArray[np.float64], control: NDArray[np.float64], weights: NDArray[np.float64] | None, degree: int
) -> list[Segment]:
    w = np.ones(len(control)) if weights is None else weights
    spline = BSpline(knots, np.column_stack([control * w[:, None], w]), degree)
    spans = np.unique(knots[degree : len(knots) - degree])
    t = np.unique(np.concatenate([np.linspace(a, b, _RATIONAL_STEPS + 1) for a, b in pairwise(spans)]))
    values = spline(t)
    points = values[:, :2] / values[:, 2:]
    return [np.array([a, b]) for a, b in pairwise(points)]
