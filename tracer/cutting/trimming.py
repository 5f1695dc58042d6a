"""A strip of given width taken off along an edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from tracer.cutting.edges import Edge, find_edge
from tracer.cutting.marks import clipped, moved_with_edges
from tracer.cutting.offset import moved
from tracer.cutting.shape import Shape, flat_polygon, require_simple
from tracer.cutting.words import both, place
from tracer.errors import CutListError
from tracer.path import Path


def holes_inside(holes: Sequence[Path], outline: Path, what: str) -> tuple[Path, ...]:
    """Return the holes inside an outline; those outside are gone with what was cut away.

    Raises
    ------
    CutListError
        When one is cut through.
    """
    polygon = flat_polygon(outline.segments)
    kept = []
    for hole in holes:
        ring = flat_polygon(hole.segments)
        if polygon.contains(ring):
            kept.append(hole)
        elif polygon.intersects(ring):
            box = hole.bounds
            where = place((box.x_min, box.y_min), outline.bounds)
            raise CutListError(f"{what} would cut through the hole that begins {where}")
    return tuple(kept)


def widths_along(shape: Shape, edges: Sequence[Edge], width_mm: float) -> list[float]:
    """Return a width for every segment: the given one on some edges, 0 elsewhere."""
    count = len(shape.labels)
    chosen = {k % count for edge in edges for k in edge.indices}
    return [width_mm if k in chosen else 0.0 for k in range(count)]


def trim(shape: Shape, edge: str | int, width_mm: float) -> Shape:
    """Take a strip off along an edge: the new edge is its parallel, the neighbours are cut or carried on to meet it.

    Notches on the edge move with it; marks on the strip go away with it.

    Raises
    ------
    CutListError
        When the width is not positive, the edge is not there, or nothing (or no one piece) would be left.
    """
    if not width_mm > 0:
        raise CutListError(f"a strip to trim needs a width above 0, not {width_mm:g} mm")
    widths = widths_along(shape, [find_edge(shape, edge)], -width_mm)
    what = f"trimming {both(width_mm)} along the edge '{edge}'"
    try:
        result = moved(shape.chain, widths)
    except CutListError as error:
        raise CutListError(f"{what}: {error}; choose a smaller width") from error
    trimmed = shape.with_chain(result.chain)
    marks = clipped(moved_with_edges(shape.marks, shape, widths), trimmed.outline)
    holes = holes_inside(shape.holes, trimmed.outline, what)
    return require_simple(replace(trimmed, marks=marks, holes=holes), what)
