"""Closing the lines of sizes to loops, over what they share with others.

Where several sizes share a line (the fold edge of a front) it is drawn once; most of them end on it. Their lines are
closed along the cheapest way over all line work, where the lines of other styles, and those that lie further in or
out, cost much.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from tracer.search.ends import End, State, straight, unlike
from tracer.search.follow import Follower
from tracer.search.graph import Points
from tracer.search.tracklets import Tracklet

ATTACH_MM = 3.5
"""A line that ends so close before another may end on it (the space of a dashed line)."""
LOOSE_MM = 6.0
"""Ends so near to each other may be joined any way round, at a price."""
SAME_LOOSE_MM, SAME_PRICE = 12.0, 1.2
"""The same for ends that are known to be one size's."""
PIECE_MM = 8.0
"""Long lines are priced in pieces of this length."""
_CONE = 0.5
WHITE_PRICE, LOOSE_PRICE, STEP_PRICE_MM = 3.0, 4.0, 0.3
PULL_MM, PULL_STEP_MM, PULL_BARE_MM = 8.0, 0.25, 0.08
"""Where lines share their ink, a way is pulled straight over so far at once; steps; and how much may be bare."""
DETOUR = 6.0
"""How much dearer a way over another size's line is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Way:
    """A piece of the network: two places, the points between, its stretch (-1 for a join), and what it is.

    ``kind`` is 'single', 'common', 'join' or 'link'.
    """

    places: tuple[int, int]
    points: Points
    stretch: int
    kind: str
    white_mm: float
    price_mm: float


class Network:
    """All line work as ways between places, with loose ends attached to what lies ahead of them."""

    def __init__(self, follower: Follower) -> None:
        self.follower = follower
        self.scale = follower.mm_per_px
        self.ways: list[Way] = []
        tracklets = follower.tracklets
        stretches = [*tracklets.single, *tracklets.common]
        self.first_common = len(tracklets.single)
        self.places = 1 + max((max(s.ends) for s in stretches), default=0)
        # Every end of a single stretch is a place of its own: through a node a line goes by a join or over what is
        # common.
        self.end_place: dict[End, int] = {}
        for k, s in enumerate(tracklets.single):
            for side in (0, 1):
                self.end_place[k, side] = s.ends[side]
        cuts = self._attachments(stretches)
        for k, s in enumerate(stretches):
            self._add(k, s, sorted(cuts.get(k, [])))
        for bend in tracklets.bends:
            if (bend.before, 1) not in follower.partner and (bend.after, 0) not in follower.partner:
                ends = (self.end_place[bend.before, 1], self.end_place[bend.after, 0])
                self._way(ends, bend.points, -1, "link", 0.0, 1.0)
        seen: set[int] = set()
        for join in follower.partner.values():
            if id(join) in seen:
                continue
            seen.add(id(join))
            self._way((self.end_place[join.a], self.end_place[join.b]), join.points, -1, "join", join.white_mm, 1.0)

    def _way(
        self, places: tuple[int, int], points: Points, stretch: int, kind: str, white_mm: float, factor: float
    ) -> None:
        long = float(np.hypot(*np.diff(points, axis=0).T).sum()) * self.scale
        price = factor * (long + WHITE_PRICE * white_mm) + STEP_PRICE_MM
        self.ways.append(
            Way(places=places, points=points, stretch=stretch, kind=kind, white_mm=white_mm, price_mm=price)
        )

    def _add(self, k: int, stretch: Tracklet, cuts: list[tuple[int, int]]) -> None:
        last = len(stretch.points) - 1
        kind = "single" if k < self.first_common else "common"
        if kind == "single":
            # Long stretches are priced piece by piece: a part of them may be what all sizes share.
            step = max(4, round(PIECE_MM / self.scale))
            known = {position for position, _ in cuts}
            for position in range(step, last - step // 2, step):
                if position not in known:
                    self.places += 1
                    cuts.append((position, self.places - 1))
        bounds = [(0, stretch.ends[0]), *sorted(cuts), (last, stretch.ends[1])]
        for (a, first), (b, second) in itertools.pairwise(bounds):
            self._way((first, second), stretch.points[a : b + 1], k if kind == "single" else -1, kind, 0.0, 1.0)

    def _attachments(self, stretches: Sequence[Tracklet]) -> dict[int, list[tuple[int, int]]]:
        """Attach free ends to what lies ahead, and to other free ends near; return where stretches are cut for it."""
        follower = self.follower
        free = [e for e in self.end_place if e not in follower.partner]
        cuts: dict[int, list[tuple[int, int]]] = {}
        if not free or not stretches:
            return cuts
        owner = np.concatenate([np.full(len(s.points), k) for k, s in enumerate(stretches)])
        spot = np.concatenate([np.arange(len(s.points)) for s in stretches])
        points = np.concatenate([s.points for s in stretches])
        tree = cKDTree(points)
        at = np.array([follower.state(e).at for e in free])
        for end, hits in zip(free, tree.query_ball_point(at, ATTACH_MM / self.scale), strict=True):
            state = follower.state(end)
            way = points[hits] - state.at
            far = np.hypot(*way.T)
            ahead = way @ state.heading
            good = (owner[hits] != end[0]) & (ahead > _CONE * far)
            if not good.any():
                continue
            cost = np.where(good, 2.0 * far - ahead, np.inf)
            best = int(np.argmin(cost))
            hit = hits[best]
            k, position = int(owner[hit]), int(spot[hit])
            place = self._place_on(stretches[k], k, position, cuts)
            link = np.linspace(state.at, points[hit], max(2, int(far[best]) + 1))
            self._way((self.end_place[end], place), link, -1, "link", follower.white_mm(link), 1.0)
        ranks = follower.ranks
        for i, j in cKDTree(at).query_pairs((LOOSE_MM if ranks is None else SAME_LOOSE_MM) / self.scale):
            same = ranks is not None and ranks[free[i][0]] == ranks[free[j][0]] >= 0
            if not same and float(np.hypot(*(at[i] - at[j]))) > LOOSE_MM / self.scale:
                continue
            link = _around_corner(follower.state(free[i]), follower.state(free[j]), LOOSE_MM / self.scale)
            white = follower.white_mm(link)
            places = (self.end_place[free[i]], self.end_place[free[j]])
            self._way(places, link, -1, "link", white, SAME_PRICE if same else LOOSE_PRICE)
        return cuts

    def _place_on(self, stretch: Tracklet, k: int, position: int, cuts: dict[int, list[tuple[int, int]]]) -> int:
        if position == 0:
            return stretch.ends[0]
        if position == len(stretch.points) - 1:
            return stretch.ends[1]
        for where, place in cuts.get(k, []):
            if where == position:
                return place
        self.places += 1
        cuts.setdefault(k, []).append((position, self.places - 1))
        return self.places - 1

    def cheapest(self, start: int, end: int, factors: Sequence[float]) -> list[tuple[int, bool]] | None:
        """Return the cheapest way between two places as ways and whether each is run forwards, None without any."""
        best: dict[tuple[int, int], tuple[float, int]] = {}
        for index, way in enumerate(self.ways):
            a, b = way.places
            if a == b:
                continue
            cost = way.price_mm * factors[index]
            key = (min(a, b), max(a, b))
            if math.isfinite(cost) and (key not in best or cost < best[key][0]):
                best[key] = (cost, index)
        if not best:
            return None
        rows, columns = np.array(list(best)).T
        weights = np.array([cost for cost, _ in best.values()])
        matrix = csr_array((weights, (rows, columns)), shape=(self.places, self.places))
        distance, before = dijkstra(matrix, directed=False, indices=[start], return_predecessors=True)
        if not np.isfinite(distance[0, end]):
            return None
        places = [end]
        while places[-1] != start:
            places.append(int(before[0, places[-1]]))
        steps = []
        for a, b in itertools.pairwise(places[::-1]):
            index = best[min(a, b), max(a, b)][1]
            steps.append((index, self.ways[index].places[0] == a))
        return steps


def _around_corner(a: State, b: State, most_px: float) -> Points:
    """Return the way between two ends: over the corner just ahead in which their lines meet, or straight."""
    span = b.at - a.at
    cross = float(a.heading[0] * b.heading[1] - a.heading[1] * b.heading[0])
    legs = [(a.at, b.at)]
    if abs(cross) > 0.25:
        ahead = float(span[0] * b.heading[1] - span[1] * b.heading[0]) / cross
        other = float(span[0] * a.heading[1] - span[1] * a.heading[0]) / cross
        if 0 < ahead < most_px and 0 < other < most_px:
            corner = a.at + ahead * a.heading
            legs = [(a.at, corner), (corner, b.at)]
    ways = [np.linspace(p, q, max(2, int(np.hypot(*(q - p))) + 1)) for p, q in legs]
    return np.concatenate([ways[0], *(w[1:] for w in ways[1:])])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """A part of a closed line: its points, what it is (as in :class:`Way`), how much of it is bare paper.

    ``sure`` where it was seen as this line's own, apart from others. ``told`` where the ink of all lines tells its
    course from any other; False where it leaves their order in doubt, None where that was not asked.
    """

    points: Points
    kind: str
    white_mm: float
    sure: bool = True
    told: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SizeLoop:
    """The closed line of a size: its parts in order, the chains that it runs over, and how much of it is its own.

    ``rank`` is which size it is, 0 the smallest, -1 where that is not known.
    """

    parts: tuple[Part, ...]
    chains: frozenset[int]
    own: float
    area: float
    rank: int = -1

    @property
    def points(self) -> Points:
        """The closed polygon."""
        return np.concatenate([p.points[:-1] for p in self.parts if len(p.points) > 1])


def chain_parts(follower: Follower, chain: Sequence[tuple[int, bool]]) -> list[Part]:
    """Return a chain's stretches and joins in order."""
    parts = []
    for n, (k, forwards) in enumerate(chain):
        points = follower.tracklets.single[k].points
        parts.append(Part(points=points if forwards else points[::-1], kind="single", white_mm=0.0))
        end = (k, 1 if forwards else 0)
        join = follower.partner.get(end)
        if join is not None and (n + 1 < len(chain) or follower.other(end) == (chain[0][0], 0 if chain[0][1] else 1)):
            way = join.points if join.a == end else join.points[::-1]
            parts.append(Part(points=way, kind="join", white_mm=join.white_mm))
    return parts


def length_mm(parts: Sequence[Part], scale: float) -> float:
    """Return the length of parts."""
    return sum(float(np.hypot(*np.diff(p.points, axis=0).T).sum()) for p in parts) * scale


def shoelace(points: NDArray[np.float64]) -> float:
    """Return the area of a closed polygon, without its sign."""
    x, y = points[:, 0], points[:, 1]
    return abs(float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()) / 2)


def close_chains(
    follower: Follower, least_mm: float, out_of: Callable[[Points], float | None], *, own_order: float, alike: float
) -> list[SizeLoop]:
    """Return the closed loops of all chains that are at least so long, the longest first.

    Parameters
    ----------
    follower : Follower
    least_mm : float
    out_of : callable
        Returns how far out a line lies (0 to 1), None where all lines run together.
    own_order : float
        Lines of one style that lie further in or out by this are another size's.
    alike : float
        Styles less unlike than this are one.
    """
    network = Network(follower)
    scale = follower.mm_per_px
    chains = follower.chains()
    parts = [chain_parts(follower, c) for c in chains]
    long = [length_mm(p, scale) for p in parts]
    styles = [follower.style(c) for c in chains]
    owner = {k: n for n, c in enumerate(chains) for k, _ in c}
    out = [out_of(np.concatenate([p.points for p in ps])) for ps in parts]
    shared = [s.shared for s in follower.tracklets.single]
    places = [
        out_of(way.points) if way.stretch >= 0 and not shared[way.stretch] else None for way in network.ways
    ]  # fmt: skip
    claimed: set[int] = set()
    loops: list[SizeLoop] = []
    for n in sorted(range(len(chains)), key=lambda n: -long[n]):
        chain = chains[n]
        if long[n] < least_mm or n in claimed or follower.tracklets.single[chain[0][0]].shared:
            continue
        first = (chain[0][0], 0 if chain[0][1] else 1)
        last = (chain[-1][0], 1 if chain[-1][1] else 0)
        if last in follower.partner and follower.other(last) == first:
            loops.append(loop_of(parts[n], frozenset([n]), 1.0))
            claimed.add(n)
            continue
        price = [
            0.0 if way.stretch < 0 else alien_price(
                styles[n], styles[owner[way.stretch]], out[n], places[index], own_order, alike,
                claimed=owner[way.stretch] in claimed,
            )
            for index, way in enumerate(network.ways)
        ]  # fmt: skip
        factors = [
            math.inf if way.stretch >= 0 and owner[way.stretch] == n else 1.0 + DETOUR * price[index]
            for index, way in enumerate(network.ways)
        ]
        back = network.cheapest(network.end_place[last], network.end_place[first], factors)
        if back is None:
            continue
        ring = list(parts[n])
        used = {n}
        alien = 0.0
        mine: dict[int, float] = {}
        for index, forwards in back:
            way = network.ways[index]
            ring.append(Part(points=way.points if forwards else way.points[::-1], kind=way.kind, white_mm=way.white_mm))
            if way.stretch >= 0:
                used.add(owner[way.stretch])
                long_mm = length_mm(ring[-1:], scale)
                alien += long_mm * price[index]
                if price[index] < 0.3:
                    mine[owner[way.stretch]] = mine.get(owner[way.stretch], 0.0) + long_mm
        loop = loop_of(taut(ring, follower), frozenset(used), 1.0 - alien / max(length_mm(ring, scale), 1e-6))
        loops.append(loop)
        claimed |= {n, *(other for other, share in mine.items() if share > 0.5 * long[other])}
    return loops


def taut(parts: Sequence[Part], follower: Follower) -> list[Part]:
    """Return parts with what lines share pulled straight within its ink: thinning goes to and fro in broad ink."""
    out: list[Part] = []
    for shared, group in itertools.groupby(parts, key=lambda p: p.kind in ("common", "link")):
        run = list(group)
        if not shared or not any(p.kind == "common" for p in run):
            out += run
            continue
        points = np.concatenate([run[0].points[:1], *(p.points[1:] for p in run)])
        way = pulled(points, follower)
        white = follower.white_mm(way)
        out.append(Part(points=way, kind="common", white_mm=white, sure=False))
    return out


def pulled(points: Points, follower: Follower) -> Points:
    """Return a way with every stretch cut short that a straight line through ink can replace."""
    step = max(1, round(PULL_STEP_MM / follower.mm_per_px))
    reach = max(2, round(PULL_MM / follower.mm_per_px / step))
    knots = points[[*range(0, len(points) - 1, step), len(points) - 1]]
    out = [knots[:1]]
    at = 0
    while at < len(knots) - 1:
        goal = at + 1
        for far in range(min(at + reach, len(knots) - 1), at + 1, -1):
            line = straight(knots[at], knots[far])
            bare = follower.white_mm(line)
            if bare < PULL_BARE_MM:
                goal = far
                break
        line = straight(knots[at], knots[goal])
        out.append(line[1:])
        at = goal
    return np.concatenate(out)


def alien_price(
    own: tuple[float, float, float] | None,
    style: tuple[float, float, float] | None,
    mine: float | None,
    place: float | None,
    own_order: float,
    alike: float,
    *,
    claimed: bool,
) -> float:
    """Return how surely a piece of line is another size's, 0 to 1, from its style and from how far out it lies."""
    apart = unlike(own, style) if own is not None and style is not None else 0.1
    if place is None:
        return min(apart, 0.08)
    known = own is not None and style is not None
    if (not known or apart < alike) and mine is not None:
        apart = max(apart, 0.9 * min(1.0, abs(place - mine) / own_order))
    return max(apart, 0.7) if claimed else apart


def loop_of(parts: Sequence[Part], chains: frozenset[int], own: float) -> SizeLoop:
    """Return the closed line of parts in order, those without length left out."""
    kept = tuple(p for p in parts if len(p.points) > 1)
    points = np.concatenate([p.points[:-1] for p in kept])
    return SizeLoop(parts=kept, chains=chains, own=own, area=shoelace(points))
