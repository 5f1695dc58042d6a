"""Figures on the line of a frame, where the pages of a pattern are joined."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.search.graph import LineGraph, Points


def connected(graph: LineGraph, edges: Sequence[int]) -> list[list[int]]:
    """Return edges in groups that hang together."""
    group: dict[int, int] = {}

    def root(node: int) -> int:
        while group.setdefault(node, node) != node:
            node = group[node]
        return node

    for i in edges:
        group[root(graph.edges[i].start)] = root(graph.edges[i].end)
    out: dict[int, list[int]] = {}
    for i in edges:
        out.setdefault(root(graph.edges[i].start), []).append(i)
    return list(out.values())


def both_sides(turned: Points, sides: NDArray[np.float64], mm_per_px: float) -> bool:
    """Return whether a figure lies on both sides of one of a frame's lines."""
    apart = (turned[:, :, None] - sides[None]) * mm_per_px
    low, high = apart.min(axis=0), apart.max(axis=0)
    return bool(((low < -1.5) & (high > 1.5)).any())
