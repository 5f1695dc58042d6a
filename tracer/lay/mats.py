"""Mats: which copies go on which mat, as few mats as can be found."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import box as rectangle

from tracer.lay.bodies import Body, Pose
from tracer.lay.bounds import fits_alone, least_length_mm, least_mats
from tracer.lay.fill import fill, lay_order
from tracer.lay.nest import solve_strip
from tracer.lay.rows import SLACK_MM, all_one_rectangle, lay_in_rows
from tracer.lay.strip import Told, made_exact, within

BASES = (0.0, 90.0)
"""The cloth may be turned on a mat: the grain runs along it or across it, the same way for all pieces of one mat."""

_SHORTEST_TRY_S = 0.4
_SLICE_S = 2.5
_MOST_FILLED = 80
_MOST_ATTEMPTS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class MatSizes:
    """Usable width and length of the mats in the order they are used; the last size serves again and again.

    ``most`` limits how many mats there are.
    """

    sizes: tuple[tuple[float, float], ...]
    most: int | None = None

    def __call__(self, n: int) -> tuple[float, float] | None:
        """Return the size of the n-th mat (from 0), None when there is none."""
        if self.most is not None and n >= self.most:
            return None
        return self.sizes[min(n, len(self.sizes) - 1)]

    @property
    def on_hand(self) -> tuple[tuple[float, float], ...]:
        """The different sizes that may be used."""
        return tuple(dict.fromkeys(self.sizes if self.most is None else self.sizes[: self.most]))


@dataclass(frozen=True, slots=True, kw_only=True)
class MatPoses:
    """What lies on one mat, inside (0, 0)..(width, length) of its usable part."""

    width_mm: float
    length_mm: float
    poses: tuple[Pose, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MatsLay:
    """Mats in order, body indices that go on none, a number of mats no lay can go below."""

    mats: tuple[MatPoses, ...]
    left: tuple[int, ...]
    least: int
    interrupted: bool = False


def fit_one(
    bodies: Sequence[Body], demands: Sequence[int], width_mm: float, length_mm: float, *, seconds: float, seed: int
) -> tuple[Pose, ...] | None:
    """Return poses of all copies in one rectangle, or None where none was found; exact proofs come first."""
    bases = [base for base in BASES if _may_fit(bodies, demands, width_mm, length_mm, base)]
    if not bases:
        return None
    for base in bases:
        sheets, misfits = lay_in_rows(bodies, demands, width_mm, base_deg=base, length_mm=length_mm)
        if not misfits and len(sheets) == 1:
            return tuple(sheets[0])
    start = time.monotonic()
    copies = [i for i, d in enumerate(demands) for _ in range(d)]
    generator = np.random.default_rng(seed)
    region = rectangle(0.0, 0.0, width_mm, length_mm)
    if len(copies) <= 60:
        for nth in range(3):
            for base in bases:
                if time.monotonic() - start > seconds * 0.5:
                    break
                order = lay_order(bodies, copies, nth, generator)
                result = fill(bodies, order, region, base_degs=(base,), fine_only=nth > 0)
                if not result.left:
                    return result.poses
    for n, base in enumerate(bases):
        left = seconds - (time.monotonic() - start)
        share = left / (len(bases) - n)
        if share < _SHORTEST_TRY_S:
            break
        found = solve_strip(bodies, demands, width_mm, seconds=share, seed=seed, base_deg=base, enough_mm=length_mm)
        if found is not None and found.length_mm <= length_mm + 0.5:
            poses = made_exact(found.poses, bodies, width_mm, None, deadline=time.monotonic() + 2.0)
            if poses is not None and within(poses, bodies, width_mm, length_mm):
                return poses
        if found is not None and found.interrupted:
            raise KeyboardInterrupt
    return None


def _may_fit(bodies: Sequence[Body], demands: Sequence[int], width_mm: float, length_mm: float, base: float) -> bool:
    wanted = [b for b, d in zip(bodies, demands, strict=True) if d]
    if not all(fits_alone(b, width_mm, length_mm, base_degs=(base,)) for b in wanted):
        return False
    return least_length_mm(bodies, demands, width_mm, base_deg=base) <= length_mm + SLACK_MM


def surely_not_on_one(bodies: Sequence[Body], demands: Sequence[int], width_mm: float, length_mm: float) -> bool:
    """Return True where it is proved that not all copies go into one rectangle."""
    return not any(
        _may_fit(bodies, demands, width_mm, length_mm, base)
        and _may_fit_across(bodies, demands, width_mm, length_mm, base)
        for base in BASES
    )


def _may_fit_across(
    bodies: Sequence[Body], demands: Sequence[int], width_mm: float, length_mm: float, base: float
) -> bool:
    # The same proof along the other side of the mat.
    return least_length_mm(bodies, demands, length_mm, base_deg=base + 90.0) <= width_mm + SLACK_MM


def lay_on_mats(
    bodies: Sequence[Body],
    sizes: MatSizes,
    *,
    seconds: float,
    seed: int,
    told: Told | None = None,
) -> MatsLay:
    """Lay every copy on mats, one mat after the other.

    Parameters
    ----------
    bodies : sequence of Body
        With their demands.
    sizes : MatSizes
    seconds, seed
        Time budget and seed. Interrupted (Ctrl-C), the best so far is returned.
    told : callable, optional
    """
    start, deadline = time.monotonic(), time.monotonic() + seconds
    lost = tuple(i for i, b in enumerate(bodies) for _ in range(b.demand) if not _fits_some(b, sizes))
    counts = [0 if i in lost else b.demand for i, b in enumerate(bodies)]
    every = [i for i, d in enumerate(counts) for _ in range(d)]
    best = _in_rows(bodies, counts, sizes)
    if best is None:
        best = _sequential(bodies, every, sizes, deadline=deadline, with_fill=False, seed=seed)
    least = _least(bodies, counts, best, sizes)
    interrupted = False
    try:
        done = all_one_rectangle(bodies, counts) and len(sizes.on_hand) == 1
        if not done and not _settled(best, least) and len(every) <= _MOST_FILLED:
            best = _better(best, _sequential(bodies, every, sizes, deadline=deadline, with_fill=True, seed=seed))
        generator = np.random.default_rng(seed)
        attempt = 0
        while not done and not _settled(best, least) and time.monotonic() < deadline - _SHORTEST_TRY_S:
            if told is not None:
                told(f"{len(best.mats)} so far", min(1.0, (time.monotonic() - start) / seconds))
            found = _fewer(bodies, counts, best, sizes, deadline, seed + attempt, attempt, generator)
            if found is not None:
                best = _better(best, found)
            attempt += 1
            if attempt > _MOST_ATTEMPTS:
                break
    except KeyboardInterrupt:
        interrupted = True
    return MatsLay(mats=best.mats, left=(*best.left, *lost), least=least, interrupted=interrupted)


@dataclass(frozen=True, slots=True)
class _Try:
    mats: tuple[MatPoses, ...]
    left: tuple[int, ...]


def _settled(found: _Try, least: int) -> bool:
    return not found.left and len(found.mats) <= least


def _better(a: _Try, b: _Try) -> _Try:
    return b if (len(b.left), len(b.mats)) < (len(a.left), len(a.mats)) else a


def _fits_some(body: Body, sizes: MatSizes) -> bool:
    return any(fits_alone(body, *size, base_degs=BASES) for size in sizes.on_hand)


def _least(bodies: Sequence[Body], counts: Sequence[int], found: _Try, sizes: MatSizes) -> int:
    if not any(counts):
        return 0
    if len(sizes.on_hand) != 1:
        return 1
    size = sizes.on_hand[0]
    least = least_mats(bodies, counts, *size)
    if least == 1 and len(found.mats) > 1 and surely_not_on_one(bodies, counts, *size):
        return 2
    return least


def _in_rows(bodies: Sequence[Body], counts: Sequence[int], sizes: MatSizes) -> _Try | None:
    """Lay everything in rows on mats of one size, as many as there are; None where there are several sizes."""
    if len(sizes.on_hand) != 1:
        return None
    ((width, length),) = sizes.on_hand
    best: _Try | None = None
    for base in BASES:
        sheets, misfits = lay_in_rows(bodies, counts, width, base_deg=base, length_mm=length)
        kept, over = sheets[: sizes.most], [] if sizes.most is None else sheets[sizes.most :]
        mats = tuple(MatPoses(width_mm=width, length_mm=length, poses=tuple(s)) for s in kept)
        found = _Try(mats, (*misfits, *(p.body for s in over for p in s)))
        best = found if best is None else _better(best, found)
    return best


def _sequential(
    bodies: Sequence[Body],
    copies: Sequence[int],
    sizes: MatSizes,
    *,
    deadline: float,
    with_fill: bool,
    seed: int,
) -> _Try:
    """Fill one mat after the other, each with as much area as can be had."""
    left = list(copies)
    mats: list[MatPoses] = []
    generator = np.random.default_rng(seed)
    barren: set[tuple[float, float]] = set()
    while left:
        size = sizes(len(mats))
        if size is None or size in barren:
            break
        counts = [0] * len(bodies)
        for i in left:
            counts[i] += 1
        options: list[tuple[Pose, ...]] = []
        for base in BASES:
            sheets, _ = lay_in_rows(bodies, counts, size[0], base_deg=base, length_mm=size[1])
            options += [tuple(s) for s in sheets[:1]]
            if with_fill and (time.monotonic() < deadline or not options):
                for nth in (0, 1):
                    order = lay_order(bodies, left, nth, generator)
                    region = rectangle(0.0, 0.0, *size)
                    options.append(fill(bodies, order, region, base_degs=(base,), deadline=deadline).poses)
        best = max(options, key=lambda poses: sum(bodies[p.body].fine.area for p in poses), default=())
        if not best:
            barren.add(size)
            # This size takes none of what is left; another size further on may.
            following = sizes(len(mats) + 1)
            if following is None or following in barren:
                break
        mats.append(MatPoses(width_mm=size[0], length_mm=size[1], poses=best))
        for pose in best:
            left.remove(pose.body)
    return _Try(tuple(m for m in mats if m.poses) if barren else tuple(mats), tuple(left))


def _fewer(
    bodies: Sequence[Body],
    counts: Sequence[int],
    best: _Try,
    sizes: MatSizes,
    deadline: float,
    seed: int,
    attempt: int,
    generator: np.random.Generator,
) -> _Try | None:
    """Try to do with one mat less: spread the copies over the others by area, then fit each."""
    n = len(best.mats) - (0 if best.left else 1)
    if n < 1:
        return None
    wanted = [sizes(k) for k in range(n)]
    if any(s is None for s in wanted):
        return None
    areas = [(w + bodies[0].gap_mm) * (length + bodies[0].gap_mm) for w, length in (s for s in wanted if s)]
    copies = [i for i, d in enumerate(counts) for _ in range(d)]
    order = lay_order(bodies, copies, 0 if attempt == 0 else len(copies) + 7, generator)
    loads = [0.0] * n
    shares = [[0] * len(bodies) for _ in range(n)]
    for i in order:
        area = float(bodies[i].clear(0.0).area)
        fitting = [k for k in range(n) if fits_alone(bodies[i], *wanted[k], base_degs=BASES)]  # type: ignore[misc]
        if not fitting:
            return None
        k = min(fitting, key=lambda k: (loads[k] + area) / areas[k])
        loads[k] += area
        shares[k][i] += 1
    mats = []
    for k in sorted(range(n), key=lambda k: -loads[k] / areas[k]):
        seconds = min(_SLICE_S * (1 + attempt / 4) if n > 1 else deadline, deadline - time.monotonic())
        size = wanted[k]
        assert size is not None
        if seconds < _SHORTEST_TRY_S or not any(shares[k]):
            return None
        poses = fit_one(bodies, shares[k], *size, seconds=seconds, seed=seed)
        if poses is None:
            return None
        mats.append((k, MatPoses(width_mm=size[0], length_mm=size[1], poses=poses)))
    return _Try(tuple(m for _, m in sorted(mats, key=lambda p: p[0])), ())
