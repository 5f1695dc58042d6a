"""Gaps in the lines of a vector page: dashes drawn one by one, and breaks in an outline.

Both are bridged and said. A gap between two straight dashes becomes straight; a break in an outline is carried across
from both sides, as a cubic Bezier curve that leaves and arrives in the line's own directions.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.segments import Segment
from tracer.vectors.lines import EXACT_MM, JOIN_MM, Style, VectorLine, join_ends, joined

GAP_MM = 6.0
"""The longest gap that is bridged (common practice, no source: a dashed line's gaps are 1 to 5 mm)."""

_DASH_MAX_MM = 15.0
_DASH_MIN_COUNT = 6
_DASH_MAX_COUNT = 8000
_CROWD = 4
_TURN_DEG = 35.0
_CORNER_GAP_MM = 3.0
_CORNER_TURN_DEG = 100.0
_LOOP_MIN_MM = 10.0
_STRAIGHT_MM = 0.002
_STRAIGHT_ON_DEG = 0.5

Chain = list[tuple[VectorLine, bool]]
"""Lines that follow one another; the flag says which run backwards."""


def join_by_style(lines: Sequence[VectorLine]) -> list[VectorLine]:
    """Join lines of one style: ends that coincide, ends within :data:`JOIN_MM`, single dashes, then broken outlines."""
    groups: dict[Style, list[VectorLine]] = defaultdict(list)
    out = []
    for line in lines:
        if line.closed:
            out.append(line)
        else:
            groups[line.style].append(line)
    for group in groups.values():
        chains = join_ends(join_ends(group, EXACT_MM), JOIN_MM)
        out.extend(bridge_breaks(link_dashes(chains)))
    return out


def link_dashes(lines: Sequence[VectorLine]) -> list[VectorLine]:
    """Link short lines that follow one another with small gaps, as dashes drawn one by one do.

    A dash has one neighbour at each end. Where many short lines lie close together they are hatching or small marks.
    """
    dashes = [line for line in lines if not line.closed and line.extent_mm[1] <= _DASH_MAX_MM]
    if not _DASH_MIN_COUNT <= len(dashes) <= _DASH_MAX_COUNT:
        return list(lines)
    out = [line for line in lines if line.closed or line.extent_mm[1] > _DASH_MAX_MM]
    for chain, closed in _chains(dashes):
        if len(chain) >= _DASH_MIN_COUNT:
            out.append(_linked(chain, closed=closed))
        else:
            out.extend(line for line, _ in chain)
    return out


def bridge_breaks(lines: Sequence[VectorLine]) -> list[VectorLine]:
    """Bridge breaks of up to 6 mm where that closes an outline; what stays open is left as it was."""
    broken = [line for line in lines if not line.closed and line.extent_mm[1] > _DASH_MAX_MM]
    if not broken:
        return list(lines)
    out = [line for line in lines if line.closed or line.extent_mm[1] <= _DASH_MAX_MM]
    for chain, closed in _chains(broken):
        loop = _linked(chain, closed=True) if closed else None
        if loop is not None and loop.extent_mm[0] >= _LOOP_MIN_MM:
            out.append(loop)
        else:
            out.extend(line for line, _ in chain)
    return out


def _ends_with_headings(lines: Sequence[VectorLine]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return both ends of each line (2N, 2) and the unit directions in which the line would go on from there."""
    ends = np.array([p for line in lines for p in (line.points[0], line.points[-1])])
    before = np.array([p for line in lines for p in (line.points[1], line.points[-2])])
    away = ends - before
    return ends, away / np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-9)[:, None]


def _mates(lines: Sequence[VectorLine]) -> dict[int, int]:
    """Pair ends across gaps, the best first: near, and each line going on towards the other."""
    ends, headings = _ends_with_headings(lines)
    pairs = cKDTree(ends).query_pairs(GAP_MM, output_type="ndarray")
    # Ends that meet others already are corners of a web, not ends across a gap.
    meeting = np.hypot(*(ends[pairs[:, 1]] - ends[pairs[:, 0]]).T) <= JOIN_MM
    met = np.zeros(len(ends), dtype=np.bool_)
    met[pairs[meeting].ravel()] = True
    crowd = np.bincount(pairs[pairs[:, 0] // 2 != pairs[:, 1] // 2].ravel(), minlength=len(ends))
    pairs = pairs[((crowd[pairs] <= _CROWD) & ~met[pairs]).all(axis=1)]
    gaps = ends[pairs[:, 1]] - ends[pairs[:, 0]]
    lengths = np.maximum(np.hypot(gaps[:, 0], gaps[:, 1]), 1e-9)
    towards = gaps / lengths[:, None]
    turn_a = np.degrees(np.arccos(np.clip((headings[pairs[:, 0]] * towards).sum(axis=1), -1, 1)))
    turn_b = np.degrees(np.arccos(np.clip(-(headings[pairs[:, 1]] * towards).sum(axis=1), -1, 1)))
    turn = np.maximum(turn_a, turn_b)
    fits = (turn <= _TURN_DEG) | ((lengths <= _CORNER_GAP_MM) & (turn <= _CORNER_TURN_DEG))
    cost = lengths + 0.1 * (turn_a + turn_b)
    mate: dict[int, int] = {}
    for k in np.argsort(cost):
        a, b = int(pairs[k, 0]), int(pairs[k, 1])
        if fits[k] and a not in mate and b not in mate:
            mate[a], mate[b] = b, a
    return mate


def _chains(lines: Sequence[VectorLine]) -> list[tuple[Chain, bool]]:
    """Return every line in a chain across gaps, and whether the chain closes on itself."""
    mate = _mates(lines)
    used: set[int] = set()
    out: list[tuple[Chain, bool]] = []
    # Chains with two ends first, each from one of its ends; rings begin anywhere.
    starts = [end for end in range(2 * len(lines)) if end not in mate]
    for end in [*starts, *range(0, 2 * len(lines), 2)]:
        if end // 2 in used:
            continue
        first = end // 2
        chain: Chain = []
        while True:
            used.add(end // 2)
            chain.append((lines[end // 2], bool(end % 2)))
            following = mate.get(end ^ 1)
            if following is None or following // 2 in used:
                out.append((chain, following is not None and following // 2 == first))
                break
            end = following
    return out


def _linked(chain: Chain, *, closed: bool) -> VectorLine:
    """Return one line of a chain, its gaps bridged."""
    line = joined(chain, closed=closed, bridged=True)
    segments: list[Segment] = []
    for segment in [*line.segments, *(line.segments[:1] if closed else ())]:
        if segments and np.abs(segment[0] - segments[-1][-1]).max() > 1e-9:
            segments.append(_bridge(segments[-1], segment))
        segments.append(segment)
    if closed:
        segments.pop()
    return replace(line, segments=tuple(_merge_straight(segments, closed=closed)))


def _bridge(before: Segment, after: Segment) -> Segment:
    """Return a line, or where the two sides do not point at each other a curve, from one segment to the next."""
    start, end = before[-1], after[0]
    gap = end - start
    length = float(np.hypot(*gap))
    out, into = before[-1] - before[-2], after[1] - after[0]
    out, into = out / max(float(np.hypot(*out)), 1e-9), into / max(float(np.hypot(*into)), 1e-9)
    turns = [np.degrees(np.arccos(np.clip(float(d @ gap) / max(length, 1e-9), -1, 1))) for d in (out, into)]
    if max(turns) <= _STRAIGHT_ON_DEG or max(turns) > _TURN_DEG:
        return np.array([start, end])
    return np.array([start, start + out * length / 3, end - into * length / 3, end])


def _merge_straight(segments: Sequence[Segment], *, closed: bool) -> list[Segment]:
    """Merge straight segments that lie on one line, as the dashes and gaps of a straight edge do."""
    out: list[Segment] = []
    for segment in segments:
        if out and _goes_straight_on(out[-1], segment):
            out[-1] = np.array([out[-1][0], segment[1]])
        else:
            out.append(segment)
    if closed and len(out) > 3 and _goes_straight_on(out[-1], out[0]):
        out[0] = np.array([out[-1][0], out[0][1]])
        out.pop()
    return out


def _goes_straight_on(before: Segment, after: Segment) -> bool:
    if len(before) != 2 or len(after) != 2:
        return False
    start, middle, end = before[0], after[0], after[1]
    way = end - start
    off = abs(float(way[0] * (middle - start)[1] - way[1] * (middle - start)[0])) / max(float(np.hypot(*way)), 1e-9)
    return off <= _STRAIGHT_MM and float((middle - start) @ way) > 0 and float((end - middle) @ way) > 0
