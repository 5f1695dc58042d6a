"""The kind of every mark on a sheet, and the piece it belongs to.

References, frames and tables, words, tile marks and shading are named here, marks at a point and lines in rooms of
their own. What cannot be named is kept as unknown; only specks are dropped.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import PxPoints
from tracer.labels import TextLine
from tracer.path import OpenPath
from tracer.piece import Mark, MarkKind
from tracer.search.frames import OpenFrame
from tracer.search.graph import Points
from tracer.search.lettering import boxes_around, is_beside_words
from tracer.search.line_marks import LineMarks
from tracer.search.mark_sheet import MarkSheet
from tracer.search.marks import box_sides
from tracer.search.marks_text import TextBlock
from tracer.search.pieces import Found
from tracer.search.reference_objects import ReferenceObject
from tracer.search.strokes import Stroke, join_facing
from tracer.search.tiles import both_sides, connected

LEAST_SHADE_MM = 15.0
_FOLD_GAP_MM, _FOLD_TURN_RAD = 14.0, math.radians(12)
"""A fold goes on straight under what is drawn over it (a word, a line that crosses it aslant)."""
_TILE_MARK_MM, _TILE_REACH_MM = 22.0, 7.0
_GRAIN_SURE, _RULER_SURE = 0.3, 0.7


class MarkFinder(MarkSheet):
    """Names the marks of one sheet."""

    def references(self, objects: Sequence[ReferenceObject] = ()) -> None:
        """Keep what set or checked the scale, and objects to measure with that did neither."""
        kinds: dict[str, MarkKind] = {"square": "test square", "mat": "mat grid"}
        # Rulers are seen whole; of their rows of ticks only one place for each edge is known.
        whole = {id(row): o.outline_px for o in objects for row in o.references if row.kind == "ruler"}
        for reference in (self.sheet.reference, *self.sheet.others):
            if reference.kind in ("density", "page") or len(reference.outline_px) < 3:
                continue
            outline = whole.get(id(reference), reference.outline_px)
            words = f"{reference.kind} {reference.size}".strip()
            self._object(kinds.get(reference.kind, "reference"), PxPoints(outline), words, reference.score)
        for thing in objects:
            if any(r.kind == "ruler" for r in thing.references):
                continue
            words = "slip with the test square" if thing.references else "ruler"
            self._object("reference", PxPoints(thing.outline_px), words, _RULER_SURE)

    def _object(self, kind: MarkKind, outline_px: PxPoints, words: str, sure: float) -> None:
        """Keep a thing that is no part of any drawing, wherever it lies."""
        ring = np.asarray(self.sheet.to_mm(outline_px), dtype=np.float64)
        path = OpenPath.polyline(np.concatenate([ring, ring[:1]]))
        self.loose.append(Mark(kind=kind, path=path, text=words, confidence=sure))

    def loops(self, other: dict[int, str]) -> None:
        """Keep frames, tables, ornaments, and loops that are the grain of what lies under it all."""
        for index, name in other.items():
            points = self.work.loops[index].points
            if name == "texture":
                # Beside all paper and pieces too: whatever was a closed line and is no piece is said.
                ring = np.concatenate([points, points[:1]])
                self._object("unknown", self.work.ink.to_picture(points), "grain of the ground", _GRAIN_SURE)
                self.claim(ring)
                continue
            if name == "table":
                self.tables.append(points.astype(np.float32).reshape(-1, 1, 2))
            self.add(name, np.concatenate([points, points[:1]]))  # type: ignore[arg-type]

    def open_frame(self, frame: OpenFrame) -> None:
        """Keep a frame that is no closed line."""
        self.add("frame", frame.points)
        self.claim(frame.points)

    def crosses(self, crosses: Sequence[Points]) -> None:
        """Keep crosses, and nothing else of what they are drawn with; one in a word that was read is a letter."""
        for cross in crosses:
            middle = cross.mean(axis=0)
            size = float(np.hypot(*(cross[0] - cross[2])))
            in_word = bool(boxes_around(middle, self.lettered))
            if self.on_tile(middle) or not self.inside_sheet(middle):
                continue
            if in_word and not is_beside_words("cross", middle, size, self.lettered):
                continue
            self.add("cross", np.concatenate([cross[[0, 2]], middle[None], cross[[1, 3]]]), point=True, confidence=0.8)
            for k in (0, 1):
                self.claim(np.linspace(cross[k], cross[k + 2], max(2, int(size))))

    def shading(self) -> None:
        """Keep creases: they are no drawing, but a person may think otherwise.

        What is drawn over a crease parts it, and it is put together again.
        """
        parts = [Stroke(points=p, edges=(), spaces=0, mass=0.0, closed=False) for p in self.work.shading if len(p) > 2]
        joins = np.ones((len(parts), 2), dtype=bool)
        for stroke in join_facing(parts, joins, _FOLD_GAP_MM / self.scale, _FOLD_TURN_RAD):
            points = stroke.points
            inside = self.inside_sheet(points[len(points) // 2]) and not self.along_paper(points)
            if inside and len(points) * self.scale > LEAST_SHADE_MM:
                self.add("unknown", points, text="crease or shadow", confidence=0.3)

    def words(self, lines: Sequence[TextLine], texts: Sequence[TextBlock], frames: Sequence[Points]) -> None:
        """Keep text: as read, or as boxes where nothing was read."""
        self.texts = texts
        rims = [f.astype(np.float32).reshape(-1, 1, 2) for f in frames]
        for line in lines:
            ring = self.work.ink.from_picture(np.array([*line.box, line.box[0]]))
            middle = ring[:-1].mean(axis=0)
            self.lettered.append((line, ring))
            on_rim = any(
                abs(cv2.pointPolygonTest(r, (float(middle[0]), float(middle[1])), measureDist=True)) * self.scale
                < _TILE_REACH_MM
                for r in rims
            )
            kind: MarkKind = "tile mark" if len(line.text.strip()) <= 2 and on_rim and not self.tiles else "text"
            self.add(kind, ring, point=True, text=line.text, confidence=line.confidence)
        if lines:
            return
        for block in texts:
            x0, y0, x1, y1 = block.box
            self.add("text", np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]), confidence=0.7)

    def tile_marks(self, frames: Sequence[Points]) -> set[int]:
        """Name the small figures on the lines of frames, and return the edges they are made of."""
        graph = self.work.graph
        used: set[int] = set()
        for rim in frames:
            turned, sides = box_sides(self.work.flat(rim), self.scale)
            low, high = rim.min(axis=0) - _TILE_MARK_MM / self.scale, rim.max(axis=0) + _TILE_MARK_MM / self.scale
            small: list[int] = []
            # Seen from straight above nothing is more than half as far again from the frame.
            ring = cv2.approxPolyDP(rim.astype(np.float32).reshape(-1, 1, 2), 1.0 / self.scale, closed=True)
            reach = 3.0 * _TILE_MARK_MM / self.scale
            for i, edge in enumerate(graph.edges):
                points = edge.points
                if (
                    np.ptp(points, axis=0).max() * self.scale <= _TILE_MARK_MM
                    and ((points > low) & (points < high)).all()
                    and abs(cv2.pointPolygonTest(ring, points[len(points) // 2].tolist(), measureDist=True)) < reach
                ):
                    small.append(i)
            if not small:
                continue
            # All at once: where one point lies seen from straight above is hardly found sooner than where many do.
            upright = self.work.flat(np.concatenate([graph.edges[i].points for i in small])) @ turned.T
            away = np.abs(upright[:, :, None] - sides[None]).min(axis=(1, 2)) * self.scale
            parts = np.split(away, np.cumsum([len(graph.edges[i].points) for i in small])[:-1])
            near = [
                i
                for i, nearest in zip(small, parts, strict=True)
                if nearest.min() < 0.8 * _TILE_MARK_MM and not (nearest < 1.0).mean() > 0.7
            ]
            for group in connected(graph, near):
                points = np.concatenate([graph.edges[i].points for i in group])
                size = np.ptp(points, axis=0) * self.scale
                upright = self.work.flat(points) @ turned.T
                away = np.abs(upright[:, :, None] - sides[None]).min(axis=(1, 2)) * self.scale
                both = both_sides(upright, sides, self.scale)
                if 3.0 < size.max() < _TILE_MARK_MM and size.min() > 0.4 * size.max() and away.min() < 1.5 and both:
                    hull = cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(np.float64)
                    self.add("tile mark", np.concatenate([hull, hull[:1]]), confidence=0.8)
                    self.tiles.append(hull.astype(np.float32).reshape(-1, 1, 2))
                    used.update(group)
        return used

    def openings(self, holes: Sequence[Sequence[Points]]) -> None:
        """Take the holes of cut-out things for what they are: no dots and circles drawn on them."""
        for ring in (h for group in holes for h in group):
            cv2.fillPoly(self.claimed, [np.rint(ring).astype(np.int32).reshape(-1, 1, 2)], 1)
            self.claim(np.concatenate([ring, ring[:1]]))

    def strokes(self, found: Sequence[Found], taken: set[int], lettering: NDArray[np.uint8]) -> None:
        """Name the lines and the marks at a point."""
        LineMarks(self).name_all(found, taken, lettering)
