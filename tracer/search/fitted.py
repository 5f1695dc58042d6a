"""The grading of nested sizes fitted to their ink: all lines at once, where they are packed closer than a line is wide.

Every size's line is a middle line and its own step times how far one step moves it; both run smoothly between the
corners (grade rules, common practice). A single line of ink is where the line expected there runs; ink that is wider
is bounded by the outermost of the lines expected in it. The lines are laid anew by least squares, time and again, with
ever less room for ink and traced lines that do not agree.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import spsolve
from scipy.spatial import cKDTree

_STATION_MM, _ACROSS_MM, _FAR_MM = 1.0, 0.03, 3.0
_ROUNDS = 24
_EVEN_MM, _EVEN_GRADING_MM = 3.0, 10.0
"""The middle line and the grading follow no turns that are shorter than about this (judgement)."""
_HOLD = 0.02
_REACH_MM, _STRAY_MM, _SEEN_STRAY_MM = (2.2, 0.5), (0.8, 0.12), (1.0, 0.25)
"""How far ink is looked for, and from where ink and traced lines count less, in the first and in the last round."""
_SEEN_FAR_MM, _SEEN_ALONG_MM = 2.5, 0.4
_LIGHT_MM, _MOST_LIGHT_MM, _LIGHT_STEPS = 0.09, 1.0, 1.5
"""Light that parts ink; in the first round so many steps of grading do not, where the lines lie close."""
_ONE_LINE, _BESIDE_MM, _INWARDS = 1.45, 0.25, 0.15
"""Ink no wider than so many lines is one; a border farther in may be another size's where a line has a space."""
_CALM_ROUNDS = 3
_EXTENDED_MM, _LEAST_SINE, _NEAR_CORNER, _FADE = 4.0, 0.25, 9, 5

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ink:
    """The ink (uint8, non-zero where dark), the size of its pixels, and how wide one line is, mm."""

    mask: NDArray[np.uint8]
    mm_per_px: float
    width_mm: float


def fit_to_ink(
    model: Floats, steps: Floats, ranks: Sequence[int], count: int, heads: NDArray[np.int64], seen: Sequence[Floats],
    ink: Ink,
) -> Floats:  # fmt: skip
    """Return the closed lines of sizes as grading fits the ink, shape (lines, M, 2), mm.

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
    """
    at, starts = _stations(model, heads)
    share = _all_steps(2.0 * (steps - steps[0]) / (steps[-1] - steps[0]) - 1.0, ranks, count)
    design = np.stack([np.ones(len(ranks)), share[list(ranks)]], axis=1)
    # Columns: the middle line's x and y, and how far half the grading moves it.
    x = np.concatenate(np.linalg.lstsq(design, at.reshape(len(at), -1), rcond=None)[0].reshape(2, -1, 2), axis=1)
    smooth = _smoothness(len(x), starts)
    trees = [cKDTree(p) if len(p) else None for p in seen]
    for n in range(_ROUNDS):
        t = n / (_ROUNDS - 1)
        pull = _Pull(x, share)
        lines, along, normal = pull.lines, *_ways(x, share, starts)
        for target, weight in _inked(lines, normal, share, x, starts, ink, t):
            pull.add(normal, target, 0.5 * weight)
        for k, tree in zip(ranks, trees, strict=True):
            if tree is None:
                continue
            far, which = tree.query(lines[k])
            to = tree.data[which] - lines[k]
            aside = (to * normal[k]).sum(axis=1)
            near = (far < _SEEN_FAR_MM) & (np.abs((to * along[k]).sum(axis=1)) < _SEEN_ALONG_MM)
            pull.add_one(k, normal[k], aside, near / (1.0 + np.square(aside / _between(_SEEN_STRAY_MM, t))))
        x = pull.solved(smooth)
        if n > _CALM_ROUNDS:
            share = share + 0.5 * pull.step_error()
            first, last = share[ranks[0]], share[ranks[-1]]
            share = 2.0 * (share - first) / (last - first) - 1.0
    lines = x[None, :, :2] + share[list(ranks), None, None] * x[None, :, 2:]
    return np.stack([_joined(line, starts) for line in lines])


class _Pull:
    """Least squares for where the lines lie: how far each station of each is pulled across itself."""

    def __init__(self, x: Floats, share: Floats) -> None:
        self.x, self.share = x, share
        self.lines: Floats = x[None, :, :2] + share[:, None, None] * x[None, :, 2:]
        self.matrix = np.zeros((len(x), 4, 4))
        self.right = np.zeros((len(x), 4))
        self.more, self.norm = np.zeros(len(share)), np.ones(len(share))

    def add(self, normal: Floats, target: Floats, weight: Floats) -> None:
        for k in range(len(self.share)):
            self.add_one(k, normal[k], target[k], weight[k])

    def add_one(self, k: int, normal: Floats, target: Floats, weight: Floats) -> None:
        row = np.concatenate([normal, self.share[k] * normal], axis=1)
        self.matrix += weight[:, None, None] * row[:, :, None] * row[:, None, :]
        self.right += (weight * (target + (row * self.x).sum(axis=1)))[:, None] * row
        moved = (normal * self.x[:, 2:]).sum(axis=1)
        self.more[k] += float((weight * moved * target).sum())
        self.norm[k] += float((weight * moved * moved).sum())

    def solved(self, smooth: sparse.csc_array) -> Floats:
        size = len(self.x)
        place = 4 * np.arange(size)[:, None, None]
        zero = np.zeros((1, 4, 4), dtype=np.int64)
        row, column = place + np.arange(4)[None, :, None] + zero, place + np.arange(4)[None, None] + zero
        data = sparse.coo_array((self.matrix.ravel(), (row.ravel(), column.ravel())), shape=(4 * size, 4 * size))
        whole = sparse.csc_array(data.tocsc() + smooth + _HOLD * sparse.eye_array(4 * size))
        return np.asarray(spsolve(whole, self.right.ravel() + _HOLD * self.x.ravel())).reshape(size, 4)

    def step_error(self) -> Floats:
        return self.more / self.norm


def _between(ends: tuple[float, float], t: float) -> float:
    return ends[0] * (1.0 - t) + ends[1] * t


def _stations(model: Floats, heads: NDArray[np.int64]) -> tuple[Floats, NDArray[np.int64]]:
    """Return the model's lines at even stations, each span with both its ends, and where the spans start."""
    count = model.shape[1]
    index: list[Floats] = []
    starts: list[int] = []
    for begin, stop in zip(heads, [*heads[1:], count + heads[0]], strict=True):
        step = float(np.hypot(*np.diff(np.take(model, np.arange(begin, stop), axis=1, mode="wrap").mean(axis=0),
                                       axis=0).T).mean()) if stop - begin > 1 else 0.0  # fmt: skip
        stations = max(4, round((stop - begin) * step / _STATION_MM))
        starts.append(sum(map(len, index)))
        index.append(np.linspace(begin, stop, stations + 1))
    near = np.rint(np.concatenate(index)).astype(np.int64) % count
    return model[:, near], np.array(starts)


def _all_steps(known: Floats, ranks: Sequence[int], count: int) -> Floats:
    """Return the step of every size, between and beyond those that are known."""
    out = np.interp(np.arange(count), ranks, known)
    for end, inner, of in ((0, 1, range(ranks[0])), (-1, -2, range(ranks[-1] + 1, count))):
        slope = (known[inner] - known[end]) / (ranks[inner] - ranks[end])
        for rank in of:
            out[rank] = known[end] + slope * (rank - ranks[end])
    return np.asarray(out, dtype=np.float64)


def _smoothness(size: int, starts: NDArray[np.int64]) -> sparse.csc_array:
    inner = np.concatenate([np.arange(a + 1, b - 1) for a, b in itertools.pairwise([*starts, size])])
    row = np.arange(len(inner))
    second = sparse.coo_array(
        (np.repeat([1.0, -2.0, 1.0], len(inner)), (np.tile(row, 3), np.concatenate([inner - 1, inner, inner + 1]))),
        shape=(len(inner), size),
    ).tocsc()
    price = [(mm / _STATION_MM / 2.0) ** 4 for mm in (_EVEN_MM, _EVEN_MM, _EVEN_GRADING_MM, _EVEN_GRADING_MM)]
    return sparse.csc_array(sparse.kron(second.T @ second, sparse.diags_array(price)))


def _ways(x: Floats, share: Floats, starts: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return which way the lines run at their stations, and across, both (sizes, stations, 2)."""
    lines = x[None, :, :2] + share[:, None, None] * x[None, :, 2:]
    along = np.empty_like(lines)
    for a, b in itertools.pairwise([*starts, len(x)]):
        place = np.arange(b - a)
        part = lines[:, a:b]
        way = part[:, np.minimum(place + 2, b - a - 1)] - part[:, np.maximum(place - 2, 0)]
        turn = np.unwrap(np.arctan2(way[..., 1], way[..., 0]), axis=1)
        # Right beside a corner the line itself may not yet lie right: its bend is carried on.
        trim = min(2, (b - a - 1) // 3)
        for side in (turn, turn[:, ::-1]):
            bend = (side[:, 2 * trim] - side[:, trim]) / max(trim, 1)
            side[:, :trim] = side[:, [trim]] - bend[:, None] * np.arange(trim, 0, -1)
        along[:, a:b] = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    return along, np.stack([-along[..., 1], along[..., 0]], axis=-1)


def _inked(
    lines: Floats, normal: Floats, share: Floats, x: Floats, starts: NDArray[np.int64], ink: Ink, t: float
) -> list[tuple[Floats, Floats]]:
    """Return how far across the ink pulls each station of each line, mm, and how much: by single lines, by borders."""
    far = np.arange(-_FAR_MM, _FAR_MM + 1e-9, _ACROSS_MM)
    count, reach = len(far), _between(_REACH_MM, t)
    column, row = (
        np.rint((lines[:, :, None] + far[:, None] * normal[:, :, None]) / ink.mm_per_px)
        .astype(np.int64)
        .transpose(3, 0, 1, 2)
    )
    high, wide = ink.mask.shape
    inside = (column >= 0) & (row >= 0) & (column < wide) & (row < high) & (np.abs(far) < reach + 1.0)
    dark = inside & (ink.mask[np.clip(row, 0, high - 1), np.clip(column, 0, wide - 1)] > 0)
    moved = (x[None, :, 2:] * normal).sum(axis=2)
    apart = np.abs(moved) * float(np.median(np.diff(share)))
    light = _between((1.0, 0.0), t) * np.clip(_LIGHT_STEPS * apart, _LIGHT_MM, _MOST_LIGHT_MM) + t * _LIGHT_MM
    light = np.where(apart > 0.9 * _MOST_LIGHT_MM, _LIGHT_MM, light)
    place = np.arange(count)
    before = np.maximum.accumulate(np.where(dark, place, -(10**6)), axis=-1)
    behind = np.minimum.accumulate(np.where(dark, place, 10**6)[..., ::-1], axis=-1)[..., ::-1]
    filled = dark | ((behind - before - 1) * _ACROSS_MM < light[..., None])
    nearest = np.where(filled, np.abs(far), 9.0).argmin(axis=-1)[..., None]
    first = np.maximum.accumulate(np.where(filled, -1, place), axis=-1)
    last = np.minimum.accumulate(np.where(filled, count, place)[..., ::-1], axis=-1)[..., ::-1]
    low = far[np.clip(np.take_along_axis(first, nearest, -1)[..., 0] + 1, 0, count - 1)] - _ACROSS_MM / 2
    top = far[np.clip(np.take_along_axis(last, nearest, -1)[..., 0] - 1, 0, count - 1)] + _ACROSS_MM / 2
    met = np.take_along_axis(filled, nearest, -1)[..., 0] & (np.abs(far[nearest[..., 0]]) < reach)
    met &= (low > -reach - 0.95) & (top < reach + 0.95)
    # Beside a corner the ink across is that of the next span's lines.
    for shift in (-2, -1, 0, 1):
        met[:, (starts + shift) % len(x)] = False
    one = top - low < _ONE_LINE * ink.width_mm
    offset = (share[None, :, None] - share[:, None, None]) * moved[:, None]
    within = (offset <= top[:, None] + _BESIDE_MM) & (offset >= low[:, None] - _BESIDE_MM)
    offset = np.where(within, offset, 0.0)
    stray = _between(_STRAY_MM, t)
    middle = (low + top) / 2
    out = [(middle, (met & one) / (1.0 + np.square(middle / stray)))]
    for border, sign, outermost in (
        (top - ink.width_mm / 2, 1.0, offset.max(axis=1) < 1e-6),
        (low + ink.width_mm / 2, -1.0, offset.min(axis=1) > -1e-6),
    ):
        weight = np.where(border * sign > 0, 1.0, _INWARDS / (1.0 + np.square(border / 0.3)))
        out.append((border, (met & ~one & outermost) * weight / (1.0 + np.square(border / stray))))
    return out


def _joined(line: Floats, starts: NDArray[np.int64]) -> Floats:
    """Return a closed line whose spans end where they meet each other, led on straight."""
    spans = [line[a:b] for a, b in itertools.pairwise([*starts, len(line)])]
    longer = []
    for span in spans:
        arm = min(3, len(span) - 1)
        ends = [span[0] - span[arm], span[-1] - span[-1 - arm]]
        ends = [e / max(float(np.hypot(*e)), 1e-9) * _EXTENDED_MM for e in ends]
        longer.append(np.vstack([span[0] + ends[0], span, span[-1] + ends[1]]))
    cuts = [[1.0, len(s) - 2.0] for s in longer]
    corners = []
    for k, ahead in enumerate(longer):
        back = longer[k - 1]
        met = _meeting(back, ahead)
        if met is None:
            corners.append((back[-2] + ahead[1]) / 2)
            continue
        cuts[k - 1][1], cuts[k][0] = met
        corners.append(_at(back, np.array([met[0]]))[0])
    out = []
    for k, (span, (low, high)) in enumerate(zip(longer, cuts, strict=True)):
        size = len(span) - 2
        put = _at(span, np.linspace(low, high, size))
        fade = np.clip(1.0 - np.arange(size) / _FADE, 0.0, 1.0)[:, None]
        put = put + fade * (corners[k] - put[0]) + fade[::-1] * (corners[(k + 1) % len(spans)] - put[-1])
        out.append(put)
    return np.concatenate(out)


def _at(line: Floats, place: Floats) -> Floats:
    return np.stack([np.interp(place, np.arange(len(line)), line[:, c]) for c in (0, 1)], axis=1)


def _meeting(a: Floats, b: Floats) -> tuple[float, float] | None:
    """Return where the end of one line meets the beginning of another, nearest to both; None where they do not."""
    i = np.arange(max(0, len(a) - 1 - _NEAR_CORNER), len(a) - 1)
    j = np.arange(min(len(b) - 1, _NEAR_CORNER + 1))
    r, s = a[i + 1] - a[i], b[j + 1] - b[j]
    sine = r[:, None, 0] * s[None, :, 1] - r[:, None, 1] * s[None, :, 0]
    way = b[j][None] - a[i][:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (way[..., 0] * s[None, :, 1] - way[..., 1] * s[None, :, 0]) / sine
        u = (way[..., 0] * r[:, None, 1] - way[..., 1] * r[:, None, 0]) / sine
    wide = np.abs(sine) >= _LEAST_SINE * np.hypot(*r.T)[:, None] * np.hypot(*s.T)[None]
    good = wide & (t >= 0) & (t <= 1) & (u >= 0) & (u <= 1)
    if not good.any():
        return None
    far = np.abs(i[:, None] + t - (len(a) - 2)) + np.abs(j[None] + u - 1)
    m, n = np.unravel_index(int(np.where(good, far, np.inf).argmin()), far.shape)
    return float(i[m] + t[m, n]), float(j[n] + u[m, n])
