"""The lines of a sheet that are no outlines: put together as a pen drew them, and named.

What is no outline is told by its shape and by where it lies to the outline around it: along it, on it, from edge to
edge. What cannot be named is kept as unknown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.piece import MarkKind
from tracer.search.across import join_across
from tracer.search.arrows import find_arrows
from tracer.search.bumps import BOLD_SHARE
from tracer.search.creases import is_shade
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
from tracer.search.lettering import IN_WORDS, covered, is_crossed, is_letter, out_of_words
from tracer.search.mark_sheet import MarkSheet, sampled
from tracer.search.notches import LEAST_PARTED_MM, Notch, drawn_part, is_tick, joined_ticks, parted, words_on_outline
from tracer.search.pieces import Found
from tracer.search.point_marks import is_ring, keep_tile_letters, name_blobs, name_spots
from tracer.search.seams import behind_others, goes_on_as_seam, whole_seams
from tracer.search.spots import crossing_arms, rings
from tracer.search.stands_out import is_edge
from tracer.search.strokes import Stroke, find_strokes, join_facing

ACROSS_MM = 2.6
"""A line that crosses an outline leaves its two parts no farther apart."""
CLEAR_MM = 3.5
"""Nearer to an outline a line seems to grow wide as it runs into it, and that is no arrow head."""
LEAST_CUT_OFF_MM, LEAST_BOW_MM, BORDER_MM = 40.0, 12.0, 5.0
"""A bold line so long and so bent that ends so near to the border at both ends is a piece that is cut off."""
SHEET_BOW_MM = 2.0
"""The edge of a sheet that lies flat is straighter than this (judgement)."""
WORDS_MM, _UNDER_WORDS_RAD = 40.0, math.radians(6)
"""Lines run on under words for so long."""
_STRAIGHT_ON_RAD = math.radians(20)


class LineMarks:
    """Names the lines of one sheet."""

    def __init__(self, on: MarkSheet) -> None:
        self.on = on

    def name_all(self, found: Sequence[Found], taken: set[int], lettering: NDArray[np.uint8]) -> None:
        """Name the lines."""
        graph, ink = self.on.work.graph, self.on.work.ink
        rims = {s.edge for f in found for s in f.stretches} | taken
        keep_tile_letters(self.on)
        rims |= {i for i, e in enumerate(graph.edges) if not self.on.inside_sheet(e.points[len(e.points) // 2])}
        name_spots(self.on, lettering, ink.dark)
        shafts, arrows = self._arrows(lettering)
        free = [i for i in range(len(graph.edges)) if i not in rims and i not in shafts]
        for loop, edges in rings(graph, free, self.on.scale):
            if covered(loop, self.on.claimed) > 0.5:
                rims |= set(edges)
                continue
            # In a row that was read it is a letter where one of its shape was read. Elsewhere a letter is not crossed
            # by a line; a circle on a stitching line is.
            if covered(loop, lettering) > IN_WORDS:
                letter = not is_ring(self.on, "circle", loop)
            else:
                crossed = is_crossed(loop, [graph.edges[i].points for i in edges])
                letter = not crossed and is_letter(loop, self.on.texts)
            if letter:
                continue
            owner = self.on.piece_at(loop.mean(axis=0), slack_mm=0.0)
            mass = found[owner].mass if 0 <= owner < len(found) else 0.0
            size = float(np.ptp(loop, axis=0).max()) * self.on.scale
            own = float(np.median([graph.edges[i].mass for i in edges if not graph.edges[i].bridge] or [0.0]))
            if owner >= 0 and size >= 5.0 and own > 0.8 * mass > 0:
                self.on.pieces[owner].holes.append(loop)
            else:
                self.on.add("circle", np.concatenate([loop, loop[:1]]), point=True)
            self.on.claim(loop)
            rims |= set(edges)
        strokes = self._crosses(find_strokes(graph, rims, shafts - rims), lettering)
        strokes = [out_of_words(s, lettering, self.on.scale) for s in strokes]
        strokes = [s for s in strokes if s.length > 0 and not self.on.along_rim(s)]
        strokes = self._under_words(strokes, lettering)
        strokes = self._across_outlines(self._across_arrows(strokes, arrows))
        strokes = [part for s in strokes for part in self._parted(s)]
        strokes = [s for s in strokes if s.length * self.on.scale > 1.5 and covered(s.points, self.on.claimed) < 0.6]
        self._name(strokes, found)
        name_blobs(self.on, lettering)
        name_spots(self.on, lettering, ink.dark, unknown=True)

    def _arrows(self, lettering: NDArray[np.uint8]) -> tuple[set[int], NDArray[np.uint8]]:
        """Name arrows by their heads, and return the edges of their shafts and a mask of them."""
        blobs = [b for b in self.on.work.blobs if not lettering[int(b.middle[1]), int(b.middle[0])]]
        used: set[int] = set()
        shafts = np.zeros_like(self.on.claimed)
        for arrow in find_arrows(blobs, self.on.work.ink.mask, self.on.scale):
            self.on.add("grain line", arrow.points)
            self.on.use(arrow.heads)
            for mask in (self.on.claimed, shafts):
                self.on.draw(mask, arrow.points)
        if shafts.any():
            used = {
                i for i, e in enumerate(self.on.work.graph.edges)
                if not e.bridge and len(e.points) > 2 and covered(e.points, shafts) > 0.9
            }  # fmt: skip
        return used, shafts

    def _parted(self, stroke: Stroke) -> list[Stroke]:
        """Part notches from a stroke that they run into."""
        owner = self.on.piece_at(stroke.points[len(stroke.points) // 2])
        if owner < 0 or stroke.length * self.on.scale < LEAST_PARTED_MM:
            return [stroke]
        if is_bracket(stroke.points, self.on.away(owner, sampled(stroke.points)), self.on.scale):
            return [stroke]
        return parted(stroke, partial(self.on.away, owner), self.on.scale, TOUCH_MM)

    def _crosses(self, strokes: list[Stroke], lettering: NDArray[np.uint8]) -> list[Stroke]:
        """Name crosses drawn on lines, and return the other strokes."""
        gone: set[int] = set()
        for arms in crossing_arms(strokes, self.on.scale):
            stroke = strokes[arms[0]]
            known = max(covered(stroke.points, lettering), covered(stroke.points, self.on.claimed))
            if known > 0.5 or self.on.on_rim(stroke):
                continue
            ends, middle = stroke.points[[0, -1]], (stroke.points[0] + stroke.points[-1]) / 2
            across = (ends - middle) @ np.array([[0.0, 1.0], [-1.0, 0.0]])
            shape = np.concatenate([ends, middle[None], middle + across])
            self.on.add("cross", shape, point=True, confidence=0.8)
            self.on.claim(stroke.points)
            gone.update(arms)
        return [s for k, s in enumerate(strokes) if k not in gone]

    def _name(self, strokes: list[Stroke], found: Sequence[Found]) -> None:
        around = Around(mm_per_px=self.on.scale, dark=self.on.work.ink.dark, words=self.on.lettered)
        barbs = Barbs(strokes, self.on.scale)
        open_heads: dict[int, tuple[bool, bool]] = {}
        gone: set[int] = set()
        for k, stroke in enumerate(strokes):
            if stroke.length * self.on.scale > ARROW_MM and k not in gone and not stroke.closed:
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
            owner = self.on.piece_at(stroke.points[len(stroke.points) // 2])
            if owner < 0:
                owner = self.on.piece_at(stroke.points[0], slack_mm=TOUCH_MM)
            if owner in self.on.cut_out and float(np.median(self.on.away(owner, sampled(stroke.points)))) < 0:
                # What ends at the edge of a thing lies on the ground beneath it.
                continue
            bracket = (
                bracket_of(stroke, self.on.work.blobs, self.on.scale)
                if stroke.length * self.on.scale > ARROW_MM
                else None
            )
            if bracket is not None:
                self.on.add("fold line", bracket[0].points)
                self.on.claim(stroke.points)
                self.on.use(bracket[1])
                continue
            stroke, solid = with_heads(stroke, self.on.work.blobs, self.on.scale)
            barbed = open_heads.get(k, (False, False))
            here = replace(
                around,
                headed=(barbed[0] or solid[0] is not None, barbed[1] or solid[1] is not None),
                clear=tuple(not self._at_outline(p, CLEAR_MM) for p in stroke.points[[0, -1]]),
            )
            if owner < 0 and self.on.along_paper(stroke.points):
                kind = ""
            elif owner < 0 and self._runs_off(stroke):
                kind = "outline"
                self.on.cut_off.append(self.on.to_mm(stroke.points[len(stroke.points) // 2][None])[0])
            elif owner < 0:
                kind = loose_kind(stroke, here)
                if kind == "internal line" and is_shade(
                    stroke.points, self.on.work.ink.dark, self.on.ink_depth, self.on.scale
                ):
                    self._shade(stroke)
                    kind = ""
            else:
                mass = found[owner].mass if owner < len(found) else 0.0
                kind = kind_in_piece(stroke, self.on.away(owner, sampled(stroke.points)), mass, here)
            if kind in ("grain line", "fold line"):
                self.on.use(solid)
            if kind == "hole":
                self.on.pieces[owner].holes.append(stroke.points[:-1])
            elif kind == "leg":
                darts.append((stroke, owner))
            elif kind == "stitching line":
                seams.setdefault(owner, []).append(stroke)
            elif kind in ("internal line", "unknown") and owner >= 0:
                others.append((kind, stroke, owner))  # type: ignore[arg-type]
            elif kind == "notch":
                notches.setdefault(owner, []).append(self._notch(owner, stroke))
            elif kind:
                self.on.add(kind, stroke.points, point=kind in ("circle", "dot", "cross"))  # type: ignore[arg-type]
            if kind and kind != "unknown":
                self.on.claim(stroke.points)
        self._darts(darts)
        for kind, stroke, owner in others:
            away = partial(self.on.away, owner)
            if owner in seams and goes_on_as_seam(seams[owner], stroke, away, self.on.scale):
                seams[owner].append(stroke)
            else:
                self.on.add(kind, stroke.points)
        for standing in notches.values():
            words, left = words_on_outline(standing, self.on.scale)
            for word in words:
                self.on.add("text", hull_of(np.concatenate([n.points for n in word])), point=True, confidence=0.4)
            for notch in joined_ticks(left, self.on.scale):
                words_of = {2: "double", 3: "triple"}.get(notch.ticks, "")
                self.on.add("notch", notch.points, text=words_of, foot=notch.foot)
        for owner, mine in seams.items():
            away = partial(self.on.away, owner)
            behind = behind_others(mine, away, self.on.scale)
            for stroke in (s for s, is_behind in zip(mine, behind, strict=True) if is_behind):
                self.on.add("internal line", stroke.points)
            first = [s for s, is_behind in zip(mine, behind, strict=True) if not is_behind]
            for seam in whole_seams(first, away, self.on.scale):
                self.on.add("stitching line", seam)

    def _shade(self, stroke: Stroke) -> None:
        """Keep a faint line: the sheet's edge where nothing is drawn beyond it and another ground begins, or a fold."""
        ends = stroke.points[[0, -1]]
        long = float(np.hypot(*(ends[1] - ends[0])))
        normal = np.array([-(ends[1] - ends[0])[1], (ends[1] - ends[0])[0]]) / max(long, 1e-9)
        drawn = [*(o.reshape(-1, 2) for o in self.on.outlines), *(ring for _, ring in self.on.lettered)]
        beside = np.concatenate([(d - ends[0]) @ normal for d in drawn] or [np.zeros(1)])
        straight = stroke.bow * self.on.scale < SHEET_BOW_MM and (beside.min() > 0 or beside.max() < 0)
        ink, picture = self.on.work.ink, self.on.sheet.picture.pixels
        if straight and is_edge(np.asarray(ink.to_picture(stroke.points)), picture, self.on.sheet.mm_per_px):
            self.on.add("reference", stroke.points, text="edge of the sheet", confidence=0.5)
            self.on.sheets.append(stroke.points.astype(np.float32).reshape(-1, 1, 2))
        else:
            self.on.add("unknown", stroke.points, text="crease or shadow", confidence=0.3)

    def _notch(self, owner: int, stroke: Stroke) -> Notch:
        """Return a stroke as a notch, its foot first where it is a tick."""
        near = np.abs(self.on.away(owner, stroke.points[[0, -1]]))
        points = stroke.points
        if near.max() > TOUCH_MM:
            points = drawn_part(points, bool(near[0] <= near[1]), self.on.work.ink.mask, self.on.scale)
        foot = self.on.foot(points)
        if not is_tick(points, self.on.scale):
            return Notch(points=points, foot=foot)
        return Notch(points=points if near[0] <= near[1] else points[::-1], foot=foot, ticks=1)

    def _runs_off(self, stroke: Stroke) -> bool:
        """Return whether a stroke is the line of a piece that the border of the picture or of the paper cuts off."""
        long = stroke.length * self.on.scale > LEAST_CUT_OFF_MM and stroke.bow * self.on.scale > LEAST_BOW_MM
        if not long or stroke.closed or stroke.mass < BOLD_SHARE * self.on.usual_mass:
            return False
        high, wide = self.on.work.ink.mask.shape
        reach = BORDER_MM / self.on.scale
        for end in (stroke.points[0], stroke.points[-1]):
            x, y = float(end[0]), float(end[1])
            if min(x, y, wide - 1 - x, high - 1 - y) < reach:
                continue
            if any(abs(cv2.pointPolygonTest(p, (x, y), measureDist=True)) < reach for p in self.on.papers):
                continue
            if not any(float(np.hypot(*(line - end).T).min()) < reach for line in self.on.work.shading):
                return False
        return True

    def _under_words(self, strokes: list[Stroke], lettering: NDArray[np.uint8]) -> list[Stroke]:
        """Join the parts of lines that run through words: what lies in their boxes was taken for lettering."""
        if not strokes or not lettering.any():
            return strokes
        reach = round(2.0 / self.on.scale)
        near = np.asarray(cv2.dilate(lettering, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)), dtype=np.uint8)
        allowed = np.array([[covered(e[None], near) > 0 for e in (s.points[0], s.points[-1])] for s in strokes])
        allowed &= np.array([s.length * self.on.scale > 4.0 for s in strokes])[:, None]
        return join_facing(strokes, allowed, WORDS_MM / self.on.scale, _UNDER_WORDS_RAD)

    def _across_arrows(self, strokes: list[Stroke], arrows: NDArray[np.uint8]) -> list[Stroke]:
        """Join the parts of lines that cross an arrow: what was drawn of them on its shaft went with it."""
        if not strokes or not arrows.any():
            return strokes
        reach = round(ACROSS_MM / self.on.scale)
        near = np.asarray(cv2.dilate(arrows, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)), dtype=np.uint8)
        allowed = np.array([[covered(e[None], near) > 0 for e in (s.points[0], s.points[-1])] for s in strokes])
        return join_facing(strokes, allowed, ACROSS_MM / self.on.scale, _STRAIGHT_ON_RAD)

    def _across_outlines(self, strokes: list[Stroke]) -> list[Stroke]:
        """Join the parts of lines that cross an outline; a line that stops there is left alone."""
        if not strokes:
            return strokes
        near = np.array([[self._at_outline(p, CLEAR_MM) for p in s.points[[0, -1]]] for s in strokes])
        strokes = join_across(strokes, near, self.on.scale)
        allowed = np.array([[self._at_outline(p) for p in s.points[[0, -1]]] for s in strokes])
        return join_facing(strokes, allowed, ACROSS_MM / self.on.scale, _STRAIGHT_ON_RAD)

    def _at_outline(self, point: Points, reach_mm: float = TOUCH_MM) -> bool:
        """Return whether a point lies at an outline."""
        at = (float(point[0]), float(point[1]))
        return any(
            abs(cv2.pointPolygonTest(o, at, measureDist=True)) * self.on.scale < reach_mm for o in self.on.outlines
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
                if float(np.hypot(*(tip_a[-1] - tip_b[-1]))) * self.on.scale < 4.0:
                    used.update((i, j))
                    self.on.add("dart", np.concatenate([tip_a, tip_b[::-1]]))
                    break
            else:
                self.on.add("internal line", a.points)

    def _inner_end_last(self, stroke: Stroke, owner: int) -> Points:
        ends = self.on.away(owner, stroke.points[[0, -1]])
        return stroke.points if abs(ends[0]) <= abs(ends[1]) else stroke.points[::-1]


def hull_of(points: Points) -> Points:
    """Return the closed hull around some points."""
    hull = cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    return np.concatenate([hull, hull[:1]])
