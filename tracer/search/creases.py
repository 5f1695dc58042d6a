"""Creases and soft shading: lines of the paper, told from drawn ones by how faint and how soft they are.

A pen leaves an edge as sharp as the picture is; a fold of the paper turns the light away gradually, over a millimetre
or so, and never takes much of it. So a line is shading when it is much fainter than the sheet's ink *and* its flanks
are much less steep for its depth. A faint pencil line is as steep as a black one and stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import LineGraph, medians
from tracer.search.strokes import find_strokes

FAINT_SHARE, SOFT_SHARE = 0.55, 0.62
"""Shading is fainter and softer than these shares of the sheet's ink (common practice, no source)."""
SOFTEST_SHARE, PALE_SHARE = 0.38, 0.8
"""What is as soft as this need not be so faint (common practice, no source)."""
FAINTEST_SHARE, STEP_SHARE = 0.2, 0.5
"""What is fainter than this share of the ink is no drawn line; where one side of a line is darker than the other by
this share of its depth, the ground has a step there (common practice, no source)."""
LEAST_SHADE_MM = 8.0
"""Shorter lines are judged by what they continue."""
_REACH_MM = 1.6
_CUTS = 40
_FLANK_PX = 8
"""A line's steepest flank is this near to its middle."""
_INK_QUANTILE = 0.85


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steepness:
    """Of each edge: how dark it is (0..1), and its steepest flank as a share of that for one pixel."""

    depth: NDArray[np.float64]
    steep: NDArray[np.float64]


def steepness(graph: LineGraph, dark: NDArray[np.uint8], mm_per_px: float) -> Steepness:
    """Measure how dark and how steep the lines are, from cuts across them."""
    count = len(graph.edges)
    depth, steep = np.zeros(count), np.full(count, np.nan)
    reach = max(3, round(_REACH_MM / mm_per_px))
    middle, along, owner = [], [], []
    for index, edge in enumerate(graph.edges):
        points = edge.points
        if edge.bridge or len(points) < 6:
            continue
        # What meets the line at its ends is not its own.
        margin = reach if len(points) > 5 * reach else len(points) // 5
        keep = np.arange(margin, len(points) - margin, max(1, (len(points) - 2 * margin) // _CUTS))
        middle.append(points[keep])
        along.append(points[np.minimum(keep + 4, len(points) - 1)] - points[np.maximum(keep - 4, 0)])
        owner.append(np.full(len(keep), index))
    if not middle:
        return Steepness(depth=depth, steep=steep)
    edge_of = np.concatenate(owner)
    top, step = _flanks(dark, np.concatenate(middle), np.concatenate(along), reach)
    measured, depth_of = medians(edge_of, top)
    depth[measured] = depth_of
    steep[measured] = medians(edge_of, step / np.maximum(top, 0.02))[1]
    return Steepness(depth=depth, steep=steep)


def _flanks(
    dark: NDArray[np.uint8], at: NDArray[np.float64], along: NDArray[np.float64], reach: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how dark lines are at points (N, 2), and the largest step in a cut across them there.

    ``along`` (N, 2) are the ways the lines run.
    """
    way = along / np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    near = min(reach, _FLANK_PX)
    offsets = np.arange(-near, near + 1)
    column = np.rint(at[:, 0][:, None] - offsets * way[:, 1][:, None]).astype(np.int32)
    row = np.rint(at[:, 1][:, None] + offsets * way[:, 0][:, None]).astype(np.int32)
    cut = dark[np.clip(row, 0, dark.shape[0] - 1), np.clip(column, 0, dark.shape[1] - 1)]
    top = cut[:, near - 1 : near + 2].max(axis=1)
    step = cv2.absdiff(cut[:, 1:], cut[:, :-1]).max(axis=1)
    return top / 255.0, step / 255.0


def shading_edges(graph: LineGraph, dark: NDArray[np.uint8], mm_per_px: float) -> set[int]:
    """Return the edges of a graph that are creases, paper edges and other shading, and no ink."""
    if not graph.edges:
        return set()
    look = steepness(graph, dark, mm_per_px)
    length = np.array([e.length for e in graph.edges])
    known = np.isfinite(look.steep) & (length * mm_per_px > 2.0)
    if not known.any():
        return set()
    ink = _weighted_quantile(look.depth[known], length[known], _INK_QUANTILE)
    inked = known & (look.depth > 0.6 * ink)
    sharp = _weighted_quantile(look.steep[inked], length[inked], 0.5)
    faint = (look.depth < FAINT_SHARE * ink) & (look.steep < SOFT_SHARE * sharp)
    faint |= (look.depth < PALE_SHARE * ink) & (look.steep < SOFTEST_SHARE * sharp)
    faint &= np.isfinite(look.steep)
    if not faint.any():
        return set()
    out: set[int] = set()
    for stroke in find_strokes(graph, (), ()):
        mine = np.array(stroke.edges)
        share = float(length[mine][faint[mine]].sum() / max(1e-9, length[mine].sum()))
        if share > 0.6 and stroke.length * mm_per_px > LEAST_SHADE_MM:
            out.update(int(i) for i in mine if look.depth[i] < 0.7 * ink)
        elif stroke.length * mm_per_px > LEAST_SHADE_MM:
            out.update(int(i) for i in mine if faint[i] and length[i] * mm_per_px > LEAST_SHADE_MM)
    return out


def is_shade(points: NDArray[np.float64], dark: NDArray[np.uint8], ink_depth: float, mm_per_px: float) -> bool:
    """Return whether a lone line is hardly darker than the paper, or a step in its light: a crease, a paper's edge.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        Pixels of the mask.
    dark : ndarray of uint8
        Darkness of the picture, 255 for no light at all.
    ink_depth : float
        How dark the cutting lines are, 0..255.
    mm_per_px : float
    """
    top, sides = _light_across(points, dark, mm_per_px)
    return top < FAINTEST_SHARE * ink_depth or max(sides) - min(sides) > STEP_SHARE * top


def _light_across(
    points: NDArray[np.float64], dark: NDArray[np.uint8], mm_per_px: float
) -> tuple[float, tuple[float, float]]:
    """Return how dark a line is and how dark it is on both sides; all that is nothing where it is too short to tell."""
    if len(points) < 8:
        return 255.0, (0.0, 0.0)
    keep = np.linspace(0, len(points) - 1, min(len(points), _CUTS)).astype(int)
    way = points[np.minimum(keep + 4, len(points) - 1)] - points[np.maximum(keep - 4, 0)]
    way = way / np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)[:, None]
    reach = max(3, round(_REACH_MM / mm_per_px))
    offsets = np.arange(-reach, reach + 1)
    column = np.rint(points[keep, 0][:, None] - offsets * way[:, 1][:, None]).astype(np.int64)
    row = np.rint(points[keep, 1][:, None] + offsets * way[:, 0][:, None]).astype(np.int64)
    cut = np.median(dark[np.clip(row, 0, dark.shape[0] - 1), np.clip(column, 0, dark.shape[1] - 1)], axis=0)
    top = float(cut[reach - 1 : reach + 2].max())
    sides = float(np.median(cut[: reach // 2])), float(np.median(cut[-(reach // 2) :]))
    return top, sides


def _weighted_quantile(values: NDArray[np.float64], weights: NDArray[np.float64], share: float) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, share * total[-1])])
