"""Density reached on the open nesting instances, beside the published mean of 100 twenty-minute runs.

Run: ``python -m tests.bench.lay_instances [--seconds 60] [--only shirts]``. Every lay is settled and judged by our
own checker before its density counts.

Source of the instances and the means: ESICUP benchmark instances as distributed with the sparrow solver; Gardeyn,
Vanden Berghe, Wauters, arXiv:2509.13329 (2025): shirts 89.66, trousers 91.73, jakobs1 89.08, fu 92.23 %."""

from __future__ import annotations

import argparse
import json
import resource
import time
from pathlib import Path as FilePath

from tests.outside.data import outside_folder
from tests.tracer.lay.instances import PUBLISHED_MEAN, instance_bodies, instance_density
from tracer.lay.bodies import placed_outline
from tracer.lay.check import check_inside, check_together, solid_of
from tracer.lay.strip import lay_strip

GOAL = 0.97


def cpu_s() -> float:
    """Return the processor time of finished children: nearly twice the time on two idle cores, less on busy ones."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    """Lay each instance, print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    asked = parser.parse_args()
    folder = outside_folder("nesting")
    heads = ("pieces", "length", "density", "mean", "share", "time", "cpu")
    print("{:10} {:>6} {:>9} {:>8} {:>7} {:>7} {:>6} {:>6}  checked".format("instance", *heads))
    short = []
    for name, mean in PUBLISHED_MEAN.items():
        if asked.only and name != asked.only:
            continue
        data = json.loads(FilePath(folder / f"{name}.json").read_text())
        bodies, width, scale = instance_bodies(data)
        start, before = time.monotonic(), cpu_s()
        lay = lay_strip(bodies, [b.demand for b in bodies], width, seconds=asked.seconds, seed=asked.seed, early=False)
        took, spent = time.monotonic() - start, cpu_s() - before
        outlines = [placed_outline(p, bodies[p.body].members[0]) for p in lay.poses]
        names = [f"{bodies[p.body].name} {k}" for k, p in enumerate(lay.poses)]
        wrong = check_together([solid_of(o) for o in outlines], names, gap_mm=0.0)
        wrong += check_inside(outlines, names, (0.0, 0.0, width, lay.length_mm))
        density = instance_density(data, lay.length_mm / scale)
        share = density / mean
        if share < GOAL or wrong:
            short.append(name)
        print(
            f"{name:10} {len(lay.poses):6} {lay.length_mm / scale:9.3f} {density:8.2%} {mean:7.2%} {share:7.2%} "
            f"{took:5.1f}s {spent:5.1f}s  {'right' if not wrong else wrong[:3]}",
            flush=True,
        )
    print(f"goal {GOAL:.0%} of the mean: {'reached' if not short else 'missed on ' + ', '.join(short)}")
    raise SystemExit(bool(short))


if __name__ == "__main__":
    main()
