"""The grading of nested sizes fitted to their ink: all lines at once, where they are packed closer than a line is wide.

Every size's line is a middle line and its own step times how far one step moves it; both run smoothly between the
corners (grade rules, common practice). A single line of ink is where the line expected there runs; ink that is wider
is bounded by the outermost of the lines expected in it; no ink is without a line, and no line lies on bare paper for
longer than its own spaces. The lines are laid anew by least squares, time and again, with ever less room for what does
not agree. What was traced only shows the way at first: where lines are packed it was traced along the wrong ones.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.spatial import cKDTree

from tracer.search.pulls import Floats, Grain, Ink, Pull, between, pull_across
from tracer.search.turned import swing, turned_packs

_STATION_MM = 1.0
_ROUNDS = 18
_EVEN_MM, _EVEN_GRADING_MM = (5.0, 3.0), (40.0, 10.0)
"""The middle line and the grading follow no turns shorter than about this, in the first and the last round (judgement;
the grading changes slowly between corners, so that what is right where lines lie apart leads where they are packed)."""
_SEEN_STRAY_MM, _SEEN_FAR_MM, _SEEN_ALONG_MM = (1.0, 0.25), 2.5, 0.4
_CORNER_STRAY_MM, _CORNER_FAR_MM = (1.0, 0.4), 2.0
_TRUSTED = 2.2
"""What was traced counts less from round to round, and no more when so much less than the whole way is left."""
_CALM_ROUNDS = 3
_PACKED = 2.0
_AGAIN, _LEFT_MM, _BETTER_MM, _LOOK = 14, 1.5, 1.0, 8
"""So often the lines are laid anew between corners with more ink left without a line; taken if that leaves less."""
_BARE, _BENDS_MM, _SWINGS_MM = 0.3, 50.0, 20.0
"""What counts as much as ink without a line: bare paper under one (spaces are bare), the price of bends, and swings of
the grading (judgement)."""
_TURNED, _TURNED_BEGIN, _WORTH_MM, _TURNED_MM = 6, 0.3, 100.0, 1.0
"""Packs in reversed order are fitted in so many rounds that begin later on, where that leaves so much more unexplained
at first, and taken where it is so much better in the end (judgement)."""
_LEAST_TURN, _ARM = np.radians(20), (3, 9)
"""A corner at which the model turns less between such arms, in its places, is none."""


def fit_to_ink(
    model: Floats, steps: Floats, ranks: Sequence[int], count: int, heads: NDArray[np.int64], seen: Sequence[Floats],
    ink: Ink, corners: Sequence[Floats] = (),
) -> Floats:  # fmt: skip
    """Return the closed lines of all sizes as grading fits the ink, shape (count, M, 2), mm.

    Parameters
    ----------
    model : ndarray, shape (lines, N, 2)
        Where grading is expected to put the lines, mm.
    steps : ndarray, shape (lines,)
        The step of grading of each.
    ranks : sequence of int
        Which size each is, growing.
    count : int
        How many sizes there are, those among them that were not followed.
    heads : ndarray of int
        Which places of the model are corners.
    seen : sequence of ndarray, shape (K, 2)
        Where each line was seen by itself, mm.
    ink : Ink
    corners : sequence of ndarray, shape (C, 2)
        Where each line was traced round a corner, mm.
    """
    at, starts = _stations(model, _sharp(model, heads))
    share = _all_steps(2.0 * (steps - steps[0]) / (steps[-1] - steps[0]) - 1.0, ranks, count)
    design = np.stack([np.ones(len(ranks)), share[list(ranks)]], axis=1)
    # Columns: the middle line's x and y, and how far half the grading moves it.
    x = np.concatenate(np.linalg.lstsq(design, at.reshape(len(at), -1), rcond=None)[0].reshape(2, -1, 2), axis=1)
    smooth = _smoothness(len(x), starts)
    trees = [cKDTree(p) if len(p) else None for p in seen]
    turns = [cKDTree(p) if len(p) else None for p in corners]
    grain = Grain(ink, x[None, :, :2] + share[:, None, None] * x[None, :, 2:])

    def fit(x: Floats, share: Floats, trusted: float, rounds: int, begin: float = 0.0) -> tuple[Floats, Floats]:
        for n in range(rounds):
            t = between((begin, 1.0), n / (rounds - 1))
            pull = Pull(x, share, _ways(x, share, starts))
            pull_across(pull, starts, ink, t)
            grain.pull_without_line(pull, starts, t)
            grain.pull_off_paper(pull, t)
            trust = trusted * max(0.0, 1.0 - _TRUSTED * t)
            if trust > 0:
                _pull_to_traced(pull, starts, ranks, trees, turns, t, trust)
            x = pull.solved(smooth(t))
            if n > min(_CALM_ROUNDS, rounds // 4):
                share = share + 0.5 * pull.step_error()
                first, last = share[ranks[0]], share[ranks[-1]]
                share = 2.0 * (share - first) / (last - first) - 1.0
        return x, share

    start = x
    x, share = fit(x, share, 1.0, _ROUNDS)
    left = grain.without_line_mm(_lines(x, share))
    for corners_from in (start, None):
        # Where much ink is left lines that were traced along each other led astray: grading leads there from corners.
        again = _carried(x, x if corners_from is None else corners_from, share, starts, left, ink.width_mm)
        if again is None:
            continue
        other = fit(again, share, 0.0, _AGAIN)
        rest = grain.without_line_mm(_lines(*other))
        if rest.sum() < left.sum() - _BETTER_MM:
            (x, share), left = other, rest

    def unexplained_mm(x: Floats, share: Floats) -> float:
        lines = _lines(x, share)
        return float(grain.without_line_mm(lines).sum()) + _BARE * grain.bare_mm(lines)

    def price_mm(x: Floats, share: Floats, span: int) -> float:
        bends = float(x.ravel() @ (smooth(1.0) @ x.ravel()))
        return unexplained_mm(x, share) + _BENDS_MM * bends + _SWINGS_MM * swing(x, starts, span)

    for span in range(len(starts)):
        tried = list(turned_packs(x, share, starts, span, ink.width_mm))
        most = unexplained_mm(x, share) + _WORTH_MM if tried else 0.0
        tried = [y for y in tried if unexplained_mm(y, share) < most]
        if not tried:
            continue
        fits = [(x, share), *(fit(y, share, 0.0, _TURNED, _TURNED_BEGIN) for y in tried)]
        prices = [price_mm(*f, span) for f in fits]
        prices[0] -= _TURNED_MM
        x, share = fits[int(np.argmin(prices))]
    return _lines(x, share)


def _lines(x: Floats, share: Floats) -> Floats:
    return np.asarray(x[None, :, :2] + share[:, None, None] * x[None, :, 2:])


def _carried(
    x: Floats, start: Floats, share: Floats, starts: NDArray[np.int64], left: Floats, width_mm: float
) -> Floats | None:
    """Return the lines with the grading carried through packs in which much ink is left; None where none is.

    A pack is where the lines lie closer than they are wide, or hardly farther; it is crossed from corner to corner, or
    from where the lines part on one side to where they do on the other.
    """
    out = x.copy()
    size = len(x)
    for a, b in zip(starts, [*starts[1:], size + starts[0]], strict=True):
        at = np.arange(a, b + 1) % size
        line, moved = x[at, :2], x[at, 2:].copy()
        place, last = np.arange(len(at)), len(at) - 1
        way = line[np.minimum(place + _LOOK, last)] - line[np.maximum(place - _LOOK, 0)]
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        side = np.stack([-way[:, 1], way[:, 0]], axis=1)
        apart = np.abs((moved * side).sum(axis=1)) * float(np.median(np.diff(share)))
        packed = np.asarray(ndimage.binary_dilation(apart < _PACKED * width_mm, iterations=_LOOK))
        packed[[0, -1]] = False
        runs, count = ndimage.label(packed)
        for run in range(1, count + 1):
            inner = np.flatnonzero(runs == run)
            if left[at[inner[0] - 1 : inner[-1] + 2]].sum() < _LEFT_MM:
                continue
            ends = [inner[0] - 1, inner[-1] + 1]
            for end in ends:
                if end in (0, last):
                    out[at[end]] = start[at[end]]
                    moved[end] = start[at[end], 2:]
            out[at[inner], 2:] = sum(
                np.interp(inner, ends, (moved * axis).sum(axis=1)[ends])[:, None] * axis[inner] for axis in (way, side)
            )
    return out if np.any(out != x) else None


def _pull_to_traced(
    pull: Pull, starts: NDArray[np.int64], ranks: Sequence[int], trees: Sequence[cKDTree | None],
    turns: Sequence[cKDTree | None], t: float, trust: float,
) -> None:  # fmt: skip
    for k, tree in zip(ranks, trees, strict=True):
        if tree is None:
            continue
        far, which = tree.query(pull.lines[k])
        to = tree.data[which] - pull.lines[k]
        aside = (to * pull.normal[k]).sum(axis=1)
        near = (far < _SEEN_FAR_MM) & (np.abs((to * pull.along[k]).sum(axis=1)) < _SEEN_ALONG_MM)
        weight = trust * near / (1.0 + np.square(aside / between(_SEEN_STRAY_MM, t)))
        pull.add(k, pull.normal[k], aside, weight)
    for k, turn in zip(ranks, turns, strict=False):
        if turn is None:
            continue
        far, which = turn.query(pull.lines[k, starts])
        to = turn.data[which] - pull.lines[k, starts]
        weight = trust * (far < _CORNER_FAR_MM) / (1.0 + np.square(far / between(_CORNER_STRAY_MM, t)))
        for axis in (0, 1):
            way = np.zeros((len(starts), 2))
            way[:, axis] = 1.0
            pull.add_at(np.full(len(starts), k), starts, way, to[:, axis], weight)


def _sharp(model: Floats, heads: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the corners at which most lines really turn; all of them where that would leave none."""
    near, arm = _ARM
    count = model.shape[1]
    behind = model[:, (heads - near) % count] - model[:, (heads - arm) % count]
    ahead = model[:, (heads + arm) % count] - model[:, (heads + near) % count]
    turn = np.arctan2(behind[..., 0] * ahead[..., 1] - behind[..., 1] * ahead[..., 0], (behind * ahead).sum(axis=-1))
    sharp = heads[np.median(np.abs(turn), axis=0) > _LEAST_TURN]
    return sharp if len(sharp) else heads


def _stations(model: Floats, heads: NDArray[np.int64]) -> tuple[Floats, NDArray[np.int64]]:
    """Return the model's lines at even stations around, and which of these are the corners."""
    count = model.shape[1]
    middle = model.mean(axis=0)
    index: list[Floats] = []
    starts: list[int] = []
    for begin, stop in zip(heads, [*heads[1:], count + heads[0]], strict=True):
        way = np.take(middle, np.arange(begin, stop + 1), axis=0, mode="wrap")
        stations = max(4, round(float(np.hypot(*np.diff(way, axis=0).T).sum()) / _STATION_MM))
        starts.append(sum(map(len, index)))
        index.append(np.linspace(begin, stop, stations, endpoint=False))
    place = np.concatenate(index)
    near = np.floor(place).astype(np.int64)
    rest = (place - near)[None, :, None]
    return model[:, near % count] * (1.0 - rest) + model[:, (near + 1) % count] * rest, np.array(starts)


def _all_steps(known: Floats, ranks: Sequence[int], count: int) -> Floats:
    """Return the step of every size, between and beyond those that are known."""
    out = np.interp(np.arange(count), ranks, known)
    for end, inner, of in ((0, 1, range(ranks[0])), (-1, -2, range(ranks[-1] + 1, count))):
        slope = (known[inner] - known[end]) / (ranks[inner] - ranks[end])
        for rank in of:
            out[rank] = known[end] + slope * (rank - ranks[end])
    return np.asarray(out, dtype=np.float64)


def _smoothness(size: int, starts: NDArray[np.int64]) -> Callable[[float], sparse.csc_array]:
    """Return what bends cost in a round: all but those at corners."""
    inner = np.setdiff1d(np.arange(size), starts)
    row = np.arange(len(inner))
    column = np.concatenate([(inner - 1) % size, inner, (inner + 1) % size])
    second = sparse.coo_array(
        (np.repeat([1.0, -2.0, 1.0], len(inner)), (np.tile(row, 3), column)), shape=(len(inner), size)
    ).tocsc()
    bends = second.T @ second

    def price(t: float) -> sparse.csc_array:
        grading = np.exp(between((np.log(_EVEN_GRADING_MM[0]), np.log(_EVEN_GRADING_MM[1])), t))
        mm = [between(_EVEN_MM, t)] * 2 + [float(grading)] * 2
        return sparse.csc_array(sparse.kron(bends, sparse.diags_array([(v / _STATION_MM / 2.0) ** 4 for v in mm])))

    return price


def _ways(x: Floats, share: Floats, starts: NDArray[np.int64]) -> Floats:
    """Return which way the lines run at their stations, (sizes, stations, 2); at a corner the way on from it."""
    lines = x[None, :, :2] + share[:, None, None] * x[None, :, 2:]
    along = np.empty_like(lines)
    for a, b in zip(starts, [*starts[1:], len(x)], strict=True):
        size = b - a + 1
        part = lines[:, np.arange(a, b + 1) % len(x)]
        place = np.arange(size)
        way = part[:, np.minimum(place + 2, size - 1)] - part[:, np.maximum(place - 2, 0)]
        turn = np.unwrap(np.arctan2(way[..., 1], way[..., 0]), axis=1)
        # Right beside a corner the line itself may not yet lie right: its bend is carried on.
        trim = min(2, (size - 1) // 3)
        for side in (turn, turn[:, ::-1]):
            bend = (side[:, 2 * trim] - side[:, trim]) / max(trim, 1)
            side[:, :trim] = side[:, [trim]] - bend[:, None] * np.arange(trim, 0, -1)
        along[:, a:b] = np.stack([np.cos(turn), np.sin(turn)], axis=-1)[:, :-1]
    return along
