"""Random lay jobs judged by independent code: no overlap, nothing outside, margins, gaps, counts and mirror images
right.

Run: ``python -m tests.bench.lay_random [--jobs 300] [--seconds 1]``.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

from tests.tracer.lay.jobs import random_job
from tests.tracer.lay.judge import judge
from tracer.errors import LayError
from tracer.lay.check import check_lay
from tracer.lay.laid import LayOptions
from tracer.lay.plan import plan_lay
from tracer.lay.record import to_json
from tracer.pattern import piece_to_json


def main() -> None:
    """Lay, judge, print a table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--jobs", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=1.0)
    asked = parser.parse_args()
    kinds: Counter[str] = Counter()
    pieces = left = 0
    slowest = 0.0
    wrong: list[str] = []
    refused: list[str] = []
    for seed in range(asked.first, asked.first + asked.jobs):
        job = random_job(seed)
        start = time.monotonic()
        try:
            lay = plan_lay(job.pieces, job.surface, job.rules, LayOptions(seconds=asked.seconds, seed=seed))
        except LayError as error:
            (wrong if "is not right" in str(error) else refused).append(f"{seed}: {error}")
            continue
        slowest = max(slowest, time.monotonic() - start)
        record = to_json(lay)
        found = judge(record, [piece_to_json(p) for p in job.pieces])
        wrong += [f"{seed}: {w}" for w in found] + [f"{seed}: own checker: {v}" for v in check_lay(lay, job.pieces)]
        kinds["fold" if job.rules.folded else type(job.surface).__name__.lower()] += 1
        pieces += sum(len(m.placements) for m in lay.mats)
        left += len(lay.not_placed)
    print(f"{sum(kinds.values())} lays ({dict(kinds)}), {len(refused)} refused")
    print(f"{pieces} copies laid, {left} said not to fit")
    print(f"slowest {slowest:.2f} s at a budget of {asked.seconds} s")
    for text in refused[:10]:
        print("refused", text)
    for text in wrong:
        print("WRONG", text)
    print(f"violations: {len(wrong)}")
    raise SystemExit(bool(wrong))


if __name__ == "__main__":
    main()
