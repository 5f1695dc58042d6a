"""The kind of every mark on a sheet, and the piece it belongs to.

What is no outline is told by its shape and by where it lies to the outline around it: along it, on it, from edge to
edge. What cannot be named is kept as unknown; only specks are dropped.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import PxPoints, Sheet
from tracer.labels import TextLine
from tracer.path import OpenPath
from tracer.piece import Mark, MarkKind
from tracer.search.arrows import find_arrows
from tracer.search.blobs import Blob
from tracer.search.creases import is_shade
from tracer.search.drawn import LineWork
from tracer.search.graph import Points
from tracer.search.kinds import (
    ARROW_MM,
    TOUCH_MM,
    Around,
    Barbs,
    bracket_of,
    is_bracket,
    kind_in_piece,
    loose_kind,
    with_heads,
)
from tracer.search.lettering import IN_WORDS, covered, is_beside_words, is_crossed, is_letter, out_of_words
from tracer.search.loops import polygon_area
from tracer.search.marks import box_sides
from tracer.search.marks_text import TextBlock
from tracer.search.notches import LEAST_PARTED_MM, Notch, drawn_part, is_tick, joined_ticks, parted, words_on_outline
from tracer.search.pieces import BOLD_SHARE, Found
from tracer.search.seams import goes_on_as_seam, whole_seams
from tracer.search.spots import SPOT_MM, crossing_arms, dot_on_line, ring_middle, rings, spot_kind, spot_shape
from tracer.search.strokes import Stroke, find_strokes, join_facing
from tracer.search.tiles import both_sides, connected

SPECK_MM = 0.8
"""Smaller spots are dirt (common practice, no source)."""
ALONG_MM = 0.7
"""A stroke this near to an outline all along is a leftover of the line itself."""
ACROSS_MM = 2.6
"""A line that crosses an outline leaves its two parts no farther apart."""
LEAST_SHADE_MM = 15.0
LEAST_CUT_OFF_MM, LEAST_BOW_MM, BORDER_MM = 40.0, 12.0, 5.0
"""A bold line so long and so bent that ends so near to the border at both ends is a piece that is cut off."""
_SIMPLIFY_MM = 0.12
_TILE_MARK_MM, _TILE_REACH_MM, _LETTER_SHARE = 22.0, 7.0, 0.5
WORDS_MM, _UNDER_WORDS_RAD = 40.0, math.radians(6)
"""Lines run on under words for so long."""
_STRAIGHT_ON_RAD = math.radians(20)


@dataclass(slots=True, eq=False)
class Marked:
    """Marks and holes of one piece."""

    marks: list[Mark] = field(default_factory=list)
    holes: list[Points] = field(default_factory=list)


class MarkFinder:
    """Names the marks of one sheet."""

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
        if not point and kind != "text":
            middle = points[len(points) // 2]
        if kind == "notch":
            middle = self._foot(points) if foot is None else foot
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
        if owner < 0 and not self._on_paper(middle):
            return
        (self.pieces[owner].marks if owner >= 0 else self.loose).append(mark)

    def _inside_sheet(self, point: Points) -> bool:
        """Return whether a point lies on a sheet of paper or in a piece, whichever pixel it falls into."""
        high, wide = self.work.ink.mask.shape
        x, y = min(max(int(point[0]), 0), wide - 1), min(max(int(point[1]), 0), high - 1)
        return bool(self.ground[y, x])

    def _on_paper(self, point: Points) -> bool:
        """Return whether a point lies on a sheet of paper; what lies beside it is no part of the drawing."""
        at = (float(point[0]), float(point[1]))
        return not self.papers or any(cv2.pointPolygonTest(p, at, measureDist=False) >= 0 for p in self.papers)

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
            words = f"{reference.kind} {reference.size}".strip()
            self.loose.append(Mark(kind=kind, path=path, text=words, confidence=reference.score))

    def loops(self, other: dict[int, str]) -> None:
        """Keep frames, tables and ornaments."""
        for index, name in other.items():
            points = self.work.loops[index].points
            self.add(name, np.concatenate([points, points[:1]]))  # type: ignore[arg-type]

    def shading(self) -> None:
        """Keep creases: they are no drawing, but a person may think otherwise."""
        for points in self.work.shading:
            if self._inside_sheet(points[len(points) // 2]) and len(points) * self.scale > LEAST_SHADE_MM:
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

    def tile_marks(self, frames: Sequence[int]) -> set[int]:
        """Name the small figures on the line of a frame, and return the edges they are made of."""
        graph = self.work.graph
        used: set[int] = set()
        for index in frames:
            rim = self.work.loops[index].points
            turned, sides = box_sides(self.work.flat(rim), self.scale)
            low, high = rim.min(axis=0) - _TILE_MARK_MM / self.scale, rim.max(axis=0) + _TILE_MARK_MM / self.scale
            near: list[int] = []
            for i, edge in enumerate(graph.edges):
                points = edge.points
                if (
                    np.ptp(points, axis=0).max() * self.scale > _TILE_MARK_MM
                    or not ((points > low) & (points < high)).all()
                ):
                    continue
                away = np.abs((self.work.flat(points) @ turned.T)[:, :, None] - sides[None]) * self.scale
                nearest = away.min(axis=(1, 2))
                if nearest.min() < 0.8 * _TILE_MARK_MM and not (nearest < 1.0).mean() > 0.7:
                    near.append(i)
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
            self._claim(np.concatenate([ring, ring[:1]]))

    def strokes(self, found: Sequence[Found], taken: set[int], lettering: NDArray[np.uint8]) -> None:
        """Name the lines."""
        graph, ink = self.work.graph, self.work.ink
        rims = {s.edge for f in found for s in f.stretches} | taken
        self._tile_letters()
        rims |= {i for i, e in enumerate(graph.edges) if not self._inside_sheet(e.points[len(e.points) // 2])}
        self._spots(lettering, ink.dark)
        shafts = self._arrows(lettering)
        free = [i for i in range(len(graph.edges)) if i not in rims and i not in shafts]
        for loop, edges in rings(graph, free, self.scale):
            if covered(loop, self.claimed) > 0.5:
                rims |= set(edges)
                continue
            # A letter is not crossed by a line; a circle on a stitching line is.
            crossed = is_crossed(loop, [graph.edges[i].points for i in edges])
            worded = covered(loop, lettering) > IN_WORDS and not self._is_mark("circle", loop)
            if not crossed and (worded or is_letter(loop, self.texts)):
                continue
            owner = self.piece_at(loop.mean(axis=0), slack_mm=0.0)
            mass = found[owner].mass if 0 <= owner < len(found) else 0.0
            size = float(np.ptp(loop, axis=0).max()) * self.scale
            own = float(np.median([graph.edges[i].mass for i in edges if not graph.edges[i].bridge] or [0.0]))
            if owner >= 0 and size >= 5.0 and own > 0.8 * mass > 0:
                self.pieces[owner].holes.append(loop)
            else:
                self.add("circle", np.concatenate([loop, loop[:1]]), point=True)
            self._claim(loop)
            rims |= set(edges)
        strokes = self._crosses(find_strokes(graph, rims, shafts - rims), lettering)
        strokes = [out_of_words(s, lettering, self.scale) for s in strokes]
        strokes = [s for s in strokes if s.length > 0 and not self._along_rim(s)]
        strokes = self._under_words(strokes, lettering)
        strokes = self._across_outlines(strokes)
        strokes = [part for s in strokes for part in self._parted(s)]
        strokes = [s for s in strokes if s.length * self.scale > 1.5 and covered(s.points, self.claimed) < 0.6]
        self._name(strokes, found)
        self._blobs(lettering)
        self._spots(lettering, ink.dark, unknown=True)

    def _arrows(self, lettering: NDArray[np.uint8]) -> set[int]:
        """Name arrows by their heads, and return the edges of their shafts."""
        blobs = [b for b in self.work.blobs if not lettering[int(b.middle[1]), int(b.middle[0])]]
        used: set[int] = set()
        shafts = np.zeros_like(self.claimed)
        for arrow in find_arrows(blobs, self.work.ink.mask, self.scale):
            self.add("grain line", arrow.points)
            self._use(arrow.heads)
            for mask in (self.claimed, shafts):
                self._draw(mask, arrow.points)
        if shafts.any():
            used = {
                i for i, e in enumerate(self.work.graph.edges)
                if not e.bridge and len(e.points) > 2 and covered(e.points, shafts) > 0.9
            }  # fmt: skip
        return used

    def _parted(self, stroke: Stroke) -> list[Stroke]:
        """Part notches from a stroke that they run into."""
        owner = self.piece_at(stroke.points[len(stroke.points) // 2])
        if owner < 0 or stroke.length * self.scale < LEAST_PARTED_MM:
            return [stroke]
        if is_bracket(stroke.points, self._away(owner, _sampled(stroke.points)), self.scale):
            return [stroke]
        return parted(stroke, partial(self._away, owner), self.scale, TOUCH_MM)

    def _crosses(self, strokes: list[Stroke], lettering: NDArray[np.uint8]) -> list[Stroke]:
        """Name crosses drawn on lines, and return the other strokes."""
        gone: set[int] = set()
        for arms in crossing_arms(strokes, self.scale):
            stroke = strokes[arms[0]]
            known = max(covered(stroke.points, lettering), covered(stroke.points, self.claimed))
            if known > 0.5 or self._on_rim(stroke):
                continue
            ends, middle = stroke.points[[0, -1]], (stroke.points[0] + stroke.points[-1]) / 2
            across = (ends - middle) @ np.array([[0.0, 1.0], [-1.0, 0.0]])
            shape = np.concatenate([ends, middle[None], middle + across])
            self.add("cross", shape, point=True, confidence=0.8)
            self._claim(stroke.points)
            gone.update(arms)
        return [s for k, s in enumerate(strokes) if k not in gone]

    def _is_mark(self, kind: MarkKind, loop: Points) -> bool:
        """Return whether a round loop in the box of a word is no letter."""
        return is_beside_words(kind, loop.mean(axis=0), float(np.ptp(loop, axis=0).max()), self.lettered)

    def _on_rim(self, stroke: Stroke) -> bool:
        """Return whether a stroke starts or ends on an outline."""
        return any(
            abs(cv2.pointPolygonTest(o, (float(x), float(y)), measureDist=True)) * self.scale < TOUCH_MM
            for o in self.outlines
            for x, y in stroke.points[[0, -1]]
        )

    def _name(self, strokes: list[Stroke], found: Sequence[Found]) -> None:
        around = Around(mm_per_px=self.scale, dark=self.work.ink.dark, words=self.lettered)
        barbs = Barbs(strokes, self.scale)
        open_heads: dict[int, tuple[bool, bool]] = {}
        gone: set[int] = set()
        for k, stroke in enumerate(strokes):
            if stroke.length * self.scale > ARROW_MM and k not in gone and not stroke.closed:
                pairs = [barbs.at(stroke, first=first) for first in (True, False)]
                open_heads[k] = (bool(pairs[0]), bool(pairs[1]))
                gone.update(*pairs)
        darts: list[tuple[Stroke, int]] = []
        notches: dict[int, list[Notch]] = {}
        seams: dict[int, list[Stroke]] = {}
        others: list[tuple[MarkKind, Stroke, int]] = []
        for k, stroke in enumerate(strokes):
            if k in gone:
                continue
            owner = self.piece_at(stroke.points[len(stroke.points) // 2])
            if owner < 0:
                owner = self.piece_at(stroke.points[0], slack_mm=TOUCH_MM)
            if owner in self.cut_out and float(np.median(self._away(owner, _sampled(stroke.points)))) < 0:
                # What ends at the edge of a thing lies on the ground beneath it.
                continue
            bracket = bracket_of(stroke, self.work.blobs, self.scale) if stroke.length * self.scale > ARROW_MM else None
            if bracket is not None:
                self.add("fold line", bracket[0].points)
                self._claim(stroke.points)
                self._use(bracket[1])
                continue
            stroke, solid = with_heads(stroke, self.work.blobs, self.scale)
            barbed = open_heads.get(k, (False, False))
            here = replace(around, headed=(barbed[0] or solid[0] is not None, barbed[1] or solid[1] is not None))
            if owner < 0 and self._runs_off(stroke):
                kind = "outline"
                self.cut_off.append(self.to_mm(stroke.points[len(stroke.points) // 2][None])[0])
            elif owner < 0:
                kind = loose_kind(stroke, here)
                if kind == "internal line" and is_shade(stroke.points, self.work.ink.dark, self.ink_depth, self.scale):
                    self.add("unknown", stroke.points, text="crease or shadow", confidence=0.3)
                    kind = ""
            else:
                mass = found[owner].mass if owner < len(found) else 0.0
                kind = kind_in_piece(stroke, self._away(owner, _sampled(stroke.points)), mass, here)
            if kind in ("grain line", "fold line"):
                self._use(solid)
            if kind == "hole":
                self.pieces[owner].holes.append(stroke.points[:-1])
            elif kind == "leg":
                darts.append((stroke, owner))
            elif kind == "stitching line":
                seams.setdefault(owner, []).append(stroke)
            elif kind in ("internal line", "unknown") and owner >= 0:
                others.append((kind, stroke, owner))  # type: ignore[arg-type]
            elif kind == "notch":
                notches.setdefault(owner, []).append(self._notch(owner, stroke))
            elif kind:
                self.add(kind, stroke.points, point=kind in ("circle", "dot", "cross"))  # type: ignore[arg-type]
            if kind and kind != "unknown":
                self._claim(stroke.points)
        self._darts(darts)
        for kind, stroke, owner in others:
            away = partial(self._away, owner)
            if owner in seams and goes_on_as_seam(seams[owner], stroke, away, self.scale):
                seams[owner].append(stroke)
            else:
                self.add(kind, stroke.points)
        for standing in notches.values():
            words, left = words_on_outline(standing, self.scale)
            for word in words:
                self.add("text", hull_of(np.concatenate([n.points for n in word])), point=True, confidence=0.4)
            for notch in joined_ticks(left, self.scale):
                words_of = {2: "double", 3: "triple"}.get(notch.ticks, "")
                self.add("notch", notch.points, text=words_of, foot=notch.foot)
        for owner, mine in seams.items():
            for seam in whole_seams(mine, partial(self._away, owner), self.scale):
                self.add("stitching line", seam)

    def _notch(self, owner: int, stroke: Stroke) -> Notch:
        """Return a stroke as a notch, its foot first where it is a tick."""
        near = np.abs(self._away(owner, stroke.points[[0, -1]]))
        points = stroke.points
        if near.max() > TOUCH_MM:
            points = drawn_part(points, bool(near[0] <= near[1]), self.work.ink.mask, self.scale)
        foot = self._foot(points)
        if not is_tick(points, self.scale):
            return Notch(points=points, foot=foot)
        return Notch(points=points if near[0] <= near[1] else points[::-1], foot=foot, ticks=1)

    def _use(self, heads: Sequence[Blob | None]) -> None:
        """Remember the heads of an arrow as named."""
        for head in heads:
            if head is not None:
                self.used_blobs.add(id(head))
                self._claim(head.points)

    def _runs_off(self, stroke: Stroke) -> bool:
        """Return whether a stroke is the line of a piece that the border of the picture or of the paper cuts off."""
        long = stroke.length * self.scale > LEAST_CUT_OFF_MM and stroke.bow * self.scale > LEAST_BOW_MM
        if not long or stroke.closed or stroke.mass < BOLD_SHARE * self.usual_mass:
            return False
        high, wide = self.work.ink.mask.shape
        reach = BORDER_MM / self.scale
        for end in (stroke.points[0], stroke.points[-1]):
            x, y = float(end[0]), float(end[1])
            if min(x, y, wide - 1 - x, high - 1 - y) < reach:
                continue
            if any(abs(cv2.pointPolygonTest(p, (x, y), measureDist=True)) < reach for p in self.papers):
                continue
            if not any(float(np.hypot(*(line - end).T).min()) < reach for line in self.work.shading):
                return False
        return True

    def _under_words(self, strokes: list[Stroke], lettering: NDArray[np.uint8]) -> list[Stroke]:
        """Join the parts of lines that run through words: what lies in their boxes was taken for lettering."""
        if not strokes or not lettering.any():
            return strokes
        reach = round(2.0 / self.scale)
        near = np.asarray(cv2.dilate(lettering, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)), dtype=np.uint8)
        allowed = np.array([[covered(e[None], near) > 0 for e in (s.points[0], s.points[-1])] for s in strokes])
        allowed &= np.array([s.length * self.scale > 4.0 for s in strokes])[:, None]
        return join_facing(strokes, allowed, WORDS_MM / self.scale, _UNDER_WORDS_RAD)

    def _across_outlines(self, strokes: list[Stroke]) -> list[Stroke]:
        """Join the parts of lines that cross an outline; a line that stops there is left alone."""
        if not strokes:
            return strokes
        allowed = np.zeros((len(strokes), 2), dtype=bool)
        for k, stroke in enumerate(strokes):
            for side, end in enumerate((stroke.points[0], stroke.points[-1])):
                allowed[k, side] = any(
                    abs(cv2.pointPolygonTest(o, (float(end[0]), float(end[1])), measureDist=True)) * self.scale
                    < TOUCH_MM
                    for o in self.outlines
                )
        return join_facing(strokes, allowed, ACROSS_MM / self.scale, _STRAIGHT_ON_RAD)

    def _along_rim(self, stroke: Stroke) -> bool:
        """Return whether a stroke lies on an outline all along: a leftover of the line itself."""
        sample = stroke.points[:: max(1, len(stroke.points) // 20)]
        return any(
            all(
                abs(cv2.pointPolygonTest(o, (float(x), float(y)), measureDist=True)) * self.scale < ALONG_MM
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

    def _claim(self, points: Points) -> None:
        """Remember where a mark was named, so that its ink is not named again."""
        self._draw(self.claimed, points)

    def _draw(self, mask: NDArray[np.uint8], points: Points) -> None:
        chain = np.rint(points).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(mask, [chain], isClosed=False, color=1, thickness=max(3, round(0.8 / self.scale)))

    def _spots(self, lettering: NDArray[np.uint8], dark: NDArray[np.uint8], *, unknown: bool = False) -> None:
        """Name small pieces of ink: dots, circles, crosses; ``unknown`` keeps those that are none of these."""
        ink = self.work.ink
        for x, y, wide, high, area, dash in self.work.small:
            if dash:
                continue
            size = max(int(wide), int(high)) * self.scale
            middle = np.array([x + wide / 2 - 0.5, y + high / 2 - 0.5])
            if size < SPECK_MM or not self._inside_sheet(middle):
                continue
            window = (slice(y, y + high), slice(x, x + wide))
            patch = ink.mask[window]
            if lettering[int(middle[1]), int(middle[0])]:
                shape = None if unknown or size < SPOT_MM else spot_kind(patch, int(area))
                if shape is None or not is_beside_words(shape, middle, max(wide, high), self.lettered):
                    continue
            box = np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y)], dtype=np.float64)
            if unknown:
                if self._on_tile(middle):
                    continue
                if size > 1.5 and not _share_claimed(patch, self.claimed[window]) > 0.3:
                    self.add(self._small_kind(middle, patch), box, point=True, confidence=0.5)
                continue
            kind = None if self._on_tile(middle) else spot_kind(patch, int(area)) or dot_on_line(patch, self.scale)
            if kind is None or _share_claimed(patch, self.claimed[window]) > 0.5:
                continue
            owner = self.piece_at(middle, slack_mm=0.0)
            if kind == "circle" and owner >= 0 and size >= 5.0 and self._bold_ring(patch, dark[window]):
                ring = ring_middle(patch)
                if ring is not None:
                    self.pieces[owner].holes.append(ring + [x, y])
                    self.claimed[window][patch > 0] = 1
                    continue
            self.add(kind, spot_shape(kind, patch) + [x, y], point=True)
            self.claimed[window][patch > 0] = 1

    def _small_kind(self, middle: Points, patch: NDArray[np.uint8]) -> MarkKind:
        """Return what a small mark is that has no shape of its own: a filled notch beside an outline, or unknown."""
        solid = float((patch > 0).mean()) > 0.4
        owner = self.piece_at(middle, slack_mm=8.0) if solid else -1
        if (
            owner >= 0
            and abs(float(self._away(owner, middle[None])[0])) < 0.5 * max(patch.shape) * self.scale + TOUCH_MM
        ):
            return "notch"
        return "unknown"

    def _tile_letters(self) -> None:
        """Keep what stands in a tile mark as text, read or not, and nothing else of it."""
        for tile in self.tiles:
            self.claimed[cv2.fillPoly(np.zeros_like(self.claimed), [np.rint(tile).astype(np.int32)], 1) > 0] = 1
            read = [ring[:-1].mean(axis=0) for _, ring in self.lettered]
            if any(cv2.pointPolygonTest(tile, (float(x), float(y)), measureDist=False) > 0 for x, y in read):
                continue
            middle = tile.reshape(-1, 2).astype(np.float64).mean(axis=0)
            inner = middle + _LETTER_SHARE * (tile.reshape(-1, 2) - middle)
            self.add("text", np.concatenate([inner, inner[:1]]), point=True, confidence=0.4)

    def _on_tile(self, middle: Points) -> bool:
        at = (float(middle[0]), float(middle[1]))
        return any(cv2.pointPolygonTest(tile, at, measureDist=False) > 0 for tile in self.tiles)

    def _blobs(self, lettering: NDArray[np.uint8]) -> None:
        """Name solid spots that sit on lines: dots, filled notches."""
        for blob in self.work.blobs:
            x, y = (int(v) for v in blob.middle)
            if id(blob) in self.used_blobs or lettering[y, x] or covered(blob.points, self.claimed) > 0.5:
                continue
            ring = np.concatenate([blob.points, blob.points[:1]])
            if blob.round:
                self.add("dot", ring, point=True, confidence=0.8)
                continue
            owner = self.piece_at(blob.middle, slack_mm=8.0)
            away = float(self._away(owner, blob.middle[None])[0]) if owner >= 0 else np.inf
            near = abs(away) < 0.5 * blob.size * self.scale + TOUCH_MM
            self.add("notch" if near else "unknown", ring, point=not near, confidence=0.7)

    def _bold_ring(self, patch: NDArray[np.uint8], dark: NDArray[np.uint8]) -> bool:
        """Return whether a small ring is drawn with a line as heavy as the cutting lines."""
        ring = ring_middle(patch)
        if ring is None or not self.usual_mass:
            return False
        length = float(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).sum())
        mass = float(dark[patch > 0].sum()) / 255.0 / max(1.0, length)
        return mass > 0.8 * self.usual_mass


def _sampled(points: Points) -> Points:
    """Return about sixty points of a chain, both ends among them."""
    at = np.unique(np.linspace(0, len(points) - 1, min(len(points), 60)).astype(int))
    return np.asarray(points[at])


def _pixels(points: Points, mask: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return rows and columns of the pixels that points fall into."""
    at = np.rint(points).astype(np.int64)
    return np.clip(at[:, 1], 0, mask.shape[0] - 1), np.clip(at[:, 0], 0, mask.shape[1] - 1)


def hull_of(points: Points) -> Points:
    """Return the closed hull around some points."""
    hull = cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    return np.concatenate([hull, hull[:1]])


def _share_claimed(patch: NDArray[np.uint8], claimed: NDArray[np.uint8]) -> float:
    ink = patch > 0
    return float((claimed[ink] > 0).mean()) if ink.any() else 0.0


def _simplified(points: Points, tolerance_px: float) -> Points:
    chain = cv2.approxPolyDP(points.astype(np.float32).reshape(-1, 1, 2), max(0.3, tolerance_px), closed=False)
    simple = np.asarray(chain.reshape(-1, 2), dtype=np.float64)
    # Where a line ends at its beginning, OpenCV leaves its last point out.
    if (points[0] == points[-1]).all() and (simple[0] != simple[-1]).any():
        simple = np.concatenate([simple, simple[:1]])
    return simple
