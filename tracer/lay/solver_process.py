"""Run the strip solver in a process of its own and tell of every better lay, one JSON line each.

It stands alone so that it can be stopped at any moment: what was told before is kept. Input is one JSON object on
standard input: ``{"width", "seconds", "seed", "workers", "items": [{"id", "shape", "demand", "turns": [..] |
null}]}``.
"""

from __future__ import annotations

import json
import sys
import threading
from typing import Any

import spyrrow

_LOOK_S = 0.05


def _tell(length: float, placed: list[Any]) -> None:
    line = {"length": length, "placed": [[int(p.id), p.rotation, p.translation[0], p.translation[1]] for p in placed]}
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


def main() -> None:
    """Read the task, solve it, tell."""
    task = json.load(sys.stdin)
    items = [
        spyrrow.Item(str(i["id"]), [(x, y) for x, y in i["shape"]], i["demand"], i["turns"]) for i in task["items"]
    ]
    instance = spyrrow.StripPackingInstance("lay", task["width"], items)
    config = spyrrow.StripPackingConfig(
        early_termination=bool(task.get("early", True)),
        total_computation_time=max(1, round(task["seconds"])),
        num_workers=task["workers"],
        seed=task["seed"],
    )
    queue = spyrrow.ProgressQueue()
    failure: list[BaseException] = []

    def solve() -> None:
        try:
            instance.solve(config, queue)
        except BaseException as error:  # noqa: BLE001 - a panic of the solver is no Exception
            failure.append(error)

    worker = threading.Thread(target=solve, daemon=True)
    worker.start()
    shortest = float("inf")
    running = True
    while running:
        worker.join(_LOOK_S)
        running = worker.is_alive()
        for kind, solution in queue.drain():
            feasible = kind in (spyrrow.ReportType.ExplFeas, spyrrow.ReportType.CmprFeas, spyrrow.ReportType.Final)
            if feasible and solution.width < shortest:
                shortest = solution.width
                _tell(solution.width, solution.placed_items)
    if failure:
        # Such as a piece that fits across only to the last digit: no lay found, which is no fault of the process.
        sys.stdout.write(json.dumps({"failed": str(failure[0])}) + "\n")


if __name__ == "__main__":
    main()
