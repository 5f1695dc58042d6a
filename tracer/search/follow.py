"""Following lines that run together: which stretch of line goes on as which.

All free ends of stretches are joined at once, the surest first. What a join costs is how much a smooth pen would have
to bend on the way, beyond what patterns' curves bend anyway and what the ends' directions are unsure by, and how far
it would go over bare paper. A join grows the chain, and longer chains know their direction and their style better, so
that joins which were in doubt are settled by it. Where lines have run together over a long way, their bend is measured
against the way itself.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from tracer.search.ends import (
    LOOKS_MM,
    SIDE_MM,
    USUAL_WHITE_MM,
    End,
    Join,
    State,
    bending_cost,
    cross_of,
    end_state,
    hermite,
    signed_turn,
    signed_turn_between,
    straight,
    two_sides,
    unlike,
    white_price,
    without_tees,
)
from tracer.search.graph import Points
from tracer.search.tracklets import Tracklets, reached

REACH_MM = 6.5
"""Ends this far apart may face each other across a gap (the longest that is bridged, and what crossings hide)."""
LONGEST_WHITE_MM = 6.0
"""A pen leaves no more paper bare than this (spaces of dashes, dots that were taken for specks, cracks)."""
TOGETHER_MM = 160.0
"""Lines run together for no longer than this (judgement)."""
BENDING_APART, CHANGE_APART = 1.0 / 300.0, 1.0 / 40_000.0
"""The same for lines that run together, measured against each other (judgement)."""
DIRECT_MM = 28.0
"""Over longer ways that lines run together, bends are measured against the way (judgement)."""
SKIP_MM = 0.2
"""A stretch this close to a way all along lies on it."""
TURN_PRICE = 20.0
"""What the squared turns at both ends of a join cost, however unsure the directions are."""
_TURN_RAD = math.radians(55)
_ROUNDS = ((2.0, 3.0), (4.0, 2.5), (8.0, 2.0))
"""In each round: what a join may cost, and by how much dearer its rivals must be."""
MOST, MOST_TOGETHER = 14.0, 60.0
"""What a join may cost in the end, and one through ink in which several lines run together: all of them at once."""
STRAIGHT_ON, LEAST_SPACE_MM = 1.5, 0.4
"""A join that costs less, over so much bare paper at least, goes on straight behind a space (judgement)."""
STYLE_COST = 5.0
SAME_SIZE = 0.3
"""A join of two stretches that are known to be one size's costs so much of what it would (judgement)."""
LEAST_RUN_MM, LEAST_COST = 4.0, 1.0
CORNER_COST, CORNER_REACH_MM = 6.0, 3.5


@dataclass(slots=True, eq=False)
class Follower:
    """Joins the ends of stretches. ``mask`` is the ink; ``partner`` grows.

    ``ranks`` is for each stretch which size it is, -1 where that is not known; see :meth:`keep_to`.
    """

    tracklets: Tracklets
    mask: NDArray[np.uint8]
    mm_per_px: float
    partner: dict[End, Join] = field(default_factory=dict)
    ranks: NDArray[np.int64] | None = None
    _states: dict[End, State] = field(default_factory=dict)
    _by_way: dict[tuple[End, ...], State] = field(default_factory=dict)
    _ink: NDArray[np.uint8] = field(init=False)
    _middles: cKDTree = field(init=False)
    _lengths: list[float] = field(init=False)

    def __post_init__(self) -> None:
        single = self.tracklets.single
        self._middles = cKDTree(np.array([s.points[len(s.points) // 2] for s in single]).reshape(-1, 2))
        self._lengths = [float(np.hypot(*np.diff(s.points, axis=0).T).sum()) for s in single]
        self._ink = np.asarray(cv2.dilate(self.mask, np.ones((3, 3), np.uint8)), dtype=np.uint8)

    # -- chains ---------------------------------------------------------------------------------------------------
    def other(self, end: End) -> End | None:
        """Return the end that an end is joined to."""
        join = self.partner.get(end)
        if join is None:
            return None
        return join.b if join.a == end else join.a

    def _way_back(self, end: End, most_mm: float) -> tuple[End, ...]:
        """Return the stretches from an end back along its chain for so far or a little more, each by its nearer end."""
        out: list[End] = []
        left = most_mm / self.mm_per_px
        at: End | None = end
        seen: set[int] = set()
        while at is not None and left > 0 and at[0] not in seen:
            seen.add(at[0])
            out.append(at)
            left -= self._lengths[at[0]]
            at = self.other((at[0], 1 - at[1]))
            if at is not None and self.partner[at].corner:
                break
        return tuple(out)

    def _points(self, way: Sequence[End]) -> Points:
        points = (self.tracklets.single[k].points[:: -1 if side else 1] for k, side in way)
        return np.concatenate(list(points))

    def state(self, end: End) -> State:
        """Return where an end is and where it heads."""
        known = self._states.get(end)
        if known is None:
            # Most chains have not grown since they were looked at last.
            way = self._way_back(end, LOOKS_MM[0])
            known = self._by_way.get(way)
            if known is None:
                known = self._by_way[way] = end_state(self._points(way), self.mm_per_px)
            self._states[end] = known
        return known

    def chains(self) -> list[list[tuple[int, bool]]]:
        """Return the chains: stretches in order, and whether each is run forwards."""
        seen: set[int] = set()
        out = []
        count = len(self.tracklets.single)
        starts = [(k, s) for k in range(count) for s in (0, 1) if (k, s) not in self.partner]
        for start in (*starts, *((k, 0) for k in range(count))):
            at: End | None = start
            chain: list[tuple[int, bool]] = []
            while at is not None and at[0] not in seen:
                seen.add(at[0])
                chain.append((at[0], at[1] == 0))
                at = self.other((at[0], 1 - at[1]))
            if chain:
                out.append(chain)
        return out

    # -- joining --------------------------------------------------------------------------------------------------
    def run(self) -> None:
        """Join what can be joined."""
        self._keep_bends()
        for number, (most, margin) in enumerate(_ROUNDS):
            for _ in range(3):
                styles = self._styles() if number >= 1 else None
                joins = self._options(most + margin, styles)
                if not self._take(joins, most, margin):
                    break
        for _ in range(2):
            if not self._assign(self._options(MOST, self._styles(), MOST_TOGETHER)):
                break
        self._take(self._corners(), 11.0, 0.5)

    def _keep_bends(self) -> None:
        """Join the legs of sharp bends, but for those that go on straight behind a space: there another line ends."""
        best: dict[End, Join] = {}
        for join in sorted(self._options(STRAIGHT_ON, None), key=lambda j: j.cost):
            best.setdefault(join.a, join)
            best.setdefault(join.b, join)
        straight = {
            end for end, j in best.items()
            if best[j.a] is j and best[j.b] is j and LEAST_SPACE_MM < j.white_mm < USUAL_WHITE_MM
        }  # fmt: skip
        for bend in self.tracklets.bends:
            a, b = (bend.before, 1), (bend.after, 0)
            if a in straight or b in straight or not self._may_join(a, b):
                continue
            join = Join(a=a, b=b, cost=0.0, points=bend.points, white_mm=0.0, corner=True)
            self.partner[a] = self.partner[b] = join
        self._states.clear()

    def _may_join(self, a: End, b: End) -> bool:
        """Return whether a line may go on so: what all sizes share is no part of one size's own line."""
        if self.ranks is not None and min(self.ranks[a[0]], self.ranks[b[0]]) >= 0:
            return bool(self.ranks[a[0]] == self.ranks[b[0]])
        return self.tracklets.single[a[0]].shared == self.tracklets.single[b[0]].shared

    def _same(self, a: End, b: End) -> bool:
        """Return whether two ends are known to be of one size."""
        return self.ranks is not None and bool(self.ranks[a[0]] == self.ranks[b[0]] >= 0)

    def keep_to(self, ranks: NDArray[np.int64]) -> None:
        """Take chains apart where they go from one size's line to another's, and join what is left free anew.

        ``ranks`` is for each stretch which size it is, -1 where that is not known; in ``self.ranks`` it is carried
        along the chains.
        """
        lengths = np.array(self._lengths)
        for chain in self.chains():
            self._part(chain, ranks, lengths)
        self.ranks = self._carried(ranks, lengths)
        self._states.clear()
        for _ in range(2):
            if not self._assign(self._options(MOST, self._styles(), MOST_TOGETHER)):
                break
        self._take(self._corners(), 11.0, 0.5)
        self.ranks = self._carried(ranks, lengths)

    def _part(self, chain: Sequence[tuple[int, bool]], ranks: NDArray[np.int64], lengths: NDArray[np.float64]) -> None:
        runs: list[list[int]] = []
        known = [n for n, (k, _) in enumerate(chain) if ranks[k] >= 0]
        for n in known:
            if runs and ranks[chain[runs[-1][-1]][0]] == ranks[chain[n][0]]:
                runs[-1].append(n)
            else:
                runs.append([n])
        # A few millimetres that say otherwise than their surroundings were looked at across a crossing.
        long = [sum(lengths[chain[n][0]] for n in run) * self.mm_per_px for run in runs]
        runs = [r for r, mm in zip(runs, long, strict=True) if mm > LEAST_RUN_MM or len(runs) == 1]
        for one, two in itertools.pairwise(runs):
            if ranks[chain[one[-1]][0]] == ranks[chain[two[0]][0]]:
                continue
            ends = [(chain[n][0], 1 if chain[n][1] else 0) for n in range(one[-1], two[0])]
            worst = max((self.partner[e] for e in ends), key=lambda j: j.cost + LEAST_COST * (not j.corner))
            del self.partner[worst.a], self.partner[worst.b]

    def _carried(self, ranks: NDArray[np.int64], lengths: NDArray[np.float64]) -> NDArray[np.int64]:
        out = ranks.copy()
        for chain in self.chains():
            members = np.array([k for k, _ in chain])
            known = members[ranks[members] >= 0]
            if len(known):
                out[members] = int(np.bincount(ranks[known], weights=lengths[known]).argmax())
        return out

    def _take(self, joins: list[Join], most: float, margin: float) -> int:
        best: dict[End, list[float]] = {}
        for join in joins:
            for end in (join.a, join.b):
                best.setdefault(end, []).append(join.cost)
        for costs in best.values():
            costs.sort()
        taken = 0
        for join in sorted(joins, key=lambda j: j.cost):
            if join.cost > most:
                break
            if join.a in self.partner or join.b in self.partner:
                continue
            rivals = [c for end in (join.a, join.b) for c in best[end][:2] if c > join.cost]
            same = any(best[end][0] < join.cost for end in (join.a, join.b))
            if margin and (same or (rivals and min(rivals) < join.cost + margin)):
                continue
            self.partner[join.a] = self.partner[join.b] = join
            taken += 1
        if taken:
            self._states.clear()
        return taken

    def _free(self) -> list[End]:
        return [(k, s) for k in range(len(self.tracklets.single)) for s in (0, 1) if (k, s) not in self.partner]

    def _assign(self, joins: list[Join]) -> int:
        """Join all ends between which there is a choice at once, so that the sum of what it costs is least."""
        cheapest: dict[tuple[End, End], Join] = {}
        for join in sorted(joins, key=lambda j: -j.cost):
            cheapest[join.a, join.b] = join
        taken = 0
        for first, second in two_sides(list(cheapest.values())):
            unjoined = 1.5 * MOST_TOGETHER
            cost = np.full((len(first), len(second)), unjoined)
            for i, a in enumerate(first):
                for j, b in enumerate(second):
                    known = cheapest.get((a, b)) or cheapest.get((b, a))
                    if known is not None:
                        cost[i, j] = known.cost
            for i, j in np.transpose(linear_sum_assignment(cost)).tolist():
                if cost[i, j] < unjoined:
                    join = cheapest.get((first[i], second[j])) or cheapest[second[j], first[i]]
                    self.partner[join.a] = self.partner[join.b] = join
                    taken += 1
        if taken:
            self._states.clear()
        return taken

    def _options(
        self, most: float, styles: dict[int, tuple[float, float, float]] | None, together: float = 0.0
    ) -> list[Join]:
        """Return the joins of free ends that cost no more than ``most``, and ``together`` where lines run together."""
        ends = self._free()
        if len(ends) < 2:
            return []
        scale = self.mm_per_px
        states = [self.state(e) for e in ends]
        at = np.array([s.at for s in states]) * scale
        way = np.array([s.heading for s in states])
        sigma = np.array([s.sigma for s in states])
        pairs = cKDTree(at).query_pairs(REACH_MM, output_type="ndarray")
        i, j = pairs.T
        chord = at[j] - at[i]
        length = np.maximum(np.hypot(*chord.T), 0.05)
        p = signed_turn(chord, way[i])
        q = signed_turn(chord, -way[j])
        cost = bending_cost(p, q, length, np.hypot(sigma[i], sigma[j])) + TURN_PRICE * (p * p + q * q)
        good = (
            (np.abs(p) < _TURN_RAD)
            & (np.abs(q) < _TURN_RAD)
            & (cost < most / (1.0 if self.ranks is None else SAME_SIZE))
        )
        # Stretches that overlap a little (a crossing's bent ends) may point past each other.
        between = signed_turn_between(way[i], -way[j])
        middle = way[i] - way[j]
        aside = np.abs(chord[:, 0] * middle[:, 1] - chord[:, 1] * middle[:, 0]) / np.maximum(np.hypot(*middle.T), 1e-9)
        close = (length < 0.5) & (between < _TURN_RAD / 2) & (aside < 3.0 * SIDE_MM)
        cost = np.where(close & ~good, 0.5 + 4.0 * between + (aside / SIDE_MM) ** 2, cost)
        good |= close
        joins = []
        for k in np.flatnonzero(good):
            a, b = ends[int(i[k])], ends[int(j[k])]
            if not self._may_join(a, b):
                continue
            if a[0] == b[0] and self._lengths[a[0]] * scale < 30.0:
                continue
            points = hermite(states[int(i[k])], states[int(j[k])])
            white = self.white_mm(points)
            total = (float(cost[k]) + white_price(white)) * (SAME_SIZE if self._same(a, b) else 1.0)
            if white > LONGEST_WHITE_MM or total > most or self._skips(a, b, points):
                continue
            joins.append(Join(a=a, b=b, cost=total, points=points, white_mm=white))
        if styles:
            joins = [self._styled(j, styles) for j in joins]
        joins = [j for j in joins if j.cost <= most]
        if together:
            joins += [self._styled(j, styles or {}) for j in self._together(ends, together)]
        return joins

    def _skips(self, a: End, b: End, points: Points) -> bool:
        """Return whether a way runs along another stretch from end to end: a pen leaves out no part of its line."""
        long = float(np.hypot(*(points[-1] - points[0])))
        if long * self.mm_per_px < 0.8:
            return False
        near = SKIP_MM / self.mm_per_px
        for k in self._middles.query_ball_point((points[0] + points[-1]) / 2, long / 2):
            if k in (a[0], b[0]) or self._lengths[k] > 1.1 * long:
                continue
            other = self.tracklets.single[k].points
            three = other[[0, len(other) // 2, -1]]
            away = np.hypot(*(three[:, None] - points[None]).transpose(2, 0, 1)).min(axis=1)
            if (away < near).all():
                return True
        return False

    def white_mm(self, points: Points) -> float:
        """Return how much of a way lies on bare paper."""
        column, row = np.rint(points).astype(np.int64).T
        column, row = np.clip(column, 0, self._ink.shape[1] - 1), np.clip(row, 0, self._ink.shape[0] - 1)
        step = np.hypot(*np.diff(points, axis=0).T)
        bare = self._ink[row, column] == 0
        return float(step[bare[1:]].sum()) * self.mm_per_px

    def _together(self, ends: list[End], most: float) -> list[Join]:
        """Return joins of ends through stretches in which several lines run."""
        scale = self.mm_per_px
        places: dict[int, list[tuple[int, int]]] = {}
        for k, part in enumerate(self.tracklets.common):
            places.setdefault(part.ends[0], []).append((k, 0))
            places.setdefault(part.ends[1], []).append((k, 1))
        free: dict[int, list[End]] = {}
        for end in ends:
            free.setdefault(self.tracklets.single[end[0]].ends[end[1]], []).append(end)
        joins = []
        for end in ends:
            start = self.tracklets.single[end[0]].ends[end[1]]
            if start not in places:
                continue
            for goal, ways in reached(self.tracklets, places, start, TOGETHER_MM / scale):
                for other in free.get(goal, []):
                    if other <= end or other[0] == end[0] or not self._may_join(end, other):
                        continue
                    way = np.concatenate(ways)
                    long = float(np.hypot(*np.diff(way, axis=0).T).sum()) * scale
                    if long < REACH_MM:
                        continue
                    one, two = self.state(end), self.state(other)
                    cost = self._direct(one, two) if long < DIRECT_MM else self._apart(one, two, way, long)
                    if cost is None:
                        continue
                    cost *= SAME_SIZE if self._same(end, other) else 1.0
                    if cost > most:
                        continue
                    points = hermite(one, two) if long < DIRECT_MM else way
                    if self.white_mm(points) > 1.0:
                        points = way
                    joins.append(Join(a=end, b=other, cost=cost, points=points, white_mm=0.0))
        return joins

    def _direct(self, a: State, b: State) -> float | None:
        """Return what it costs to go from one end to another by a smooth curve."""
        chord = (b.at - a.at)[None] * self.mm_per_px
        p, q = signed_turn(chord, a.heading[None]), signed_turn(chord, -b.heading[None])
        if max(abs(p[0]), abs(q[0])) > _TURN_RAD:
            return None
        length = np.hypot(*chord.T)
        return float(bending_cost(p, q, length, np.array([math.hypot(a.sigma, b.sigma)]))[0])

    def _apart(self, a: State, b: State, way: Points, long_mm: float) -> float | None:
        """Return what it costs to go from one end to another along a way, measured against the way itself."""
        scale = self.mm_per_px
        cut = max(3, round(1.8 / scale))
        core = way[cut:-cut]
        look = max(4, round(2.0 / scale))
        if len(core) < 2 * look:
            return None
        first = core[0] - core[look]
        last = core[-1] - core[-1 - look]
        first, last = first / np.hypot(*first), last / np.hypot(*last)
        y_a = cross_of(-first, a.at - core[0]) * scale
        y_b = cross_of(last, b.at - core[-1]) * scale
        turn_a = float(signed_turn((-first)[None], a.heading[None])[0])
        turn_b = float(signed_turn(last[None], -b.heading[None])[0])
        if max(abs(turn_a), abs(turn_b)) > _TURN_RAD:
            return None
        slope = (y_b - y_a) / long_mm
        cost = bending_cost(
            np.array([turn_a - slope]), np.array([turn_b - slope]), np.array([long_mm]),
            np.array([math.hypot(a.sigma, b.sigma)]), BENDING_APART, CHANGE_APART,
        )  # fmt: skip
        return float(cost[0]) + long_mm / 80.0

    # -- style ----------------------------------------------------------------------------------------------------
    def _styles(self) -> dict[int, tuple[float, float, float]]:
        """Return for each stretch of a chain that is long enough its style: dash mm, share of ink, length."""
        out: dict[int, tuple[float, float, float]] = {}
        for chain in self.chains():
            style = self.style(chain)
            if style is not None:
                out |= {k: style for k, _ in chain}
        return out

    def style(self, chain: Sequence[tuple[int, bool]]) -> tuple[float, float, float] | None:
        """Return a chain's style: its longer dashes in mm (999 for a solid line), share of ink, length in mm."""
        scale = self.mm_per_px
        dashes, spaces = [0.0], []
        for k, forwards in chain:
            dashes[-1] += self._lengths[k] * scale
            join = self.partner.get((k, 1 if forwards else 0))
            if join is None:
                continue
            if join.white_mm > 0.5:
                spaces.append(join.white_mm)
                dashes.append(0.0)
            else:
                dashes[-1] += float(np.hypot(*(join.points[-1] - join.points[0]))) * scale
        total = sum(dashes) + sum(spaces)
        if not spaces:
            return (999.0, 1.0, total) if total > 16.0 else None
        if len(spaces) < 3:
            return None
        if total / len(spaces) > 60.0:
            return (999.0, 1.0, total)
        inner = dashes[1:-1] or dashes
        return (max(0.3, float(np.quantile(inner, 0.75))), sum(dashes) / total, total)

    def _styled(self, join: Join, styles: dict[int, tuple[float, float, float]]) -> Join:
        a, b = styles.get(join.a[0]), styles.get(join.b[0])
        extra = 0.0
        if a is not None and b is not None:
            extra = STYLE_COST * unlike(a, b)
        elif (a is not None or b is not None) and join.white_mm > 0.5:
            one = a or b
            assert one is not None
            extra = 2.0 * (one[0] > 900.0)
        return Join(a=join.a, b=join.b, cost=join.cost + extra, points=join.points, white_mm=join.white_mm)

    # -- corners --------------------------------------------------------------------------------------------------
    def _corners(self) -> list[Join]:
        """Return joins of free ends whose lines meet in a corner just ahead of both."""
        ends = self._free()
        if len(ends) < 2:
            return []
        scale = self.mm_per_px
        states = [self.state(e) for e in ends]
        styles = self._styles()
        joins = []
        at = np.array([s.at for s in states]) * scale
        for i, j in cKDTree(at).query_pairs(1.6 * CORNER_REACH_MM, output_type="ndarray"):
            a, b = states[int(i)], states[int(j)]
            cross = cross_of(a.heading, b.heading)
            if abs(cross) < 0.25 or ends[int(i)][0] == ends[int(j)][0] or float(a.heading @ b.heading) > 0.95:
                continue
            span = b.at - a.at
            ahead = np.array([cross_of(span, b.heading), cross_of(span, a.heading)]) / cross * scale
            if ahead.min() < -1.0 or ahead.max() > CORNER_REACH_MM:
                continue
            corner = a.at + ahead[0] / scale * a.heading
            points = np.concatenate([straight(a.at, corner), straight(corner, b.at)[1:]])
            white = self.white_mm(points)
            cost = CORNER_COST + 0.5 * float(np.abs(ahead).sum()) + white_price(white)
            cost *= SAME_SIZE if self._same(ends[int(i)], ends[int(j)]) else 1.0
            join = Join(a=ends[int(i)], b=ends[int(j)], cost=cost, points=points, white_mm=white, corner=True)
            joins.append((replace(self._styled(join, styles), corner=True), corner))
        joins_left = without_tees(joins, dict(zip(ends, states, strict=True)), 0.6 / scale)
        return [j for j in joins_left if self._may_join(j.a, j.b)]
