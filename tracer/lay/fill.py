"""Filling a surface of any outline piece by piece: leftovers, folds, and cloth with something on it already.

Each piece in turn goes to the first place from the top (then from the left) where it fits. Places are found on a raster
by counting blocked cells under the piece at every shift at once (a correlation); both the piece and what blocks it are
drawn half a cell too large, so that a place found is a place indeed. The exact polygons then close the slack.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import box as rectangle

from tracer.lay.bodies import Body, Pose
from tracer.lay.settle import slide
from tracer.lay.shapes import Solid, as_solid

_CELLS = (140, 320)
_SHIFT = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class FillResult:
    """What was placed, and body indices, one for each copy that was not."""

    poses: tuple[Pose, ...]
    left: tuple[int, ...]


class _Stamp(NamedTuple):
    """Cells of a piece: with the gap around it and bare, and the position of their first."""

    cells: NDArray[np.float32]
    x0: float
    y0: float


class _Raster:
    """Two layers of cells: what lies there already, and what is off the surface.

    The first is asked with the gap around the piece, the second with the bare piece: grown by half the gap both ways, a
    narrow notch of a leftover would close and be forgotten.
    """

    def __init__(self, region: Solid, roomy_mm: float, step_mm: float) -> None:
        self.step = step_mm
        self.grow = 0.75 * step_mm
        x0, y0, x1, y1 = region.bounds
        pad = roomy_mm + 2 * step_mm
        self.x0, self.y0 = x0 - pad, y0 - pad
        self.shape = (int((y1 - y0 + 2 * pad) / step_mm) + 2, int((x1 - x0 + 2 * pad) / step_mm) + 2)
        self.off = as_solid(rectangle(x0 - pad - 50, y0 - pad - 50, x1 + pad + 50, y1 + pad + 50).difference(region))
        self.layers = np.zeros((*self.shape, 2), dtype=np.float32)
        self.layers[:, :, 1] = self._draw(self.off, self.x0, self.y0, self.shape)

    def _draw(self, solid: Solid, x0: float, y0: float, shape: tuple[int, int]) -> NDArray[np.uint8]:
        picture = np.zeros(shape, dtype=np.uint8)
        for part in shapely.get_parts(solid.buffer(self.grow, join_style="mitre", mitre_limit=1.5)):
            loops = [
                np.round((np.asarray(r.coords)[:-1] - (x0, y0)) / self.step * (1 << _SHIFT)).astype(np.int32)
                for r in (part.exterior, *part.interiors)
            ]
            cv2.fillPoly(picture, loops, 1, shift=_SHIFT)
        return picture

    def block(self, solid: Solid) -> None:
        self.layers[:, :, 0] = np.maximum(self.layers[:, :, 0], self._draw(solid, self.x0, self.y0, self.shape))

    def stamp(self, clear: Solid, fine: Solid) -> _Stamp:
        bx0, by0, bx1, by1 = clear.bounds
        x0, y0 = bx0 - 2 * self.step, by0 - 2 * self.step
        shape = (int((by1 - by0) / self.step) + 5, int((bx1 - bx0) / self.step) + 5)
        cells = np.stack([self._draw(s, x0, y0, shape) for s in (clear, fine)], axis=2).astype(np.float32)
        rows, columns = (np.nonzero(cells[:, :, 0].any(axis=axis))[0] for axis in (1, 0))
        r0, c0 = int(rows[0]), int(columns[0])
        cut = np.ascontiguousarray(cells[r0 : rows[-1] + 1, c0 : columns[-1] + 1])
        return _Stamp(cut, x0 + c0 * self.step, y0 + r0 * self.step)

    def places(self, stamp: _Stamp) -> NDArray[np.intp]:
        """Return (row, column) of every shift at which nothing is in the way, from the top, then from the left."""
        if stamp.cells.shape[0] > self.shape[0] or stamp.cells.shape[1] > self.shape[1]:
            return np.zeros((0, 2), dtype=np.intp)
        hits = cv2.matchTemplate(self.layers, stamp.cells, cv2.TM_CCORR)
        return np.argwhere(hits < 0.4)


def fill(
    bodies: Sequence[Body],
    order: Sequence[int],
    region: Solid,
    *,
    base_degs: Sequence[float] = (0.0,),
    placed: Sequence[Pose] = (),
    step_mm: float | None = None,
    deadline: float = float("inf"),
    fine_only: bool = False,
) -> FillResult:
    """Lay copies in the given order into a region.

    Parameters
    ----------
    bodies : sequence of Body
    order : sequence of int
        Body indices, one for each copy.
    region : Polygon or MultiPolygon
        Where true outlines may lie (margins already taken off).
    base_degs : sequence of float
        Added to every allowed turn, each tried.
    placed : sequence of Pose
        What lies there already and stays.
    step_mm : float, optional
        Cell of the raster.
    deadline : float
        Of ``time.monotonic()``; what is left then is returned as left.
    fine_only : bool
        Take the second, finer raster.
    """
    if not order:
        return FillResult(poses=(), left=())
    gap = max(b.gap_mm for b in bodies)
    x0, y0, x1, y1 = region.bounds
    cells = _CELLS[1] if fine_only else _CELLS[0]
    step = step_mm or max(0.25, max(x1 - x0, y1 - y0) / cells)
    raster = _Raster(region, gap / 2, step)
    for pose in placed:
        raster.block(bodies[pose.body].clear_at(pose))
    stamps: dict[tuple[int, float], _Stamp] = {}
    done: list[Pose] = list(placed)
    left: list[int] = []
    hopeless: set[int] = set()
    for i in order:
        if i in hopeless or time.monotonic() > deadline:
            left.append(i)
            continue
        found = _first_place(i, bodies, raster, stamps, base_degs)
        if found is None:
            hopeless.add(i)
            left.append(i)
            continue
        pose = slide(found, bodies, done, off=raster.off, reach_mm=6 * step)
        raster.block(bodies[i].clear_at(pose))
        done.append(pose)
    return FillResult(poses=tuple(done[len(placed) :]), left=tuple(left))


def _first_place(
    i: int,
    bodies: Sequence[Body],
    raster: _Raster,
    stamps: dict[tuple[int, float], _Stamp],
    base_degs: Sequence[float],
) -> Pose | None:
    body = bodies[i]
    best: tuple[float, float, Pose] | None = None
    bases = base_degs if body.turns is not None else (0.0,)
    for turn in dict.fromkeys((t + base) % 360 for base in bases for t in body.some_turns):
        if (i, turn) not in stamps:
            stamps[i, turn] = raster.stamp(body.clear(turn), body.fine_turned(turn))
        stamp = stamps[i, turn]
        found = raster.places(stamp)
        if len(found) == 0:
            continue
        row, column = (int(v) for v in found[0])
        pose = Pose(
            body=i, turn_deg=turn,
            x_mm=raster.x0 + column * raster.step - stamp.x0, y_mm=raster.y0 + row * raster.step - stamp.y0,
        )  # fmt: skip
        key = (row + stamp.cells.shape[0], column)
        if best is None or key < best[:2]:
            best = (*key, pose)
    return None if best is None else best[2]


def first_exact(
    body: Body,
    index: int,
    candidates: Sequence[tuple[float, float, float]],
    region: Solid,
    placed: Sequence[Pose],
    bodies: Sequence[Body],
) -> Pose | None:
    """Return the first of given poses (turn, x, y) at which a body lies within a region, clear of what is placed."""
    roomy = region.buffer(1e-6, join_style="mitre")
    others = [bodies[p.body].clear_at(p).buffer(-1e-6, join_style="mitre") for p in placed]
    for turn, x, y in candidates:
        pose = Pose(body=index, turn_deg=turn % 360, x_mm=x, y_mm=y)
        if not roomy.covers(body.fine_at(pose)):
            continue
        clear = body.clear_at(pose)
        if not any(clear.intersects(o) for o in others):
            return pose
    return None


Order = Callable[[Sequence[Body], int], tuple[float, ...]]

ORDERS: tuple[Order, ...] = (
    lambda bodies, i: (-bodies[i].fine.area, i),
    lambda bodies, i: (-(bodies[i].box(0.0).height + bodies[i].box(0.0).width), i),
    lambda bodies, i: (-max(bodies[i].box(0.0).height, bodies[i].box(0.0).width), i),
)


def lay_order(bodies: Sequence[Body], copies: Sequence[int], nth: int, generator: np.random.Generator) -> list[int]:
    """Return an order for the copies: the plain ones first, then shaken versions of the one by area."""
    if nth < len(ORDERS):
        return sorted(copies, key=lambda i: ORDERS[nth](bodies, i))
    noise = generator.lognormal(0.0, 0.35, size=len(copies))
    sizes = [bodies[i].fine.area * f for i, f in zip(copies, noise.tolist(), strict=True)]
    return [i for _, i in sorted(zip(sizes, copies, strict=True), key=lambda p: (-p[0], p[1]))]
