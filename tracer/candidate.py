"""Candidates: what the search for pieces hands to the sub-pixel outline.

The search works on coarse masks and knows what each thing is; the outline works on light and knows exactly where it is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from calibration.picture import PxPoints
from tracer.piece import CutNote, Mark

OutlineKind = Literal["drawn", "edge"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeReading:
    """Where an edge lies across an outline.

    Parameters
    ----------
    offset_px, sigma_px : ndarray, shape (N,)
        Outward along the normal of each point, and how well it is known, standard.
    known : ndarray of bool, shape (N,)
        False where nothing is told.
    hidden : ndarray of bool, shape (N,)
        True where what is seen is known to be something else than the edge.
    """

    offset_px: NDArray[np.float64]
    sigma_px: NDArray[np.float64]
    known: NDArray[np.bool_]
    hidden: NDArray[np.bool_]


class EdgeReader(Protocol):
    """Reads the edge of a thing where more is known of what lies around it than a profile across it tells."""

    def knows(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return at which points, (N, 2), it does."""

    def read(self, points: NDArray[np.float64], normals: NDArray[np.float64]) -> EdgeReading:
        """Read the edge at each point of a closed line along it, (N, 2), with normals away from the thing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughOutline:
    """A closed outline good to about the width of its line.

    Parameters
    ----------
    points_px : PxPoints
        Closed polygon, shape (N, 2), not repeated at the end, about one pixel apart or wider on straight stretches;
        along the middle of a drawn line or along the edge of a cut-out piece, to about half the line's width or 2 px.
    kind : {'drawn', 'edge'}
        A line drawn on paper, or the edge of a thing lying on a ground.
    line_width_px : float
        Width of the drawn line; 0 for an edge.
    colour_weights : ndarray, shape (3,)
        Weights on linear R, G, B (grey pictures: their sum on the grey value) such that the signal is *smaller* on the
        line than beside it (drawn), or smaller on the piece than on the ground beside it (edge).
    obscured : ndarray of bool, shape (N,)
        True where the line's own profile cannot be read near that point: bridged gaps, text over the line, notches,
        crossing lines. The outline is carried across from both sides there.
    bridged : ndarray of bool, shape (N,)
        True where no line is drawn at all (a gap was bridged); a subset of ``obscured``.
    reader : EdgeReader, optional
        Reads the edge better than from the picture alone, wherever it knows it.
    hole : bool
        Whether this is the edge of a hole in a cut-out piece: the piece lies outside of it.
    shade_coloured : bool
        Whether the piece has the colour of its ground in shade, so that a hard shadow cannot be told from it.
    beyond_px : tuple of float, optional
        x and y of a place at which the piece's own colour goes on beyond the outline in a way that is not followed, and
        how far it does at least.
    """

    points_px: PxPoints
    kind: OutlineKind
    line_width_px: float
    colour_weights: NDArray[np.float64]
    obscured: NDArray[np.bool_]
    bridged: NDArray[np.bool_]
    reader: EdgeReader | None = None
    hole: bool = False
    beyond_px: tuple[float, float, float] | None = None
    shade_coloured: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A pattern piece as the search found it: rough outline and holes in pixels, its marks in millimetres."""

    outline: RoughOutline
    holes: tuple[RoughOutline, ...] = ()
    marks: tuple[Mark, ...] = ()
    name: str = ""
    cut: CutNote = field(default_factory=CutNote)
    notes: tuple[str, ...] = ()
