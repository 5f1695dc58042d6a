"""Fitting a chain until it is adequate: pieces divided where they deviate, nodes taken out where they are needless."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.curves.chain import Chain
from tracer.curves.chain_fit import fit_chain, measure_chain
from tracer.curves.given import Given

_PIECE_PRICE = {"line": 7.0, "cubic": 14.0}
_CORNER_SHARE = 0.25
"""Taking out a node moves no corner by more than this share of how far it is rounded (our own choice)."""
_MOST_PIECES_THINNED = 40
"""Each try fits the whole outline again. Drawn pieces have fewer; a ragged edge (a torn leaf) would take minutes."""


def fit_until_adequate(chain: Chain, data: Given) -> None:
    """Fit; where a piece leaves a systematic deviation divide it, and keep that where it pays."""
    fit_chain(chain, data.points, data.weight, spacing_mm=data.spacing)
    chi, poor = _adequacy(chain, data)
    for _ in range(4):
        if not poor:
            break
        before, cost = chain.copy(), chi + _price(chain)
        for k in sorted(poor, reverse=True):
            _divide_piece(chain, k, data.points)
        fit_chain(chain, data.points, data.weight, spacing_mm=data.spacing)
        chi, poor = _adequacy(chain, data)
        if chi + _price(chain) >= cost:
            chain.restore(before)
            break
    _drop_needless_nodes(chain, data)


def _price(chain: Chain) -> float:
    return sum(_PIECE_PRICE[kind] for kind in chain.kinds)


def _adequacy(chain: Chain, data: Given) -> tuple[float, list[int]]:
    """Return the chi-square of the millimetre means, and the pieces with a systematic deviation."""
    total, poor = 0.0, []
    seen = data.seen.astype(np.float64)
    for k, (own, off, _) in enumerate(measure_chain(chain, data.points, seen, data.spacing)):
        if len(own) < 8:
            continue
        cell = max(1, min(round(1.0 / data.spacing), len(own) // 4))
        trust = ndimage.uniform_filter1d(data.trust[own], cell, mode="nearest")
        smooth = ndimage.uniform_filter1d(off * data.trust[own], cell, mode="nearest") / np.maximum(trust, 1e-12)
        smooth, trust = smooth[cell // 2 :: cell], trust[cell // 2 :: cell]
        length = len(own) * data.spacing
        squares = data.own[own][cell // 2 :: cell] * trust * smooth**2 / data.cell_sigma**2
        # A few millimetres of misreading must not call for a node: their share is bounded.
        chi = float(np.minimum(squares, 25.0 * max(float(squares.mean()), 1.0)).mean())
        total += chi * length
        beyond = np.abs(smooth) / data.allowed[own][cell // 2 :: cell]
        too_far = bool(np.sort(beyond)[-2:].min() > 0.9)
        if length > 3.0 and ((chi * length > 30 and chi > 2.0) or too_far):
            poor.append(k)
    return total, poor


def _drop_needless_nodes(chain: Chain, data: Given) -> None:
    """Take out smooth nodes between cubics one at a time where the whole then costs less."""
    if chain.pieces > _MOST_PIECES_THINNED:
        return
    tried: set[tuple[float, float]] = set()
    cost = _adequacy(chain, data)[0] + _price(chain)
    while chain.pieces > 2:
        choices = [
            k
            for k in range(len(chain.nodes))
            if not chain.free[k]
            and (chain.closed or 0 < k < len(chain.nodes) - 1)
            and chain.kinds[k - 1] == chain.kinds[k] == "cubic"
            and (round(float(chain.nodes[k, 0]), 1), round(float(chain.nodes[k, 1]), 1)) not in tried
        ]
        if not choices:
            return
        k = min(choices, key=lambda k: _kept_bend(chain, k))
        tried.add((round(float(chain.nodes[k, 0]), 1), round(float(chain.nodes[k, 1]), 1)))
        if _kept_bend(chain, k) > math.radians(100):
            return
        one_piece = _one_piece_that_might_do(chain, k, data)
        if one_piece is None:
            continue
        before = chain.copy()
        _remove_node(chain, k, one_piece)
        corners = chain.nodes[chain.reach > 0].copy()
        fit_chain(chain, data.points, data.weight, spacing_mm=data.spacing)
        now = _adequacy(chain, data)[0] + _price(chain)
        if now < cost and _deviates_within(chain, data) and _corners_stay(chain, corners, data):
            cost = now
        else:
            chain.restore(before)


def _corners_stay(chain: Chain, corners: NDArray[np.float64], data: Given) -> bool:
    """Tell whether the corners are where they were: no point holds them, since those near a corner do not count."""
    bent = chain.reach > 0
    moved = np.hypot(*(chain.nodes[bent] - corners).T)
    return bool((moved <= np.maximum(data.tolerance, _CORNER_SHARE * chain.reach[bent])).all())


def _one_piece_that_might_do(chain: Chain, k: int, data: Given) -> Chain | None:
    """Return the one cubic with free ends for the two at a node; None where none does: then none that is tied will."""
    total, n = len(data.points), len(chain.nodes)
    before, after = (k - 1) % n, chain.after(k)
    first, middle, last = (int(chain.places[j]) for j in (before, k, after))
    one, other = (middle - first) % total, (last - middle) % total
    own = (first + np.arange(one + other + 1)) % total
    part = replace(
        data,
        points=data.points[own],
        sigma=data.sigma[own],
        seen=data.seen[own],
        trust=data.trust[own],
        own=data.own[own],
        scatter=data.scatter[own],
    )

    def chain_of(nodes: list[int], places: list[int]) -> Chain:
        pieces = [before, k][: len(nodes) - 1]
        ends = [before, k] if len(nodes) == 3 else [k]
        return Chain(
            nodes=chain.nodes[nodes].copy(),
            free=np.ones(len(nodes), bool),
            places=np.array(places, dtype=np.intp),
            kinds=["cubic"] * (len(nodes) - 1),
            start_rad=chain.start_rad[pieces].copy(),
            end_rad=chain.end_rad[ends].copy(),
            start_log=chain.start_log[pieces].copy(),
            end_log=chain.end_log[ends].copy(),
            reach=chain.reach[nodes].copy(),
            closed=False,
        )

    apart = chain_of([before, k, after], [0, one, one + other])
    together = chain_of([before, after], [0, one + other])
    together.start_log += math.log((one + other) / max(one, 1))
    together.end_log += math.log((one + other) / max(other, 1))
    fit_chain(together, part.points, part.weight, spacing_mm=data.spacing, iterations=12)
    return together if _adequacy(together, part)[0] < _adequacy(apart, part)[0] + _PIECE_PRICE["cubic"] else None


def _deviates_within(chain: Chain, data: Given) -> bool:
    for own, off, _ in measure_chain(chain, data.points, data.seen.astype(np.float64), data.spacing):
        cell = max(1, min(round(1.0 / data.spacing), len(own)))
        if len(own) and bool((np.abs(ndimage.uniform_filter1d(off, cell, mode="nearest")) > data.allowed[own]).any()):
            return False
    return True


def _kept_bend(chain: Chain, k: int) -> float:
    """Return how far the direction turns over the two pieces at a node (one cubic must then take it all)."""
    before = (k - 1) % chain.pieces
    turn = 0.0
    for piece in (before, k):
        d = chain.end_rad[piece] - chain.start_rad[piece]
        turn += abs((d + math.pi) % (2 * math.pi) - math.pi)
    return turn


def _remove_node(chain: Chain, k: int, one_piece: Chain) -> None:
    """Take out a node; the piece that is left begins as the one cubic does that was fitted there."""
    before = (k - 1) % chain.pieces
    chain.nodes = np.delete(chain.nodes, k, axis=0)
    chain.free, chain.reach = np.delete(chain.free, k), np.delete(chain.reach, k)
    chain.places = np.delete(chain.places, k)
    chain.start_rad, chain.end_rad = np.delete(chain.start_rad, k), np.delete(chain.end_rad, k)
    chain.start_log, chain.end_log = np.delete(chain.start_log, k), np.delete(chain.end_log, k)
    del chain.kinds[k]
    merged = before if before < k else before - 1
    chain.start_rad[merged], chain.end_rad[merged] = one_piece.start_rad[0], one_piece.end_rad[0]
    chain.start_log[merged], chain.end_log[merged] = one_piece.start_log[0], one_piece.end_log[0]


def _divide_piece(chain: Chain, k: int, points: NDArray[np.float64]) -> None:
    """Turn a line into a cubic; cut a cubic in the middle of its points."""
    if chain.kinds[k] == "line":
        chain.kinds[k] = "cubic"
        seed_piece(chain, k, points, len(points))
        return
    total = len(points)
    first, last = int(chain.places[k]), int(chain.places[chain.after(k)])
    if chain.closed and last <= first:
        last += total
    if last - first < 16:
        return
    middle = ((first + last) // 2) % total
    control = chain.control(k)
    mid = (control[0] + 3 * control[1] + 3 * control[2] + control[3]) / 8
    ahead = control[3] + control[2] - control[1] - control[0]
    angle = math.atan2(ahead[1], ahead[0])
    chain.nodes = np.insert(chain.nodes, k + 1, mid, axis=0)
    chain.free = np.insert(chain.free, k + 1, False)
    chain.reach = np.insert(chain.reach, k + 1, 0.0)
    chain.places = np.insert(chain.places, k + 1, middle)
    chain.kinds.insert(k + 1, "cubic")
    half = math.log(0.5)
    handle = math.log(max(float(np.hypot(*ahead)) / 8, 1e-3))
    start, end = chain.start_log[k], chain.end_log[k]
    chain.start_rad = np.insert(chain.start_rad, k + 1, angle)
    chain.end_rad = np.insert(chain.end_rad, k, angle)
    chain.start_log = np.insert(chain.start_log, k + 1, handle)
    chain.end_log = np.insert(chain.end_log, k, handle)
    chain.start_log[k], chain.end_log[k + 1] = start + half, end + half


def seed_piece(chain: Chain, k: int, points: NDArray[np.float64], total: int) -> None:
    """Set directions and handles of a piece from the points along it."""
    first, last = int(chain.places[k]), int(chain.places[chain.after(k)])
    if chain.closed and last <= first:
        last += total
    own = points[np.arange(first, last + 1) % total].copy()
    own[0], own[-1] = chain.nodes[k], chain.nodes[chain.after(k)]
    length = float(np.hypot(*np.diff(own, axis=0).T).sum())
    chain.start_log[k] = chain.end_log[k] = math.log(max(length / 3, 1e-3))
    # Directions of the parabola through the ends and the points at an eighth and seven eighths.
    for at_start in (True, False):
        side = own if at_start else own[::-1]
        near = side[max(1, len(side) // 8)]
        far = side[max(1, len(side) // 4)]
        one, two = near - side[0], far - side[0]
        direction = 4 * one - two if len(side) >= 8 else side[-1] - side[0]
        if not at_start:
            direction = -direction
        angle = math.atan2(direction[1], direction[0])
        if at_start:
            chain.start_rad[k] = angle
        else:
            chain.end_rad[k] = angle
