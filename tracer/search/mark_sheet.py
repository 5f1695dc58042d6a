"""The marks of a sheet as they are found: what is known of its pieces, and where a mark belongs.

Every mark goes to the smallest piece that it lies in, or to the sheet. What was named once is claimed, so that its ink
is not named again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import PxPoints, Sheet
from tracer.labels import TextLine
from tracer.path import OpenPath
from tracer.piece import Mark, MarkKind
from tracer.search.blobs import Blob
from tracer.search.drawn import LineWork
from tracer.search.graph import Points
from tracer.search.kinds import TOUCH_MM
from tracer.search.loops import polygon_area
from tracer.search.marks_text import TextBlock
from tracer.search.strokes import Stroke

ALONG_MM = 0.7
"""A stroke this near to an outline all along is a leftover of the line itself."""
PAPER_EDGE_MM = 2.0
"""The edge of a sheet with the shadow beside it is as wide (judgement)."""
_SIMPLIFY_MM = 0.12


@dataclass(slots=True, eq=False)
class Marked:
    """Marks and holes of one piece."""

    marks: list[Mark] = field(default_factory=list)
    holes: list[Points] = field(default_factory=list)


class MarkSheet:
    """Pieces of one sheet with the marks found so far."""

    def __init__(
        self,
        sheet: Sheet,
        work: LineWork,
        outlines: Sequence[Points],
        papers: Sequence[Points] = (),
        cut_out: int = 0,
    ) -> None:
        self.sheet, self.work = sheet, work
        self.outlines = [o.astype(np.float32).reshape(-1, 1, 2) for o in outlines]
        self.cut_out = set(range(len(outlines) - cut_out, len(outlines)))
        self.papers = [p.astype(np.float32).reshape(-1, 1, 2) for p in papers]
        self.sheets = [
            work.ink.from_picture(r.outline_px).astype(np.float32).reshape(-1, 1, 2)
            for r in (sheet.reference, *sheet.others)
            if r.kind in ("sheet", "card") and len(r.outline_px) >= 3
        ]
        self.ground = np.full(work.ink.mask.shape, 0 if self.papers else 1, dtype=np.uint8)
        for ring in (*self.papers, *(self.outlines if self.papers else ())):
            cv2.fillPoly(self.ground, [np.rint(ring).astype(np.int32)], 1)
        self.areas = [abs(polygon_area(o)) for o in outlines]
        self.scale = work.ink.mm_per_px
        self.pieces = [Marked() for _ in outlines]
        self.loose: list[Mark] = []
        self.claimed = np.zeros(work.ink.mask.shape, dtype=np.uint8)
        self.lettered: list[tuple[TextLine, Points]] = []
        self.cut_off: list[NDArray[np.float64]] = []
        self.used_blobs: set[int] = set()
        self.texts: Sequence[TextBlock] = ()
        self.tiles: list[NDArray[np.float32]] = []
        self.tables: list[NDArray[np.float32]] = []
        self.usual_mass = 0.0
        rim = np.concatenate([np.zeros((0, 2)), *(o.reshape(-1, 2) for o in self.outlines)])
        inked = work.ink.dark[_pixels(rim, work.ink.dark)]
        self.ink_depth = float(np.median(inked)) if len(inked) else 0.0

    def piece_at(self, point: Sequence[float] | NDArray[np.float64], *, slack_mm: float = 2.5) -> int:
        """Return the smallest piece in which (or on whose rim) a point of the mask lies, or -1."""
        best = -1
        for k, outline in enumerate(self.outlines):
            away = cv2.pointPolygonTest(outline, (float(point[0]), float(point[1])), measureDist=True)
            if away * self.scale > -slack_mm and (best < 0 or self.areas[k] < self.areas[best]):
                best = k
        return best

    def is_beneath(self, point: Points, reach_mm: float) -> bool:
        """Return whether a point lies outside a thing cut out, so near to its edge: shadow, or print of the ground."""
        owner = self.piece_at(point, slack_mm=reach_mm)
        return owner in self.cut_out and float(self.away(owner, point[None])[0]) < 0

    def add(
        self,
        kind: MarkKind,
        points: Points,
        *,
        point: bool = False,
        text: str = "",
        confidence: float = 1.0,
        foot: Points | None = None,
    ) -> None:
        """Add a mark given in pixels of the mask, to the piece it lies in or to the sheet."""
        closed = len(points) > 2 and bool((points[0] == points[-1]).all())
        middle = points[: -1 if closed else None].mean(axis=0)
        if point and kind in ("circle", "dot", "cross") and self._in_table(middle):
            # What is round in a table is a figure that was not read.
            return
        if not point and kind not in ("text", "tile mark"):
            middle = points[len(points) // 2]
        if kind == "notch":
            middle = self.foot(points) if foot is None else foot
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
        if owner < 0 and not self.on_paper(middle):
            return
        (self.pieces[owner].marks if owner >= 0 else self.loose).append(mark)

    def inside_sheet(self, point: Points) -> bool:
        """Return whether a point lies on a sheet of paper or in a piece, whichever pixel it falls into."""
        high, wide = self.work.ink.mask.shape
        x, y = min(max(int(point[0]), 0), wide - 1), min(max(int(point[1]), 0), high - 1)
        return bool(self.ground[y, x])

    def on_paper(self, point: Points) -> bool:
        """Return whether a point lies on a sheet of paper; what lies beside it is no part of the drawing."""
        at = (float(point[0]), float(point[1]))
        return not self.papers or any(cv2.pointPolygonTest(p, at, measureDist=False) >= 0 for p in self.papers)

    def foot(self, points: Points) -> Points:
        """Return where a notch stands on the outline: half-way between its ends that touch it."""
        ends = points[[0, -1]]
        owner = self.piece_at(points[len(points) // 2], slack_mm=8.0)
        if owner < 0:
            return np.asarray(ends.mean(axis=0))
        touching = np.abs(self.away(owner, ends)) < TOUCH_MM
        return np.asarray(ends[touching].mean(axis=0) if touching.any() else ends.mean(axis=0))

    def to_mm(self, points: Points) -> NDArray[np.float64]:
        """Map points of the mask to the sheet's millimetres."""
        return np.asarray(self.sheet.to_mm(PxPoints(self.work.ink.to_picture(points))), dtype=np.float64)

    def away(self, owner: int, points: Points) -> NDArray[np.float64]:
        """Distance in mm of points to a piece's outline, positive inside."""
        outline = self.outlines[owner]
        return np.array(
            [cv2.pointPolygonTest(outline, (float(x), float(y)), measureDist=True) * self.scale for x, y in points]
        )

    def on_rim(self, stroke: Stroke) -> bool:
        """Return whether a stroke starts or ends on an outline."""
        return any(
            abs(cv2.pointPolygonTest(o, (float(x), float(y)), measureDist=True)) * self.scale < TOUCH_MM
            for o in self.outlines
            for x, y in stroke.points[[0, -1]]
        )

    def along_rim(self, stroke: Stroke) -> bool:
        """Return whether a stroke lies on an outline all along: a leftover of the line itself."""
        sample = stroke.points[:: max(1, len(stroke.points) // 20)]
        return any(
            all(
                abs(cv2.pointPolygonTest(o, (float(x), float(y)), measureDist=True)) * self.scale < ALONG_MM
                for x, y in sample
            )
            for o in self.outlines
        )

    def is_left_over(self, points: Points) -> bool:
        """Return whether some points lie on an outline or on the edge of a sheet nearly all."""
        return self._along(points, self.outlines, ALONG_MM) or self.along_paper(points)

    def along_paper(self, points: Points) -> bool:
        """Return whether some points lie along the edge of a sheet of paper, which is known already."""
        return self._along(points, (*self.papers, *self.sheets), PAPER_EDGE_MM)

    def _along(self, points: Points, rings: Sequence[NDArray[np.float32]], reach_mm: float) -> bool:
        sample = sampled(points)[::2]
        for ring in rings:
            near = [
                abs(cv2.pointPolygonTest(ring, (float(x), float(y)), measureDist=True)) * self.scale < reach_mm
                for x, y in sample
            ]
            if np.mean(near) > 0.9:
                return True
        return False

    def claim(self, points: Points) -> None:
        """Remember where a mark was named, so that its ink is not named again."""
        self.draw(self.claimed, points)

    def draw(self, mask: NDArray[np.uint8], points: Points) -> None:
        """Draw a line as wide as a pen's on a mask."""
        chain = np.rint(points).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(mask, [chain], isClosed=False, color=1, thickness=max(3, round(0.8 / self.scale)))

    def use(self, heads: Sequence[Blob | None]) -> None:
        """Remember the heads of an arrow as named."""
        for head in heads:
            if head is not None:
                self.used_blobs.add(id(head))
                self.claim(head.points)

    def _in_table(self, point: Points) -> bool:
        at = (float(point[0]), float(point[1]))
        return any(cv2.pointPolygonTest(t, at, measureDist=False) > 0 for t in self.tables)

    def on_tile(self, middle: Points) -> bool:
        """Return whether a point lies in a tile mark."""
        at = (float(middle[0]), float(middle[1]))
        return any(cv2.pointPolygonTest(tile, at, measureDist=False) > 0 for tile in self.tiles)


def sampled(points: Points) -> Points:
    """Return about sixty points of a chain, both ends among them."""
    at = np.unique(np.linspace(0, len(points) - 1, min(len(points), 60)).astype(int))
    return np.asarray(points[at])


def _pixels(points: Points, mask: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return rows and columns of the pixels that points fall into."""
    at = np.rint(points).astype(np.int64)
    return np.clip(at[:, 1], 0, mask.shape[0] - 1), np.clip(at[:, 0], 0, mask.shape[1] - 1)


def _simplified(points: Points, tolerance_px: float) -> Points:
    chain = cv2.approxPolyDP(points.astype(np.float32).reshape(-1, 1, 2), max(0.3, tolerance_px), closed=False)
    simple = np.asarray(chain.reshape(-1, 2), dtype=np.float64)
    # Where a line ends at its beginning, OpenCV leaves its last point out.
    if (points[0] == points[-1]).all() and (simple[0] != simple[-1]).any():
        simple = np.concatenate([simple, simple[:1]])
    return simple
