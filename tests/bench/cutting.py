"""Cutting measured on random outlines: ``python -m tests.bench.cutting [PIECES] [SEED]``.

Each outline gets an allowance of 1 to 25 mm (mitred, squared or rounded; a quarter of them with another width on one
edge), loses a strip along one edge, and has an allowance taken off. Judged by shapely on flattenings within 0.001 mm:
distance kept, nothing crossing itself, out and back in. What is refused is counted by its reason.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable

import numpy as np
import shapely

from tests.random_pieces import random_outline
from tests.tracer.cutting.pieces import shape
from tracer.cutting.allowance import Allowance, EdgeAllowance, allow, stitching_shape
from tracer.cutting.corners import CornerStyle
from tracer.cutting.edges import edges_of
from tracer.cutting.shape import Shape
from tracer.cutting.trimming import trim
from tracer.errors import CutListError

STYLES: tuple[CornerStyle, ...] = ("mitred", "squared", "rounded")


def ring(one: Shape) -> shapely.LinearRing:
    return shapely.LinearRing(one.outline.flatten(0.001))


def measure(pieces: int, seed: int) -> str:
    """Return the figures of a run in words."""
    rng = np.random.default_rng(seed)
    done: Counter[str] = Counter()
    refused: Counter[str] = Counter()
    distance, deviation, back_in, crossed = [], [], [], 0
    began = time.perf_counter()

    def attempt(name: str, act: Callable[[], Shape]) -> Shape | None:
        nonlocal crossed
        try:
            result = act()
        except CutListError as error:
            refused[f"{name}: {str(error).split(':')[-1].strip()[:60]}"] += 1
            return None
        done[name] += 1
        crossed += not ring(result).is_simple
        return result

    for _ in range(pieces):
        before = shape(random_outline(rng))
        width, style = float(rng.uniform(1, 25)), STYLES[rng.integers(3)]
        edges = edges_of(before)
        edge = edges[int(rng.integers(len(edges)))]
        other = {edge.name: EdgeAllowance(width_mm=float(rng.uniform(0, 40)))} if rng.uniform() < 0.25 else {}
        allowance = Allowance(all_mm=width, corners=style, edges=other)

        def added(before: Shape = before, allowance: Allowance = allowance) -> Shape:
            result = allow(before, allowance)
            deviation.append(result.deviation_mm)
            return result.shape

        after = attempt("allowance", added)
        if after is not None and not other:
            distance.append(abs(float(shapely.distance(ring(before), ring(after))) - width))
        attempt("trim", lambda b=before, n=edge.name, w=width: trim(b, n, w))  # type: ignore[misc]
        small = width / 4
        out = attempt("out", lambda b=before, w=small: allow(b, Allowance(all_mm=w)).shape)  # type: ignore[misc]
        if out is not None:
            lost = allow(before, Allowance(all_mm=small)).lost
            back = attempt("back in", lambda o=out, w=small: stitching_shape(o, w))  # type: ignore[misc]
            if back is not None and not lost:
                points = shapely.points(before.outline.sample(2.0)[0])
                back_in.append(float(shapely.distance(ring(back), points).max()))
    lines = [
        f"{pieces} random outlines, seed {seed}, {time.perf_counter() - began:.0f} s; done: {dict(done)}",
        f"crossing themselves: {crossed}",
        f"least distance off its width by at most {max(distance):.4f} mm ({len(distance)} of one width)",
        f"curves off the true parallel by at most {max(deviation):.4f} mm",
        f"out and back in within {max(back_in):.4f} mm where nothing is listed as lost ({len(back_in)} outlines)",
        *(f"refused {count}: {reason}" for reason, count in refused.most_common()),
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:3]]
    sys.stdout.write(measure(*given, *(100, 0)[len(given) :]) + "\n")
