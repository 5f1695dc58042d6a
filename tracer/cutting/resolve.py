"""Loops taken out of a closed chain: what stays is the edge of the region it goes round at least once.

The chain is cut wherever it crosses itself, and each stretch is kept when its inner side has a positive winding
number and its outer side none; the stretches kept are joined up again. This is how the raw parallel of an outline,
with its loops at tight inner curves, becomes an outline (the rule is that of Chen and McMains 2005, "Polygon
offsetting by computing winding numbers"). Convention: positive area, clockwise on screen, the inside on the right of
the direction of travel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.crossing import cut_at, self_crossings, winding_number
from tracer.errors import CutListError
from tracer.path import Path
from tracer.segments import Segment, derivative, end_direction, evaluate, start_direction

Labelled = list[tuple[Segment, str]]
"""Segments with the names of the edges they belong to, in order of travel."""

_PROBE_MM = 2e-5
_NODE_MM = 1e-5
_DUST_MM2 = 1e-4
_SPUR_MM = 0.01


def _nodes(points: NDArray[np.float64]) -> NDArray[np.intp]:
    """Number the points so that those within 1e-5 mm of each other share a number."""
    order = np.argsort(points[:, 0], kind="stable")
    number = np.full(len(points), -1, dtype=np.intp)
    next_number = 0
    for a, i in enumerate(order):
        if number[i] >= 0:
            continue
        number[i] = next_number
        for j in order[a + 1 :]:
            if points[j, 0] - points[i, 0] > _NODE_MM:
                break
            if number[j] < 0 and abs(points[j, 1] - points[i, 1]) <= _NODE_MM:
                number[j] = next_number
        next_number += 1
    return number


def _turn(before: Segment, after: Segment) -> float:
    a, b = end_direction(before), start_direction(after)
    return math.atan2(float(a[0] * b[1] - a[1] * b[0]), float(a @ b))


def _with_ends(segment: Segment, start: NDArray[np.float64], end: NDArray[np.float64]) -> Segment:
    out = segment.copy()
    out[0], out[-1] = start, end
    return out


def resolved(chain: Labelled) -> list[Labelled]:
    """Return the simple closed loops round the region where the winding number of a closed chain is positive.

    Outer loops have positive area, holes negative; none when nothing is left.

    Raises
    ------
    CutListError
        When the stretches kept do not join up (numerically degenerate outlines).
    """
    segments = [s for s, _ in chain]
    hits = self_crossings(segments)
    if not hits:
        return [chain] if Path(tuple(segments)).signed_area > _DUST_MM2 else []
    cuts = [(c.i, c.t) for c in hits] + [(c.j, c.u) for c in hits]
    parts = cut_at(segments, cuts)
    kept: Labelled = []
    middles: list[NDArray[np.float64]] = []
    for index, part in parts:
        middle, direction = evaluate(part, 0.5), derivative(part, 0.5)
        size = float(np.hypot(*direction))
        if size < 1e-9 or float(np.hypot(*(part[-1] - part[0]))) + float(np.hypot(*(middle - part[0]))) < _NODE_MM:
            continue
        outward = np.array([direction[1], -direction[0]]) / size
        if winding_number(segments, middle - _PROBE_MM * outward) <= 0:
            continue
        if winding_number(segments, middle + _PROBE_MM * outward) > 0:
            continue
        if any(float(np.abs(m - middle).max()) < _NODE_MM for m in middles):
            continue
        kept.append((part, chain[index][1]))
        middles.append(middle)
    return _joined(kept) if kept else []


def _without_spurs(parts: Labelled, starts: list[int], stops: list[int]) -> list[int]:
    """Indices of the parts that go on at both ends.

    Where two parallels cross at a very small angle, what lies beyond the crossing is too near to be told from the
    outline; such a spur leads nowhere.
    """
    kept = list(range(len(parts)))
    while True:
        begun, ended = {starts[k] for k in kept}, {stops[k] for k in kept}
        spurs = [
            k
            for k in kept
            if (stops[k] not in begun or starts[k] not in ended)
            and float(np.hypot(*(parts[k][0][-1] - parts[k][0][0]))) < _SPUR_MM
        ]
        if not spurs:
            return kept
        kept = [k for k in kept if k not in spurs]


def _joined(parts: Labelled) -> list[Labelled]:
    ends = np.concatenate([np.array([s[0] for s, _ in parts]), np.array([s[-1] for s, _ in parts])])
    number = _nodes(ends)
    places = {int(n): ends[int(np.flatnonzero(number == n)[0])] for n in set(number.tolist())}
    starts, stops = number[: len(parts)].tolist(), number[len(parts) :].tolist()
    kept = _without_spurs(parts, starts, stops)
    leaving: dict[int, list[int]] = {}
    for k in kept:
        leaving.setdefault(starts[k], []).append(k)
    unused = set(kept)
    loops: list[Labelled] = []
    while unused:
        first = min(unused)
        walk = [first]
        unused.discard(first)
        while stops[walk[-1]] != starts[first]:
            here = stops[walk[-1]]
            choices = [k for k in leaving.get(here, []) if k in unused]
            if not choices:
                raise CutListError(
                    f"the outline could not be closed near ({places[here][0]:.2f}, {places[here][1]:.2f}) mm; "
                    "move a point there or choose another width"
                )
            # The sharpest turn towards the inside keeps loops that only touch apart.
            chosen = max(choices, key=lambda k: _turn(parts[walk[-1]][0], parts[k][0]))
            walk.append(chosen)
            unused.discard(chosen)
        loop = [(_with_ends(parts[k][0], places[starts[k]], places[stops[k]]), parts[k][1]) for k in walk]
        if abs(Path(tuple(s for s, _ in loop)).signed_area) > _DUST_MM2:
            loops.append(loop)
    return loops


def outer_and_holes(loops: Sequence[Labelled]) -> tuple[list[Labelled], list[Labelled]]:
    """Part loops into outer ones (largest first) and holes."""
    area = [Path(tuple(s for s, _ in loop)).signed_area for loop in loops]
    outer = sorted((k for k in range(len(loops)) if area[k] > 0), key=lambda k: -area[k])
    return [loops[k] for k in outer], [loops[k] for k in range(len(loops)) if area[k] < 0]
