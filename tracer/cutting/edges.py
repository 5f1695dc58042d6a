"""Edges: the stretches of an outline between corners, found by number, by name or by the side they face.

The side of an edge comes from its chord: of all edges, ``right`` is the one with the greatest projected length times
the cosine of its slant, so that a long slanting side seam goes before a short step that faces exactly right.
Distances along an edge are counted from its top end, or from its left end where it lies nearer to level.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import UnitError, parse_length_mm
from tracer.crossing import nearest
from tracer.cutting.shape import Shape, is_corner, shape_of
from tracer.cutting.words import both
from tracer.errors import CutListError
from tracer.path import OpenPath
from tracer.piece import Piece
from tracer.segments import Segment, evaluate, segment_length, split_segment

SIDES = ("left", "right", "top", "bottom")
_FACING = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}
_CLOSE_SECOND = 0.9
_POINT = re.compile(r"(?P<edge>.+?)\s+(?P<much>\d+(?:\.\d*)?\s*%|\S.*)")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edge:
    """A stretch of an outline.

    Parameters
    ----------
    name : str
        Number or name.
    first : int
        Index of its first segment in the outline.
    segments : tuple of ndarray
        In the outline's direction of travel (clockwise on screen).
    """

    name: str
    first: int
    segments: tuple[Segment, ...]

    @property
    def start(self) -> NDArray[np.float64]:
        """Where it begins, shape (2,)."""
        return np.asarray(self.segments[0][0])

    @property
    def end(self) -> NDArray[np.float64]:
        """Where it ends, shape (2,)."""
        return np.asarray(self.segments[-1][-1])

    @property
    def length_mm(self) -> float:
        """Arc length."""
        return sum(segment_length(s) for s in self.segments)

    @property
    def path(self) -> OpenPath:
        """The edge as a line of its own."""
        return OpenPath(self.segments)

    @property
    def runs_naturally(self) -> bool:
        """Whether its direction of travel is from top to bottom, or left to right where it lies nearer to level."""
        dx, dy = self.end - self.start
        return bool(dy >= 0 if abs(dy) >= abs(dx) else dx >= 0)

    @property
    def indices(self) -> range:
        """Indices of its segments, not yet wrapped round the outline."""
        return range(self.first, self.first + len(self.segments))

    def bulge_mm(self) -> float:
        """Return how far the edge strays from its chord."""
        chord = self.end - self.start
        size = max(float(np.hypot(*chord)), 1e-12)
        normal = np.array([-chord[1], chord[0]]) / size
        points = self.path.flatten(0.002)
        return float(np.abs((points - self.start) @ normal).max())


def edges_of(shape: Shape) -> tuple[Edge, ...]:
    """Return the stretches between corners, in order of travel from the first corner."""
    segments = shape.outline.segments
    count = len(segments)
    nodes = [k for k in range(count) if is_corner(segments[k - 1], segments[k])]
    if not nodes:
        return (Edge(name=shape.labels[0], first=0, segments=segments),)
    edges = []
    for start, stop in zip(nodes, [*nodes[1:], nodes[0] + count], strict=True):
        indices = [k % count for k in range(start, stop)]
        edges.append(Edge(name=shape.labels[start], first=start, segments=tuple(segments[k] for k in indices)))
    return tuple(edges)


def _stretches(shape: Shape, name: str) -> list[Edge]:
    """Stretches of segments with one name, in order of travel."""
    segments, labels = shape.outline.segments, shape.labels
    count = len(segments)
    if all(n == name for n in labels):
        return [Edge(name=name, first=0, segments=segments)]
    found = []
    for k in range(count):
        if labels[k] == name and labels[k - 1] != name:
            indices = [k]
            while labels[(indices[-1] + 1) % count] == name:
                indices.append((indices[-1] + 1) % count)
            found.append(Edge(name=name, first=k, segments=tuple(segments[i] for i in indices)))
    return found


def _facing(edge: Edge, side: str) -> float:
    chord = edge.end - edge.start
    size = float(np.hypot(*chord))
    if size < 1e-9:
        return 0.0
    outward = np.array([chord[1], -chord[0]])
    projected = float(outward @ _FACING[side])
    return max(0.0, projected) * max(0.0, projected) / size


def _ranked(shape: Shape, side: str) -> list[Edge]:
    """Edges that face within 60 degrees of a side, the one that faces it most first."""

    def faces(edge: Edge) -> bool:
        # The facing score is the chord times cos^2 of the slant; cos^2(60 deg) = 1/4.
        chord = float(np.hypot(*(edge.end - edge.start)))
        return chord > 1e-9 and _facing(edge, side) > 0.25 * chord

    return sorted(filter(faces, edges_of(shape)), key=lambda e: -_facing(e, side))


def side_edge(shape: Shape, side: str) -> tuple[Edge, Edge | None]:
    """Return the edge that faces a side most, and another that faces it nearly as much, if there is one.

    Raises
    ------
    CutListError
        When no edge faces within 60 degrees of that side.
    """
    ranked = _ranked(shape, side)
    if not ranked:
        raise CutListError(f"no edge faces {side}; the edges are {listed(shape)}")
    rival = len(ranked) > 1 and _facing(ranked[1], side) >= _CLOSE_SECOND * _facing(ranked[0], side)
    return ranked[0], ranked[1] if rival else None


def sides(shape: Shape) -> dict[str, str]:
    """Return which edge is meant by each side's name, for the sides that have one."""
    ranked = {side: _ranked(shape, side) for side in SIDES}
    return {side: edges[0].name for side, edges in ranked.items() if edges}


def _side_words(shape: Shape) -> dict[str, str]:
    """For each edge that is meant by a side's name, that name in brackets."""
    words: dict[str, list[str]] = {}
    for side, name in sides(shape).items():
        words.setdefault(name, []).append(side)
    return {name: f" ({', '.join(w)})" for name, w in words.items()}


def listed(shape: Shape) -> str:
    """Return the edges in words: ``1 (top), 2 (right), 3, 4 (left)``."""
    words = _side_words(shape)
    return ", ".join(name + words.get(name, "") for name in dict.fromkeys(shape.labels))


def edge_lengths(piece: Piece) -> str:
    """Return a piece's edges with their lengths, in words: ``1 (top) 120.00 mm (4 23/32 in), 2 (right) ...``."""
    shape = shape_of(piece)
    words = _side_words(shape)
    return ", ".join(f"{e.name}{words.get(e.name, '')} {both(e.length_mm)}" for e in edges_of(shape))


def find_edges(shape: Shape, word: str | int) -> list[Edge]:
    """Return the stretches meant by a word: one for a side, one or more for a number or name.

    Raises
    ------
    CutListError
        When there is none, with the edges there are and the nearest right word.
    """
    text = str(word).strip()
    if text.lower() in SIDES:
        return [side_edge(shape, text.lower())[0]]
    found = _stretches(shape, text)
    if not found:
        raise CutListError(
            f"there is no edge '{text}'; the edges are {listed(shape)}{nearest_word(text, (*SIDES, *shape.labels))}"
        )
    return found


def find_edge(shape: Shape, word: str | int) -> Edge:
    """Return the one stretch meant by a word; raises :class:`CutListError` when there are several or none."""
    found = find_edges(shape, word)
    if len(found) > 1:
        raise CutListError(f"the edge '{word}' is in {len(found)} stretches here; name it by its side")
    return found[0]


def nearest_word(word: str, allowed: Iterable[str]) -> str:
    """Return ``; did you mean 'x'?`` for the nearest allowed word, or nothing where none is near."""
    by_lower = {str(a).lower(): str(a) for a in allowed}
    near = difflib.get_close_matches(word.lower(), list(by_lower), n=1, cutoff=0.5)
    return f"; did you mean '{by_lower[near[0]]}'?" if near else ""


def place_along(edge: Edge, along_mm: float) -> tuple[int, float]:
    """Return segment (within the edge) and parameter of the place at a distance along it, in direction of travel."""
    left = along_mm
    for k, segment in enumerate(edge.segments):
        length = segment_length(segment)
        if left <= length or k == len(edge.segments) - 1:
            return k, _parameter_at(segment, min(left, length), length)
        left -= length
    raise CutListError(f"the edge '{edge.name}' has no length")


def _parameter_at(segment: Segment, along_mm: float, length_mm: float) -> float:
    if along_mm <= 0 or length_mm <= 0:
        return 0.0
    if along_mm >= length_mm:
        return 1.0
    if len(segment) == 2:
        return along_mm / length_mm
    low, high = 0.0, 1.0
    for _ in range(50):
        mid = (low + high) / 2
        if segment_length(split_segment(segment, mid)[0]) < along_mm:
            low = mid
        else:
            high = mid
    return (low + high) / 2


def point_on(shape: Shape, word: str, notches: Sequence[NDArray[np.float64]] = ()) -> tuple[int, float]:
    """Return segment (of the outline) and parameter of a place as people write it.

    ``top 40%``, ``left 4in``, ``3 120mm`` are counted from the edge's top (or left) end; ``notch 2`` is the second of
    ``notches``, places on the outline clockwise from its first corner.

    Raises
    ------
    CutListError
        When the place cannot be read, or is not on the piece.
    """
    text = word.strip()
    match = _POINT.fullmatch(text)
    if match is None:
        raise CutListError(f"cannot read the place '{word}'; write it like 'top 40%', 'left 4in' or 'notch 2'")
    if match["edge"].lower() == "notch":
        if not match["much"].isdigit() or not 1 <= int(match["much"]) <= len(notches):
            have = f"its notches are 1 to {len(notches)}" if notches else "it has no notches"
            raise CutListError(f"there is no notch {match['much']}; {have}")
        hit = nearest(shape.outline.segments, notches[int(match["much"]) - 1])
        return hit.segment, hit.t
    edge = find_edge(shape, match["edge"])
    length = edge.length_mm
    if match["much"].endswith("%"):
        along = float(match["much"][:-1]) / 100 * length
    else:
        try:
            along = parse_length_mm(match["much"])
        except UnitError as error:
            raise CutListError(f"cannot read the place '{word}': {error}") from error
    if along > length + 1e-9:
        raise CutListError(f"the place '{word}' is beyond the end: the edge is {length:.1f} mm long")
    if not edge.runs_naturally:
        along = length - along
    k, t = place_along(edge, along)
    return (edge.first + k) % len(shape.outline.segments), t


def place_point(shape: Shape, place: tuple[int, float]) -> NDArray[np.float64]:
    """Return the point of a place on the outline, shape (2,)."""
    return evaluate(shape.outline.segments[place[0]], place[1])
