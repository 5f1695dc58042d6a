"""An independent judge of a lay record: numpy on dense true curves, sharing no code with the search or its checker.

It reads ``lay.json`` as text: path data, counts, mirror images, turns. Curves become chords at most 0.25 mm long
(sagitta below 0.0005 mm down to a radius of 16 mm); distances are from every vertex to every segment, both ways, so
they are exact for the chords. Depth of an overlap: the deepest point of one outline (sampled every 0.5 mm) inside
the other."""

from __future__ import annotations

import math
import re
from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

KEPT_MM = 0.01
Array = NDArray[np.float64]


def read_path(data: str) -> list[Array]:
    """Return the segments of one closed subpath of M, L, C, Z."""
    tokens = re.findall(r"[MLCZ]|-?\d*\.?\d+(?:e-?\d+)?", data)
    out: list[Array] = []
    here = start = np.zeros(2)
    i, command = 0, ""
    while i < len(tokens):
        if tokens[i] in "MLCZ":
            command = tokens[i]
            i += 1
        if command == "Z":
            if np.abs(here - start).max() > 0:
                out.append(np.array([here, start]))
            break
        n = 6 if command == "C" else 2
        p = np.array([float(v) for v in tokens[i : i + n]]).reshape(-1, 2)
        i += n
        if command == "M":
            here = start = p[0]
        else:
            out.append(np.concatenate([here[None], p]))
            here = p[-1]
    return out


def dense(segments: list[Array], *, curve_mm: float = 0.25, line_mm: float = math.inf) -> Array:
    """Return vertices: lines every ``line_mm`` at most, curves every ``curve_mm``."""
    parts = []
    for s in segments:
        reach = float(np.hypot(*np.diff(s, axis=0).T).sum())
        n = max(1, math.ceil(reach / (curve_mm if len(s) == 4 else line_mm)))
        t = (np.arange(n) / n)[:, None]
        if len(s) == 2:
            parts.append(s[0] + t * (s[1] - s[0]))
        else:
            parts.append((1 - t) ** 3 * s[0] + 3 * t * (1 - t) ** 2 * s[1] + 3 * t * t * (1 - t) * s[2] + t**3 * s[3])
    return np.concatenate(parts)


def area(polygon: Array) -> float:
    q = np.roll(polygon, -1, axis=0)
    return abs(float((polygon[:, 0] * q[:, 1] - q[:, 0] * polygon[:, 1]).sum())) / 2


def distances(points: Array, polygon: Array) -> Array:
    """Return the distance of every point to a closed polygon's edges."""
    a, b = polygon, np.roll(polygon, -1, axis=0)
    # Only edges within 30 mm of the points' box can matter: nothing here asks for a larger distance.
    low, high = points.min(axis=0) - 30.0, points.max(axis=0) + 30.0
    close = (np.maximum(a, b) >= low).all(axis=1) & (np.minimum(a, b) <= high).all(axis=1)
    if not close.any():
        return np.full(len(points), np.inf)
    a, b = a[close], b[close]
    ab = b - a
    norm = np.maximum((ab * ab).sum(axis=1), 1e-30)
    out = np.empty(len(points))
    for k in range(0, len(points), 256):
        p = points[k : k + 256, None]
        t = np.clip(((p - a) * ab).sum(axis=2) / norm, 0.0, 1.0)
        d = p - a - t[..., None] * ab
        out[k : k + 256] = np.sqrt((d * d).sum(axis=2).min(axis=1))
    return out


def inside(points: Array, polygon: Array) -> NDArray[np.bool_]:
    """Return which points lie inside a closed polygon (crossing number)."""
    a, b = polygon, np.roll(polygon, -1, axis=0)
    level = (np.maximum(a, b)[:, 1] >= points[:, 1].min()) & (np.minimum(a, b)[:, 1] <= points[:, 1].max())
    a, b = a[level], b[level]
    out = np.empty(len(points), dtype=bool)
    for k in range(0, len(points), 256):
        y = points[k : k + 256, 1:2]
        x = points[k : k + 256, 0:1]
        over = (a[:, 1] > y) != (b[:, 1] > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
        out[k : k + 256] = (over & (x < at)).sum(axis=1) % 2 == 1
    return out


def _near(points: Array, box: Array, reach: float) -> Array:
    keep = ((points >= box[0] - reach) & (points <= box[1] + reach)).all(axis=1)
    return points[keep]


class Shape:
    def __init__(self, outline: str, holes: list[str]) -> None:
        self.segments = read_path(outline)
        self.polygon = dense(self.segments)
        self.samples = dense(self.segments, line_mm=0.5)
        self.holes = [dense(read_path(h)) for h in holes]
        self.box = np.array([self.samples.min(axis=0), self.samples.max(axis=0)])

    @property
    def area(self) -> float:
        return area(self.polygon) - sum(area(h) for h in self.holes)


def apart(a: Shape, b: Shape, reach: float, *, in_holes: bool) -> tuple[float, float]:
    """Return the least distance of two outlines (inf beyond ``reach``) and the depth of their overlap."""
    if (a.box[0] > b.box[1] + reach).any() or (b.box[0] > a.box[1] + reach).any():
        return math.inf, 0.0
    least, depth = math.inf, 0.0
    for one, two in ((a, b), (b, a)):
        if in_holes and any(inside(one.samples[:1], h)[0] for h in two.holes):
            return min(float(distances(one.samples, h).min()) for h in two.holes), 0.0
        points = _near(one.samples, two.box, reach)
        if len(points):
            d = distances(points, two.polygon)
            least = min(least, float(d.min()))
            within = inside(points, two.polygon)
            if within.any():
                depth = max(depth, float(d[within].max()))
    return least, depth


def judge(record: dict[str, Any], pieces: list[dict[str, Any]], *, use_holes: bool = False) -> list[str]:
    """Return what is wrong with a lay record of pieces as they stand in a pattern file."""
    wrong: list[str] = []
    surface = record["surface"]
    by_id = {p["id"]: p for p in pieces}
    shapes = {p["id"]: Shape(p["outline"], p["holes"]) for p in pieces}
    for n, mat in enumerate(record["mats"], start=1):
        laid = [Shape(p["outline"], p.get("holes", [])) for p in mat["placements"]]
        wrong += [f"mat {n}: {w}" for w in _together(mat, laid, surface["gap_mm"], use_holes)]
        wrong += [f"mat {n}: {w}" for w in _edges(mat, laid, surface)]
        wrong += [f"mat {n}: {w}" for w in _same(mat, laid, shapes, by_id, surface)]
        used = np.array([s.box for s in laid])
        across, along = (used[:, 1].max(axis=0) - used[:, 0].min(axis=0)).tolist()
        density = sum(s.area for s in laid) / (across * along)
        if abs(across - mat["used_width_mm"]) > 0.01 or abs(along - mat["used_length_mm"]) > 0.01:
            wrong.append(f"mat {n}: used {across:.3f} x {along:.3f} is said to be otherwise")
        if abs(density - mat["density"]) > 1e-3:
            wrong.append(f"mat {n}: density {density:.4f} is said to be {mat['density']}")
    return wrong + _counts(record, pieces)


def _together(mat: dict[str, Any], laid: list[Shape], gap: float, use_holes: bool) -> list[str]:
    wrong = []
    for i, a in enumerate(laid):
        for j in range(i):
            least, depth = apart(a, laid[j], gap + 0.1, in_holes=use_holes)
            p, q = mat["placements"][i], mat["placements"][j]
            group = p.get("together") and p.get("together") == q.get("together")
            who = f"{p['piece']}/{p['copy']} and {q['piece']}/{q['copy']}"
            if depth > KEPT_MM:
                wrong.append(f"{who} overlap by {depth:.4f}")
            elif not group and least < gap - KEPT_MM:
                wrong.append(f"{who} are {least:.4f} apart, not {gap}")
    return wrong


def _edges(mat: dict[str, Any], laid: list[Shape], surface: dict[str, Any]) -> list[str]:
    wrong = []
    margin = surface["margin_mm"]
    side = margin + surface.get("selvedge_mm", 0.0)
    low = np.array([side, margin])
    high = np.array([mat["width_mm"] - side, mat["length_mm"] - margin])
    cloth = dense(read_path(surface["outline"])) if "outline" in surface else None
    for shape, p in zip(laid, mat["placements"], strict=True):
        by = max(float((low - shape.box[0]).max()), float((shape.box[1] - high).max()))
        if by > KEPT_MM:
            wrong.append(f"{p['piece']}/{p['copy']} is {by:.4f} beyond the margin")
        if cloth is not None:
            out = ~inside(shape.samples, cloth)
            d = distances(shape.samples, cloth)
            if out.any() and d[out].max() > KEPT_MM:
                wrong.append(f"{p['piece']}/{p['copy']} lies off the leftover by {d[out].max():.4f}")
            if not out.any() and d.min() < margin - KEPT_MM:
                wrong.append(f"{p['piece']}/{p['copy']} is {d.min():.4f} from the edge, not {margin}")
    return wrong


def _grain_deg(piece: dict[str, Any], *, mirrored: bool) -> float:
    for mark in piece["marks"]:
        if mark["kind"] == "grain line":
            (x0, y0), (x1, y1) = (
                (float(v) for v in re.findall(r"-?[\d.]+", mark["path"])[:2]),
                (float(v) for v in re.findall(r"-?[\d.]+", mark["path"])[-2:]),
            )
            dx = -(x1 - x0) if mirrored else x1 - x0
            return math.degrees(math.atan2(dx, y1 - y0))
    return 0.0


def _same(
    mat: dict[str, Any], laid: list[Shape], shapes: dict[str, Shape], by_id: dict[str, Any], surface: dict[str, Any]
) -> list[str]:
    wrong = []
    leans: dict[str, list[float]] = {}
    for shape, p in zip(laid, mat["placements"], strict=True):
        who = f"{p['piece']}/{p['copy']}"
        source = shapes[p["piece"]]
        if p.get("unfolded"):
            if abs(shape.area - 2 * source.area) > 1e-3 * shape.area:
                wrong.append(f"{who} has {shape.area:.1f} opened, not twice {source.area:.1f}")
            continue
        a = math.radians(p["rotation_deg"])
        turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
        flip = np.diag([-1.0 if p["mirrored"] else 1.0, 1.0])
        wanted = [s @ flip.T @ turn.T for s in source.segments]
        if len(wanted) != len(shape.segments):
            wrong.append(f"{who} has {len(shape.segments)} segments, not {len(wanted)}")
            continue
        move = shape.segments[0][0] - wanted[0][0]
        off = max(float(np.abs(w + move - s).max()) for w, s in zip(wanted, shape.segments, strict=True))
        if off > 0.002:
            wrong.append(f"{who} is off its shape by {off:.4f}")
        if surface["turn"] != "free":
            base = 90.0 if mat["grain"] == "across" else 0.0
            lean = p["rotation_deg"] - base - _grain_deg(by_id[p["piece"]], mirrored=p["mirrored"])
            # A grain line has no head: it lies along the cloth either way up; the nap keeps the sheet's top up.
            lean = abs((lean + 90.0) % 180.0 - 90.0)
            leans.setdefault(p.get("together") or who, []).append(lean)
    # What keeps its arrangement turns as one: one of it lies along its grain.
    for who, found in leans.items():
        if min(found) > surface["within_deg"] + 0.02:
            wrong.append(f"{who} leans {min(found):.3f} from its grain")
    return wrong


def _counts(record: dict[str, Any], pieces: list[dict[str, Any]]) -> list[str]:
    wrong = []
    said = [p for m in record["mats"] for p in m["placements"]] + record["not_placed"]
    seen = Counter((p["piece"], p["copy"]) for p in said)
    for piece in pieces:
        count = piece["cut"]["count"]
        if {k for k in seen if k[0] == piece["id"]} != {(piece["id"], k) for k in range(1, count + 1)}:
            wrong.append(f"{piece['id']} is laid {sum(k[0] == piece['id'] for k in seen)} times, not {count}")
        for p in said:
            if p["piece"] == piece["id"] and p["mirrored"] != (piece["cut"]["mirrored"] and p["copy"] % 2 == 0):
                wrong.append(f"{piece['id']}/{p['copy']} is mirrored wrongly")
    if any(v != 1 for v in seen.values()):
        wrong.append("a copy is laid twice")
    return wrong
