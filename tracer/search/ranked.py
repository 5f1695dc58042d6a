"""Closing the lines of sizes whose stretches are known by their ranks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from tracer.search.closing import (
    Network,
    Part,
    SizeLoop,
    alien_price,
    chain_parts,
    length_mm,
    loop_of,
    taut,
)
from tracer.search.follow import Follower
from tracer.search.ranks import Ranks

DOUBTFUL = 8.0
"""A join that costs more may be another size's (judgement)."""
DETOUR, OWN = 10.0, 0.4
"""How much dearer a way over another size's line is, and how much of its price one over its own costs."""


def close_ranks(follower: Follower, ranks: Ranks, least_mm: float, *, alike: float) -> list[SizeLoop]:
    """Return the closed loop of each rank that has a stretch of at least so much line, the smallest size first.

    Parameters
    ----------
    follower : Follower
        With its chains kept to the ranks.
    ranks : Ranks
    least_mm : float
    alike : float
        Styles less unlike than this are one.
    """
    assert follower.ranks is not None
    network = Network(follower)
    scale = follower.mm_per_px
    chains = follower.chains()
    parts = [_own_parts(follower, c) for c in chains]
    long = [length_mm(p, scale) for p in parts]
    styles = [follower.style(c) for c in chains]
    owner = {k: n for n, c in enumerate(chains) for k, _ in c}
    shared = [s.shared for s in follower.tracklets.single]
    loops: list[SizeLoop] = []
    for rank in range(ranks.count):
        mine = [n for n, c in enumerate(chains) if follower.ranks[c[0][0]] == rank and not shared[c[0][0]]]
        if not mine:
            continue
        n = max(mine, key=lambda n: long[n])
        if long[n] < least_mm:
            continue
        first = (chains[n][0][0], 0 if chains[n][0][1] else 1)
        last = (chains[n][-1][0], 1 if chains[n][-1][1] else 0)
        if last in follower.partner and follower.other(last) == first:
            loops.append(replace(loop_of(parts[n], frozenset([n]), 1.0), rank=rank))
            continue
        prices = []
        for way in network.ways:
            k = way.stretch
            if k < 0 or shared[k]:
                prices.append(0.0)
            elif follower.ranks[k] >= 0:
                prices.append(float(follower.ranks[k] != rank))
            else:
                prices.append(alien_price(styles[n], styles[owner[k]], None, None, 1.0, alike, claimed=False))
        factors = []
        for way, price in zip(network.ways, prices, strict=True):
            if way.stretch >= 0 and owner[way.stretch] == n:
                factors.append(math.inf)
            elif way.stretch >= 0 and follower.ranks[way.stretch] == rank:
                factors.append(OWN)
            else:
                factors.append(1.0 + DETOUR * price)
        back = network.cheapest(network.end_place[last], network.end_place[first], factors)
        if back is None:
            continue
        ring = list(parts[n])
        alien = 0.0
        for index, forwards in back:
            way = network.ways[index]
            k = way.stretch
            sure = k >= 0 and (shared[k] or bool(follower.ranks[k] == rank))
            points = way.points if forwards else way.points[::-1]
            ring.append(Part(points=points, kind=way.kind, white_mm=way.white_mm, sure=sure))
            alien += length_mm(ring[-1:], scale) * prices[index]
        share = 1.0 - alien / max(length_mm(ring, scale), 1e-6)
        loops.append(replace(loop_of(taut(ring, follower), frozenset(mine), share), rank=rank))
    return loops


def _own_parts(follower: Follower, chain: Sequence[tuple[int, bool]]) -> list[Part]:
    """Return a chain's stretches and joins in order; corners and doubtful joins were not seen as this line's own."""
    out = []
    at = -1
    for part in chain_parts(follower, chain):
        at += part.kind == "single"
        k, forwards = chain[at]
        if part.kind == "single":
            sure = True
        else:
            join = follower.partner[k, 1 if forwards else 0]
            sure = not join.corner and join.cost <= DOUBTFUL
        out.append(replace(part, sure=sure))
    return out
