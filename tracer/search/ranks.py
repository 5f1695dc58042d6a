"""Which size each stretch of a bundle belongs to: its rank among the lines that run side by side.

Looked at straight across, a bundle shows every size once, in the order of grading: rank 0 innermost. Where the sizes
cross, the order behind the crossing is the reverse of that before it. So every place where all lines lie apart is a
reading of the whole order, and a line that would go on as its neighbour's contradicts it (that sizes grade one way
between crossings is common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, triu

from tracer.search.ends import unlike, unlike_all
from tracer.search.follow import Follower
from tracer.search.nesting import Nesting

Style = tuple[float, float, float]

_PIXEL_MM = 0.2
_EVERY_MM = 3.0
"""Long stretches are looked across at places this far apart."""
FAR_MM, ALONE_MM = 100.0, 22.0
"""Looked across a bundle so far; it ends where no line follows for so long (wider than a step of grading)."""
_LEAST_CHAIN_MM = 10.0
_COUNT_SHARE = 0.4
"""As many lines are sizes as are seen side by side so often, against the count seen most often (judgement)."""
_SURE, _SURE_COST, _FAR_WEIGHT = 0.7, 3.0, 0.1
_STYLE_WEIGHT, _LEAST_STYLED, _FEWEST_STYLED = 0.5, 0.3, 3
"""How much styles count against lines that go on from one place to another; where they agree hardly better one way
than the other (0 to 1), or fewer lines of both places have any, they tell nothing (judgement)."""
_LEAST_MM = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ranks:
    """How many sizes there are, and the rank of each single stretch, -1 where it is not known."""

    count: int
    of: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Readings:
    """Looks across the bundle: the stretches met, innermost first (R, n), and how much line each stands for, mm."""

    met: NDArray[np.int64]
    weight: NDArray[np.float64]


def find_ranks(follower: Follower, nesting: Nesting) -> Ranks | None:
    """Return the ranks of stretches; None where no place shows several lines side by side."""
    chains = follower.chains()
    whole, sure, runs = _groups(follower, chains)
    readings = _look_across(follower, nesting, chains, sure)
    if readings is None:
        return None
    turned = _turned(readings, sure, whole, [follower.style(run) for run in runs])
    count = readings.met.shape[1]
    votes = np.zeros((len(sure), count))
    rank = np.where(turned[:, None], np.arange(count)[::-1], np.arange(count))
    np.add.at(votes, (readings.met.ravel(), rank.ravel()), np.repeat(readings.weight, count))
    best = votes.argmax(axis=1)
    plain = (votes.max(axis=1) > 0) & (votes.max(axis=1) >= _SURE * votes.sum(axis=1))
    return Ranks(count=count, of=np.where(plain, best, -1))


def _groups(
    follower: Follower, chains: Sequence[Sequence[tuple[int, bool]]]
) -> tuple[NDArray[np.int64], NDArray[np.int64], list[list[tuple[int, bool]]]]:
    """Return for each stretch its chain, its run, and the runs: stretches that go on as each other without a doubt."""
    whole = np.full(len(follower.tracklets.single), -1)
    sure = whole.copy()
    runs: list[list[tuple[int, bool]]] = []
    for n, chain in enumerate(chains):
        runs.append([])
        for k, forwards in chain:
            whole[k], sure[k] = n, len(runs) - 1
            runs[-1].append((k, forwards))
            join = follower.partner.get((k, 1 if forwards else 0))
            if join is not None and (join.corner or join.cost > _SURE_COST):
                runs.append([])
    return whole, sure, runs


def _look_across(
    follower: Follower, nesting: Nesting, chains: Sequence[Sequence[tuple[int, bool]]], owner: NDArray[np.int64]
) -> _Readings | None:
    single = follower.tracklets.single
    scale = follower.mm_per_px
    small = _PIXEL_MM / scale
    height, width = follower.mask.shape
    lines: NDArray[np.int32] = np.zeros((int(height / small) + 3, int(width / small) + 3), np.int32)

    def draw(points: NDArray[np.float64], number: int) -> None:
        place = np.rint(points / small).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(lines, [place], isClosed=False, color=number, thickness=2)

    lengths = np.array([float(np.hypot(*np.diff(s.points, axis=0).T).sum()) for s in single]) * scale
    at, way, stands_for = [], [], []
    for chain in chains:
        if sum(lengths[k] for k, _ in chain) < _LEAST_CHAIN_MM:
            continue
        for k, forwards in chain:
            if single[k].shared:
                continue
            points = single[k].points
            join = follower.partner.get((k, 1 if forwards else 0))
            if join is not None and not join.corner:
                draw(join.points, k + 1)
            draw(points, k + 1)
            looks = max(1, round(lengths[k] / _EVERY_MM))
            reach = max(2, round(1.5 / scale))
            for n in range(looks):
                middle = int((n + 0.5) / looks * len(points))
                a, b = max(0, middle - reach), min(len(points) - 1, middle + reach)
                at.append(points[min(middle, len(points) - 1)])
                way.append(points[b] - points[a])
                stands_for.append(lengths[k] / looks)
    if not at:
        return None
    start, tangent = np.array(at), np.array(way)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    outwards = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    outwards[nesting.slope(start, outwards, 1.5 / scale) < 0] *= -1.0
    far = np.arange(-FAR_MM, FAR_MM + 1e-9, _PIXEL_MM)
    column, row = (
        np.rint((start[:, None] + far[None, :, None] / scale * outwards[:, None]) / small)
        .astype(np.int64)
        .transpose(2, 0, 1)
    )
    inside = (column >= 0) & (row >= 0) & (column < lines.shape[1]) & (row < lines.shape[0])
    hits = np.where(inside, lines[np.clip(row, 0, lines.shape[0] - 1), np.clip(column, 0, lines.shape[1] - 1)], 0)
    middle, gap = len(far) // 2, round(ALONE_MM / _PIXEL_MM)
    looks_seen: dict[int, list[tuple[list[int], float]]] = {}
    walks = zip(_walks(hits[:, middle::-1], gap, owner), _walks(hits[:, middle:], gap, owner), stands_for, strict=True)
    for inwards, outwards_met, length in walks:
        met = [*inwards[::-1], *outwards_met[1:]]
        if len(set(met)) == len(met) > 1:
            looks_seen.setdefault(len(met), []).append((met, length))
    if not looks_seen:
        return None
    often = {n: sum(w for _, w in seen) for n, seen in looks_seen.items()}
    count = max(n for n, w in often.items() if w >= _COUNT_SHARE * max(often.values()))
    seen = looks_seen[count]
    return _Readings(met=np.array([m for m, _ in seen]), weight=np.array([w for _, w in seen]))


def _walks(rays: NDArray[np.int32], gap: int, owner: NDArray[np.int64]) -> list[list[int]]:
    """Return the stretches that each ray meets one after another until there is no more for so many steps.

    ``rays`` (rays, steps) says which stretch is met at each step, counted from 1; 0 for none.
    """
    ray, step = np.nonzero(rays)
    first = np.diff(ray, prepend=-1) > 0
    ahead = np.diff(step, prepend=0)
    lost = np.cumsum(np.where(first, step, ahead) > gap)
    before = np.maximum.accumulate(np.where(first, np.arange(len(ray)), 0))
    # Whatever comes after the first long gap of its ray belongs to something else.
    far = lost - np.concatenate([[0], lost])[before] > 0
    ray, step = ray[~far], step[~far]
    met = rays[ray, step].astype(np.int64) - 1
    new = (np.diff(ray, prepend=-1) > 0) | (np.diff(step, prepend=0) > 1) | (np.diff(owner[met], prepend=-1) != 0)
    ends = np.searchsorted(ray[new], np.arange(1, len(rays)))
    return [part.tolist() for part in np.split(met[new], ends)]


def _turned(
    readings: _Readings, sure: NDArray[np.int64], whole: NDArray[np.int64], styles: Sequence[Style | None]
) -> NDArray[np.bool_]:
    """Return for each reading whether its order runs from the largest size to the smallest.

    Readings that share lines are turned against each other as these are; where they share none, their styles tell.
    """
    together, which = np.unique(sure[readings.met], axis=0, return_index=True, return_inverse=True)[1:]
    which = which.reshape(-1)
    weight = np.bincount(which, weights=readings.weight)
    unique = sure[readings.met[together]]
    count = unique.shape[1]
    near, far = _orders(unique), _orders(whole[readings.met[together]])
    alike = triu(near @ near.T + _FAR_WEIGHT * (far @ far.T) + _STYLE_WEIGHT * _styled(unique, styles), k=1).tocoo()
    root = np.arange(len(unique))
    turn = np.zeros(len(unique), dtype=bool)
    # A few looks past a corner meet lines of two sides: what many looks say of each other comes first.
    strength = np.abs(alike.data) * np.minimum(weight[alike.row], weight[alike.col])
    for n in np.argsort(-strength, kind="stable"):
        if alike.data[n] != 0:
            _unite(root, turn, int(alike.row[n]), int(alike.col[n]), bool(alike.data[n] < 0))
    # The largest group runs outwards as most of it does, and the others by their styles against it.
    groups = sorted(set(root.tolist()), key=lambda g: -float(weight[root == g].sum()))
    known: list[list[tuple[Style, float]]] = [[] for _ in range(count)]
    for g in groups:
        mine = np.flatnonzero(root == g)
        outwards = float(np.where(turn[mine], -weight[mine], weight[mine]).sum())
        evidence = [
            _as_styled(unique[mine], turn[mine] ^ t, weight[mine].tolist(), styles, known) for t in (False, True)
        ]
        backwards = evidence[1] > evidence[0] if abs(evidence[1] - evidence[0]) > 0.5 else outwards < 0
        turn[mine] ^= backwards
        for n in mine.tolist():
            for r, c in enumerate(unique[n][::-1] if turn[n] else unique[n]):
                style = styles[int(c)]
                if style is not None:
                    known[r].append((style, float(weight[n])))
    return np.asarray(turn[which])


def _styled(runs: NDArray[np.int64], styles: Sequence[Style | None]) -> NDArray[np.float64]:
    """Return for each two readings how much better their styles agree one way than turned, in pairs of lines (R, R)."""
    size = runs.shape[1]
    known = np.array([s is not None for s in styles])[runs]
    look = np.array([(1.0, 1.0) if s is None else s[:2] for s in styles])[runs]
    like = np.zeros((2, len(runs), len(runs)))
    both = like.copy()
    for n, order in enumerate((slice(None), slice(None, None, -1))):
        for a, b in zip(range(size), range(size)[order], strict=True):
            told = known[:, None, a] & known[None, :, b]
            like[n] += np.where(told, 1.0 - unlike_all(look[:, None, a], look[None, :, b]), 0.0)
            both[n] += told
    better = like[0] / np.maximum(both[0], 1) - like[1] / np.maximum(both[1], 1)
    told = (np.abs(better) > _LEAST_STYLED) & (both.min(axis=0) >= min(_FEWEST_STYLED, size))
    return np.where(told, better * size * (size - 1) / 2, 0.0)


def _orders(lines: NDArray[np.int64]) -> csr_array:
    """Return for each reading which of two lines lies farther out: 1 or -1 in a column for each pair of lines."""
    first, second = np.triu_indices(lines.shape[1], 1)
    a, b = lines[:, first], lines[:, second]
    pair = np.minimum(a, b) * (int(lines.max()) + 1) + np.maximum(a, b)
    _, column = np.unique(pair, return_inverse=True)
    # A line that is met twice tells nothing against the others.
    once = np.stack([(lines == lines[:, [k]]).sum(axis=1) == 1 for k in range(lines.shape[1])], axis=1)
    value = np.where(once[:, first] & once[:, second], np.where(a < b, 1.0, -1.0), 0.0).ravel()
    return csr_array((value, (np.repeat(np.arange(len(lines)), len(first)), column.reshape(-1))))


def _unite(root: NDArray[np.int64], turn: NDArray[np.bool_], a: int, b: int, against: bool) -> None:
    """Unite the groups of two readings, which run against each other or not."""
    if root[a] == root[b]:
        return
    flip = bool(turn[a]) ^ bool(turn[b]) ^ against
    moved = root == root[b]
    turn[moved] ^= flip
    root[moved] = root[a]


def _as_styled(
    unique: NDArray[np.int64],
    turn: NDArray[np.bool_],
    weight: Sequence[float],
    styles: Sequence[Style | None],
    known: Sequence[Sequence[tuple[Style, float]]],
) -> float:
    """Return how like readings are to what is known of each rank's style, 0 unlike to 1; 0 where nothing is."""
    total, norm = 0.0, 0.0
    for chains, t, w in zip(unique, turn, weight, strict=True):
        for r, c in enumerate(chains[::-1] if t else chains):
            style = styles[int(c)]
            if style is None or not known[r]:
                continue
            like = max(1.0 - unlike(style, s) for s, _ in known[r][:40])
            total += w * like
            norm += w
    return total / norm if norm > 0 else 0.0
