"""Random closed pieces for tests: lines and cubics, convex or not, always simple."""

from __future__ import annotations

import math

import numpy as np

from tracer.path import Path
from tracer.piece import Fit, Piece


def random_outline(rng: np.random.Generator, *, size_mm: float | None = None) -> Path:
    """Return a star-shaped outline of 4 to 10 nodes with straight and curved stretches."""
    size = size_mm if size_mm is not None else float(rng.uniform(20, 400))
    nodes = int(rng.integers(4, 11))
    angles = np.sort(np.arange(nodes) * 2 * math.pi / nodes + rng.uniform(-0.2, 0.2, nodes))
    radii = size / 2 * rng.uniform(0.6, 1.0, nodes)
    points = np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=1) + size
    segments = []
    for i in range(nodes):
        a, b = points[i], points[(i + 1) % nodes]
        if rng.uniform() < 0.5:
            segments.append(np.array([a, b]))
        else:
            out = np.array([b[1] - a[1], a[0] - b[0]]) * rng.uniform(-0.15, 0.15)
            segments.append(np.array([a, a + (b - a) / 3 + out, a + (b - a) * 2 / 3 + out, b]))
    return Path(tuple(segments)).oriented()


def random_piece(rng: np.random.Generator, number: int, *, size_mm: float | None = None) -> Piece:
    """Return a piece with a random outline."""
    return Piece(
        id=f"p{number}",
        name=f"Shape {number}",
        sheet="s1",
        outline=random_outline(rng, size_mm=size_mm),
        expanded_uncertainty_mm=0.1,
        fit=Fit(max_mm=0.05, p95_mm=0.02, rms_mm=0.01),
    )
