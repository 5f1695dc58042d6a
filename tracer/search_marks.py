"""The kind of every mark on a sheet, and the piece it belongs to.

What is no outline is told by its shape and by where it lies to the outline around it: along it, on it, from edge to
edge. What cannot be named is kept as unknown; only specks are dropped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import PxPoints, Sheet
from tracer.labels import TextLine
from tracer.marks import WIDEST_SEAM_MM
from tracer.marks_text import TextBlock
from tracer.path import OpenPath
from tracer.piece import Mark, MarkKind
from tracer.search_drawn import LineWork
from tracer.search_graph import Points
from tracer.search_loops import polygon_area
from tracer.search_pieces import Found
from tracer.search_strokes import Stroke, find_strokes, heads

NOTCH_MM = 14.0
"""A stroke no longer than this that starts on the outline is a notch (common practice, no source)."""
SPECK_MM = 0.8
"""Smaller spots are dirt (common practice, no source)."""
ROUND_MM = 15.0
"""Larger circles are no marks at a point."""
TOUCH_MM = 1.3
"""A stroke that comes so near to the outline starts on it."""
_SIMPLIFY_MM = 0.12


@dataclass(slots=True, eq=False)
class Marked:
    """Marks and holes of one piece."""

    marks: list[Mark] = field(default_factory=list)
    holes: list[Points] = field(default_factory=list)


class MarkFinder:
    """Names the marks of one sheet."""

    def __init__(self, sheet: Sheet, work: LineWork, outlines: Sequence[Points]) -> None:
        self.sheet, self.work = sheet, work
        self.outlines = [o.astype(np.float32).reshape(-1, 1, 2) for o in outlines]
        self.areas = [abs(polygon_area(o)) for o in outlines]
        self.scale = work.ink.mm_per_px
        self.pieces = [Marked() for _ in outlines]
        self.loose: list[Mark] = []

    def piece_at(self, point: Sequence[float] | NDArray[np.float64], *, slack_mm: float = 2.5) -> int:
        """Return the smallest piece in which (or on whose rim) a point of the mask lies, or -1."""
        best = -1
        for k, outline in enumerate(self.outlines):
            away = cv2.pointPolygonTest(outline, (float(point[0]), float(point[1])), measureDist=True)
            if away * self.scale > -slack_mm and (best < 0 or self.areas[k] < self.areas[best]):
                best = k
        return best

    def add(
        self, kind: MarkKind, points: Points, *, point: bool = False, text: str = "", confidence: float = 1.0
    ) -> None:
        """Add a mark given in pixels of the mask, to the piece it lies in or to the sheet."""
        middle = points.mean(axis=0) if point or kind == "text" else points[len(points) // 2]
        if kind == "notch":
            middle = self._foot(points)
        at_mm = self.to_mm(middle[None, :])[0]
        path = None
        if len(points) > 1:
            mm = self.to_mm(_simplified(points, _SIMPLIFY_MM / self.scale))
            if len(mm) >= 2 and float(np.abs(np.diff(mm, axis=0)).max()) > 1e-6:
                path = OpenPath.polyline(mm)
        at = (float(at_mm[0]), float(at_mm[1])) if point or kind in ("text", "notch") or path is None else None
        mark = Mark(kind=kind, path=path, at=at, text=text, confidence=confidence)
        owner = self.piece_at(middle)
        if owner < 0 and kind == "notch":
            owner = self.piece_at(middle, slack_mm=8.0)
        (self.pieces[owner].marks if owner >= 0 else self.loose).append(mark)

    def _foot(self, points: Points) -> Points:
        """Return where a notch stands on the outline: half-way between its ends that touch it."""
        ends = points[[0, -1]]
        owner = self.piece_at(points[len(points) // 2], slack_mm=8.0)
        if owner < 0:
            return np.asarray(ends.mean(axis=0))
        touching = np.abs(self._away(owner, ends)) < TOUCH_MM
        return np.asarray(ends[touching].mean(axis=0) if touching.any() else ends.mean(axis=0))

    def to_mm(self, points: Points) -> NDArray[np.float64]:
        """Map points of the mask to the sheet's millimetres."""
        return np.asarray(self.sheet.to_mm(PxPoints(self.work.ink.to_picture(points))), dtype=np.float64)

    # -- the kinds ------------------------------------------------------------------------------------------------
    def references(self) -> None:
        """Keep what set or checked the scale."""
        for reference in (self.sheet.reference, *self.sheet.others):
            if reference.kind in ("density", "page") or len(reference.outline_px) < 3:
                continue
            kind: MarkKind = {"square": "test square", "mat": "mat grid"}.get(reference.kind, "reference")  # type: ignore[assignment]
            ring = np.asarray(self.sheet.to_mm(reference.outline_px), dtype=np.float64)
            path = OpenPath.polyline(np.concatenate([ring, ring[:1]]))
            self.loose.append(Mark(kind=kind, path=path, text=reference.size, confidence=reference.score))

    def loops(self, other: dict[int, str]) -> None:
        """Keep frames, tables and ornaments."""
        for index, name in other.items():
            loop = self.work.loops[index]
            ring = np.concatenate([loop.points, loop.points[:1]])
            mm = self.to_mm(_simplified(ring, _SIMPLIFY_MM / self.scale))
            kind: MarkKind = name if name in ("frame", "table") else "unknown"  # type: ignore[assignment]
            self.loose.append(Mark(kind=kind, path=OpenPath.polyline(mm)))

    def words(self, lines: Sequence[TextLine], texts: Sequence[TextBlock], frames: Sequence[Points]) -> None:
        """Keep text: as read, or as boxes where nothing was read."""
        rims = [f.astype(np.float32).reshape(-1, 1, 2) for f in frames]
        for line in lines:
            ring = self.work.ink.from_picture(np.array([*line.box, line.box[0]]))
            middle = ring[:-1].mean(axis=0)
            on_rim = any(
                abs(cv2.pointPolygonTest(r, (float(middle[0]), float(middle[1])), measureDist=True)) * self.scale < 7.0
                for r in rims
            )
            kind: MarkKind = "tile mark" if len(line.text.strip()) <= 2 and on_rim else "text"
            self.add(kind, ring, point=True, text=line.text, confidence=line.confidence)
        if lines:
            return
        for block in texts:
            x0, y0, x1, y1 = block.box
            self.add("text", np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]), confidence=0.7)

    def strokes(self, found: Sequence[Found], taken: set[int], lettering: NDArray[np.uint8]) -> None:
        """Name the lines."""
        graph, ink = self.work.graph, self.work.ink
        rims = {s.edge for f in found for s in f.stretches} | taken
        skipped = {i for i, e in enumerate(graph.edges) if i not in rims and _covered(e.points, lettering) > 0.7}
        strokes = [
            s for s in find_strokes(graph, rims, skipped) if s.length * self.scale > 1.5 and not self._along_rim(s)
        ]
        darts: list[tuple[Stroke, int]] = []
        for stroke in strokes:
            owner = self.piece_at(stroke.points[len(stroke.points) // 2])
            if owner < 0:
                owner = self.piece_at(stroke.points[0], slack_mm=TOUCH_MM)
            mass = found[owner].mass if 0 <= owner < len(found) else 0.0
            kind = self._kind(stroke, owner, mass)
            if kind == "hole":
                self.pieces[owner].holes.append(stroke.points[:-1])
            elif kind == "leg":
                darts.append((stroke, owner))
            elif kind:
                closed_round = kind in ("circle", "dot", "cross")
                self.add(kind, stroke.points, point=closed_round)  # type: ignore[arg-type]
        self._darts(darts)
        self._spots(lettering, ink.dark)

    def _along_rim(self, stroke: Stroke) -> bool:
        """Return whether a stroke lies on an outline all along: a leftover of the line itself."""
        sample = stroke.points[:: max(1, len(stroke.points) // 20)]
        return any(
            all(
                abs(cv2.pointPolygonTest(o, (float(x), float(y)), measureDist=True)) * self.scale < 0.7
                for x, y in sample
            )
            for o in self.outlines
        )

    def _away(self, owner: int, points: Points) -> NDArray[np.float64]:
        """Distance in mm of points to a piece's outline, positive inside."""
        outline = self.outlines[owner]
        return np.array(
            [cv2.pointPolygonTest(outline, (float(x), float(y)), measureDist=True) * self.scale for x, y in points]
        )

    def _kind(self, stroke: Stroke, owner: int, mass: float) -> str:
        length = stroke.length * self.scale
        points = stroke.points
        size = float(np.ptp(points, axis=0).max()) * self.scale
        if stroke.closed:
            area = abs(polygon_area(points)) * self.scale**2
            round_ = area > 0.8 * np.pi * (length / (2 * np.pi)) ** 2
            if owner >= 0 and size >= 5.0 and stroke.mass > 0.8 * mass and not stroke.spaces:
                return "hole"
            if round_ and size <= ROUND_MM:
                return "circle"
        chord = float(np.hypot(*(points[-1] - points[0]))) * self.scale
        straight = chord > 0.985 * length
        first, last = heads(stroke, self.work.ink.dark, 2.6 / self.scale, 6.0 / self.scale)
        if owner < 0:
            return (
                "grain line" if straight and first and last and length > 10 else "internal line" if length > 8 else ""
            )
        ends = self._away(owner, points[[0, -1]])
        touching = np.abs(ends) < TOUCH_MM
        if length <= NOTCH_MM and touching.any() and not stroke.closed:
            return "notch"
        if straight and length > 10 and (first or last) and not touching.all():
            return "grain line"
        if (
            touching.all()
            and length < 3 * NOTCH_MM
            and ends_near(points, self.scale)
            and float(np.median(self._away(owner, points[:: max(1, len(points) // 20)]))) < 0
        ):
            return "notch"
        inner = points[:: max(1, len(points) // 60)]
        away = self._away(owner, inner)
        if first and last and not straight and length > 20 and float(np.median(away)) < 15 and ends.max() < 10:
            return "fold line"
        middle = float(np.median(away))
        steady = float((np.abs(away - middle) < 0.8 + 0.08 * abs(middle)).mean())
        if steady > 0.72 and 1.0 < middle < WIDEST_SEAM_MM and length > 18:
            return "stitching line"
        if touching.all() and length > NOTCH_MM and chord < 0.75 * length and _is_bent(points):
            return "dart"
        if straight and touching.any() and not touching.all() and length > 10:
            return "leg"
        return "internal line" if length > 8 else "unknown" if length > 2 else ""

    def _darts(self, legs: list[tuple[Stroke, int]]) -> None:
        """Two straight legs from the outline that meet at a tip are a dart; the others are lines."""
        used: set[int] = set()
        for i, (a, owner) in enumerate(legs):
            if i in used:
                continue
            for j in range(i + 1, len(legs)):
                b, other = legs[j]
                if j in used or other != owner:
                    continue
                tip_a, tip_b = self._inner_end_last(a, owner), self._inner_end_last(b, owner)
                if float(np.hypot(*(tip_a[-1] - tip_b[-1]))) * self.scale < 4.0:
                    used.update((i, j))
                    self.add("dart", np.concatenate([tip_a, tip_b[::-1]]))
                    break
            else:
                self.add("internal line", a.points)

    def _inner_end_last(self, stroke: Stroke, owner: int) -> Points:
        ends = self._away(owner, stroke.points[[0, -1]])
        return stroke.points if abs(ends[0]) <= abs(ends[1]) else stroke.points[::-1]

    def _spots(self, lettering: NDArray[np.uint8], dark: NDArray[np.uint8]) -> None:
        """Name small pieces of ink: dots, circles, crosses."""
        ink = self.work.ink
        for x, y, wide, high, area, dash in self.work.small:
            if dash:
                continue
            size = max(int(wide), int(high)) * self.scale
            middle = np.array([x + wide / 2 - 0.5, y + high / 2 - 0.5])
            if size < SPECK_MM or lettering[int(middle[1]), int(middle[0])]:
                continue
            patch = ink.mask[y : y + high, x : x + wide]
            kind = _spot_kind(patch, int(area))
            box = np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y)], dtype=np.float64)
            if kind is None:
                if size > 1.5:
                    self.add("unknown", box, point=True, confidence=0.5)
                continue
            owner = self.piece_at(middle, slack_mm=0.0)
            if (
                kind == "circle"
                and owner >= 0
                and size >= 5.0
                and self._bold_ring(patch, dark[y : y + high, x : x + wide])
            ):
                ring = _ring_middle(patch)
                if ring is not None:
                    self.pieces[owner].holes.append(ring + [x, y])
                    continue
            self.add(kind, box, point=True)
        _, labels, stats, centres = cv2.connectedComponentsWithStats(self.work.solids, connectivity=8)
        del labels
        for (x, y, wide, high, area), centre in zip(stats[1:], centres[1:], strict=True):
            size = max(int(wide), int(high)) * self.scale
            if size > 12 or lettering[int(centre[1]), int(centre[0])]:
                continue
            if area > 0.7 * wide * high and 0.7 < wide / high < 1.4:
                box = np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y)], dtype=np.float64)
                self.add("dot", box, point=True, confidence=0.8)

    def _bold_ring(self, patch: NDArray[np.uint8], dark: NDArray[np.uint8]) -> bool:
        """Return whether a small ring is drawn with a line as heavy as the cutting lines."""
        ring = _ring_middle(patch)
        if ring is None or not self.usual_mass:
            return False
        length = float(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).sum())
        mass = float(dark[patch > 0].sum()) / 255.0 / max(1.0, length)
        return mass > 0.8 * self.usual_mass

    usual_mass: float = 0.0


def _ring_middle(patch: NDArray[np.uint8]) -> Points | None:
    """Return the middle line of a ring: half-way between its outer and its inner border."""
    contours, tree = cv2.findContours(np.pad(patch, 1), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = [c for c, t in zip(contours, tree[0], strict=True) if t[3] < 0] if tree is not None else []
    inner = [c for c, t in zip(contours, tree[0], strict=True) if t[3] >= 0] if tree is not None else []
    if not outer or not inner:
        return None
    out = max(outer, key=cv2.contourArea).reshape(-1, 2).astype(np.float64) - 1
    hole = max(inner, key=cv2.contourArea).reshape(-1, 2).astype(np.float64) - 1
    nearest = np.array([hole[np.argmin(((hole - p) ** 2).sum(axis=1))] for p in out])
    return np.asarray((out + nearest) / 2)


def _spot_kind(patch: NDArray[np.uint8], area: int) -> MarkKind | None:
    high, wide = patch.shape
    if not 0.75 < wide / high < 1.33:
        return None
    fill = area / (wide * high)
    padded = np.pad(patch, 1)
    contours, tree = cv2.findContours(padded, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if tree is None:
        return None
    outer = max((c for c, t in zip(contours, tree[0], strict=True) if t[3] < 0), key=cv2.contourArea)
    holes = [c for c, t in zip(contours, tree[0], strict=True) if t[3] >= 0 and cv2.contourArea(c) > 0.1 * wide * high]
    around = float(cv2.contourArea(outer)) / max(1.0, (wide - 1) * (high - 1))
    if len(holes) == 1 and 0.68 < around < 0.9:
        return "circle"
    if not holes and fill > 0.66 and 0.68 < around < 0.9:
        return "dot"
    if not holes and fill < 0.5 and min(high, wide) >= 6:
        middle = patch[int(0.3 * high) : int(0.7 * high) + 1, int(0.3 * wide) : int(0.7 * wide) + 1]
        y3, x3, y4, x4 = high // 3, wide // 3, high // 4, wide // 4
        corners = [patch[:y4, :x4], patch[:y4, -x4:], patch[-y4:, :x4], patch[-y4:, -x4:]]
        sides = [patch[:y4, x3:-x3], patch[-y4:, x3:-x3], patch[y3:-y3, :x4], patch[y3:-y3, -x4:]]
        upright = all(s.any() for s in sides) and not any(c.any() for c in corners)
        slanted = all(c.any() for c in corners) and not any(s.any() for s in sides)
        if middle.any() and (upright or slanted):
            return "cross"
    return None


def ends_near(points: Points, mm_per_px: float) -> bool:
    """Return whether a line comes back close to where it started, as the legs of a notch do."""
    return float(np.hypot(*(points[0] - points[-1]))) * mm_per_px < NOTCH_MM


def _is_bent(points: Points) -> bool:
    """Return whether a line is two nearly straight legs with one sharp bend."""
    box = cv2.approxPolyDP(points.astype(np.float32).reshape(-1, 1, 2), 0.03 * len(points), closed=False)
    return len(box) == 3


def _simplified(points: Points, tolerance_px: float) -> Points:
    chain = cv2.approxPolyDP(points.astype(np.float32).reshape(-1, 1, 2), max(0.3, tolerance_px), closed=False)
    return np.asarray(chain.reshape(-1, 2), dtype=np.float64)


def _covered(points: Points, mask: NDArray[np.uint8]) -> float:
    x = np.clip(np.rint(points[:, 0]).astype(np.int64), 0, mask.shape[1] - 1)
    y = np.clip(np.rint(points[:, 1]).astype(np.int64), 0, mask.shape[0] - 1)
    return float((mask[y, x] > 0).mean())


def lettering_mask(
    work: LineWork, lines: Sequence[TextLine], texts: Sequence[TextBlock], tables: Sequence[Points]
) -> NDArray[np.uint8]:
    """Return a mask of where text stands: the boxes as read, the glyphs, and tables as a whole."""
    mask = np.zeros(work.ink.mask.shape, dtype=np.uint8)
    for table in tables:
        cv2.fillPoly(mask, [np.rint(table).astype(np.int32).reshape(-1, 1, 2)], 1)
    for line in lines:
        ring = work.ink.from_picture(np.array(line.box))
        cv2.fillPoly(mask, [np.rint(ring).astype(np.int32).reshape(-1, 1, 2)], 1)
    for block in texts:
        margin = int(0.25 * block.height)
        for x, y, wide, high in block.glyphs:
            cv2.rectangle(
                mask,
                (int(x) - margin, int(y) - margin),
                (int(x + wide) + margin, int(y + high) + margin),
                1,
                cv2.FILLED,
            )
    return mask
