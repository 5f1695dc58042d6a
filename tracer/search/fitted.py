"""The grading of nested sizes fitted to their ink: all lines at once, where they are packed closer than a line is wide.

Every size's line is a middle line and its own step times how far one step moves it; both run smoothly between the
corners (grade rules, common practice). A single line of ink is where the line expected there runs; ink that is wider
is bounded by the outermost of the lines expected in it; no ink is without a line, and no line lies on bare paper for
longer than its own spaces. The lines are laid anew by least squares, time and again, with ever less room for what does
not agree. What was traced only shows the way at first: where lines are packed it was traced along the wrong ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from tracer.search.corners_anew import corners_anew
from tracer.search.grain import Grain
from tracer.search.pulls import Floats, Ink, Pull, between, pull_across, pull_in_order
from tracer.search.smooth import Smoothness
from tracer.search.stations import STATION_MM, all_steps, restationed, sharp, stations, ways
from tracer.search.turned import swing, turned_packs

_ROUNDS = 18
_SEEN_STRAY_MM, _SEEN_FAR_MM, _SEEN_ALONG_MM = (1.0, 0.25), 2.5, 0.4
_CORNER_STRAY_MM, _CORNER_FAR_MM = (1.0, 0.4), 2.0
_TRUSTED = 2.2
"""What was traced counts less from round to round, and no more when so much less than the whole way is left."""
_ORDER_UNTIL = 0.7
"""Until then lines are pulled to their own ink in the order of sizes; later to what is nearest."""
_CALM_ROUNDS = 3
_PACKED = 2.0
_AGAIN, _LEFT_MM, _BETTER_MM, _LOOK = 14, 1.5, 1.0, 8
"""The lines are laid so often anew between corners with more ink left without a line; taken if so much better."""
_BARE, _BENDS_MM, _SWINGS_MM, _CORNER_MM = 0.3, 50.0, 20.0, 15.0
"""What counts as much as ink without a line: bare paper under one (spaces are bare), the price of bends, swings of the
grading, and a corner more (judgement)."""
_TURNED, _TURNED_BEGIN, _WORTH_MM = 6, 0.3, 150.0
_POLISHED, _POLISHED_BEGIN, _NEAR_MM = 8, 0.1, 80.0
"""Packs in reversed order are fitted in so many rounds that begin later on, where that leaves so much more unexplained
at first, and in more where it is so much worse at most then (judgement)."""
_TOLD_MM, _AROUND, _LEFT_SHARE, _ASTRAY_SHARE = 8.0, 9, 0.05, 0.1
"""A course is told from others that are so much worse, where of the ink of so many stations no larger share is without
a line; it is in doubt where a larger one still is (judgement)."""
_MOST_ANEW, _NEXT = 4, 3
"""So many corners at most are laid anew; a little ink lies nearest to the station beside its own."""
_OTHER_MM = 0.8
"""Lines that lie no farther aside of each other than this are laid the same way."""
_BACK, _BESIDE = -0.94, 2
"""Cosine of 160 degrees: no line turns back so far at a corner, seen so many stations before and behind it (judgement:
the tips of darts do, and do so however many corners there are)."""
_ONE_CORNER = 20
"""Corners so few stations apart may be one that was traced in two places (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """Lines of nested sizes, laid by their grading.

    ``x`` (stations, 4) is the middle line and how far half the grading moves it, mm; ``share`` is each size's step from
    -1 to 1; ``starts`` are the stations at corners.
    """

    x: Floats
    share: Floats
    starts: NDArray[np.int64]

    @property
    def lines(self) -> Floats:
        """All sizes' lines, (sizes, stations, 2), mm."""
        return np.asarray(self.x[None, :, :2] + self.share[:, None, None] * self.x[None, :, 2:])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """Closed lines of all sizes (count, M, 2), mm, and at which of their places (M,) they are told from other courses.

    Where they are ``doubtful`` another order explains the ink about as well, or much of it is left without a line.
    """

    lines: Floats
    told: NDArray[np.bool_]
    doubtful: NDArray[np.bool_]


def fit_to_ink(
    model: Floats, steps: Floats, ranks: Sequence[int], count: int, heads: NDArray[np.int64], seen: Sequence[Floats],
    ink: Ink, corners: Sequence[Floats] = (),
) -> Fitted:  # fmt: skip
    """Return the closed lines of all ``count`` sizes as grading fits the ink.

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
    at, starts = stations(model, sharp(model, heads))
    share = all_steps(2.0 * (steps - steps[0]) / (steps[-1] - steps[0]) - 1.0, ranks, count)
    design = np.stack([np.ones(len(ranks)), share[list(ranks)]], axis=1)
    # Columns: the middle line's x and y, and how far half the grading moves it.
    x = np.concatenate(np.linalg.lstsq(design, at.reshape(len(at), -1), rcond=None)[0].reshape(2, -1, 2), axis=1)
    start = Laid(x=x, share=share, starts=starts)
    fitter = Fitter(start, ink, ranks, seen, corners)
    laid = fitter.fit(start, _ROUNDS, trusted=1.0)
    laid = fitter.carried(laid, start)
    laid = fitter.with_corners_anew(laid)
    laid = fitter.turned(laid)
    fewer = fitter.with_fewer_corners(laid)
    if fewer is not laid:
        laid = fitter.turned(fitter.with_corners_anew(fewer))
    return fitter.told(laid)


class Fitter:
    """Fits lines to the ink, and tries what no least squares lead to.

    ``ranks`` are the sizes that were followed, of which the first and the last keep their steps; where those were
    ``seen`` by themselves, and led round ``corners``, counts as much as is trusted.
    """

    def __init__(
        self,
        start: Laid,
        ink: Ink,
        ranks: Sequence[int] = (0, -1),
        seen: Sequence[Floats] = (),
        corners: Sequence[Floats] = (),
    ) -> None:
        self.ranks, self.ink = ranks, ink
        self.seen = [cKDTree(p) if len(p) else None for p in seen]
        self.corners = [cKDTree(p) if len(p) else None for p in corners]
        self.grain = Grain(ink, start.lines)

    def fit(self, laid: Laid, rounds: int, *, trusted: float = 0.0, begin: float = 0.0) -> Laid:
        """Return the lines laid anew in so many rounds; ``trusted`` is what was traced counts at first."""
        x, share, starts = laid.x, laid.share, laid.starts
        smooth = Smoothness(len(x), starts)
        for n in range(rounds):
            t = between((begin, 1.0), n / (rounds - 1))
            pull = Pull(x, share, ways(x, share, starts))
            pull_across(pull, starts, self.ink, t)
            if t < _ORDER_UNTIL:
                pull_in_order(pull, starts, self.ink)
            self.grain.pull_without_line(pull, starts, t)
            self.grain.pull_off_paper(pull, starts, t)
            trust = trusted * max(0.0, 1.0 - _TRUSTED * t)
            if trust > 0:
                _pull_to_traced(pull, starts, self.ranks, self.seen, self.corners, t, trust)
            x = smooth.solved(pull, t)
            if n > min(_CALM_ROUNDS, rounds // 4):
                share = share + 0.5 * pull.step_error()
                first, last = share[self.ranks[0]], share[self.ranks[-1]]
                share = 2.0 * (share - first) / (last - first) - 1.0
        return Laid(x=x, share=share, starts=starts)

    def carried(self, laid: Laid, start: Laid) -> Laid:
        """Return the lines with packs crossed from corner to corner where that explains more.

        Where much ink is left lines that were traced along each other led astray: grading leads there from corners.
        """
        left = self.grain.without_line_mm(laid.lines)
        for corners_from in (start.x, None):
            again = _carried(
                laid.x, laid.x if corners_from is None else corners_from, laid.share, laid.starts, left,
                self.ink.width_mm,
            )  # fmt: skip
            if again is None:
                continue
            other = self.fit(replace(laid, x=again), _AGAIN)
            if self.price_mm(other) < self.price_mm(laid) - _BETTER_MM:
                laid, left = other, self.grain.without_line_mm(other.lines)
        return laid

    def with_corners_anew(self, laid: Laid) -> Laid:
        """Return the lines with corners laid anew at which they arrived astray, where that explains more."""
        for _ in range(_MOST_ANEW):
            left = ndimage.uniform_filter1d(self.grain.without_line_mm(laid.lines), _NEXT, mode="wrap")
            for x, starts in corners_anew(laid.x, laid.starts, left / (STATION_MM * len(laid.share))):
                even, corners = restationed(x, starts)
                other = self.fit(replace(laid, x=even, starts=corners), _AGAIN)
                most = self.price_mm(laid) - _BETTER_MM
                if len(corners) < len(laid.starts) and self.price_mm(other) > most:
                    # Between corners that were one after all no pack could be told to be the other way round.
                    other = self.turned(other)
                if self.price_mm(other) < most:
                    laid = other
                    break
            else:
                break
        return laid

    def turned(self, laid: Laid) -> Laid:
        """Return the lines with packs in reversed order where that explains more and swings less."""
        self.margins_mm = np.full(len(laid.starts), np.inf)
        for span in range(len(laid.starts)):
            packs = turned_packs(laid.x, laid.share, laid.starts, span, self.ink.width_mm)
            tried = [replace(laid, x=y) for y in packs]
            most = self.unexplained_mm(laid) + _WORTH_MM if tried else 0.0
            tried = [self.fit(y, _TURNED, begin=_TURNED_BEGIN) for y in tried if self.unexplained_mm(y) < most]
            most = self.price_mm(laid) + _NEAR_MM if tried else 0.0
            tried = [y for y in tried if self.price_mm(y) < most]
            if tried:
                fits = sorted(map(self.polished, [laid, *tried]), key=self.price_mm)
                laid = fits[0]
                others = [self.price_mm(f) for f in fits if _aside_mm(f, laid) > _OTHER_MM]
                self.margins_mm[span] = min(others, default=np.inf) - self.price_mm(laid)
        return laid

    def polished(self, laid: Laid) -> Laid:
        """Return the lines laid a little farther, if that is better."""
        return min(laid, self.fit(laid, _POLISHED, begin=_POLISHED_BEGIN), key=self.price_mm)

    def with_fewer_corners(self, laid: Laid) -> Laid:
        """Return the lines without one of two corners close to each other where one explains the ink as well."""
        for fewer in _fewer_corners(laid):
            other = self.fit(fewer, _AGAIN)
            if self.price_mm(other) < self.price_mm(laid) and not (_turns_back(other) and not _turns_back(laid)):
                laid = other
        return laid

    def told(self, laid: Laid) -> Fitted:
        """Return the lines, with where they are told from other courses by the ink that each explains."""
        lines, starts = laid.lines, laid.starts
        span = np.searchsorted(starts, np.arange(len(laid.x)), side="right") - 1
        left = ndimage.uniform_filter1d(self.grain.without_line_mm(lines), _AROUND, mode="wrap")
        share = left / (STATION_MM * len(lines))
        doubtful = (self.margins_mm[span] < _TOLD_MM) | (share > _ASTRAY_SHARE)
        return Fitted(lines=lines, told=(share < _LEFT_SHARE) & ~doubtful, doubtful=doubtful)

    def unexplained_mm(self, laid: Laid) -> float:
        """Return how much ink is without a line, and paper under one, as length of line."""
        lines = laid.lines
        return float(self.grain.without_line_mm(lines).sum()) + _BARE * self.grain.bare_mm(lines)

    def price_mm(self, laid: Laid) -> float:
        """Return what is unexplained, with what bends, swings and corners count as."""
        x, starts = laid.x, laid.starts
        bends = Smoothness(len(x), starts).bends(x, 1.0)
        swings = sum(swing(x, starts, span) for span in range(len(starts)))
        return self.unexplained_mm(laid) + _BENDS_MM * bends + _SWINGS_MM * swings + _CORNER_MM * len(starts)


def _aside_mm(one: Laid, two: Laid) -> float:
    """Return how far the lines lie aside of each other at most."""
    way = ways(two.x, two.share, two.starts)
    off = one.lines - two.lines
    return float(np.abs(off[..., 0] * way[..., 1] - off[..., 1] * way[..., 0]).max())


def _turns_back(laid: Laid) -> bool:
    """Return whether any line runs back along itself at a corner: one that is beyond where its sides meet."""
    lines, at = laid.lines, laid.starts
    into = lines[:, at] - lines[:, at - _BESIDE]
    out_of = lines[:, (at + _BESIDE) % lines.shape[1]] - lines[:, at]
    long = np.hypot(*into.transpose(2, 0, 1)) * np.hypot(*out_of.transpose(2, 0, 1))
    return bool(((into * out_of).sum(axis=-1) < _BACK * long).any())


def _fewer_corners(laid: Laid) -> Iterator[Laid]:
    """Yield the lines without one or the other of corners that are close to each other, at even stations."""
    starts = laid.starts
    if len(starts) < 3:
        return
    ahead = np.diff([*starts, len(laid.x) + starts[0]])
    for k in np.flatnonzero(ahead <= _ONE_CORNER):
        for drop in (k, (k + 1) % len(starts)):
            x, fewer = restationed(laid.x, np.delete(starts, drop))
            yield replace(laid, x=x, starts=fewer)


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
    aside, weight = np.zeros(pull.lines.shape[:2]), np.zeros(pull.lines.shape[:2])
    for k, tree in zip(ranks, trees, strict=True):
        if tree is None:
            continue
        far, which = tree.query(pull.lines[k], distance_upper_bound=_SEEN_FAR_MM)
        found = np.flatnonzero(np.isfinite(far))
        to = tree.data[np.asarray(which)[found]] - pull.lines[k, found]
        aside[k, found] = (to * pull.normal[k, found]).sum(axis=1)
        weight[k, found] = trust * (np.abs((to * pull.along[k, found]).sum(axis=1)) < _SEEN_ALONG_MM)
    pull.add(pull.normal, aside, weight / (1.0 + np.square(aside / between(_SEEN_STRAY_MM, t))))
    for k, turn in zip(ranks, turns, strict=False):
        if turn is None:
            continue
        far, which = turn.query(pull.lines[k, starts])
        to = turn.data[which] - pull.lines[k, starts]
        price = trust * (far < _CORNER_FAR_MM) / (1.0 + np.square(far / between(_CORNER_STRAY_MM, t)))
        for axis in (0, 1):
            way = np.zeros((len(starts), 2))
            way[:, axis] = 1.0
            pull.add_at(np.full(len(starts), k), starts, way, to[:, axis], price)
