"""The strip solver: bodies into a strip of given width, as short as can be found in a given time.

The hard part is done by spyrrow, the Python binding of the sparrow solver (Gardeyn, Vanden Berghe, Wauters, "An
open-source heuristic to reboot 2D nesting research", arXiv:2509.13329, 2025). It works on polygons in single
precision; what it returns is a proposal that :mod:`tracer.lay.settle` makes exact and :mod:`tracer.lay.check`
judges.

With one seed it walks through the same lays; how far it comes depends on the time it is given and on the machine.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from tracer.errors import LayError
from tracer.lay.bodies import Body, Pose

Better = Callable[[float, float], None]
"""Called with the best length so far in mm and the share of the time that is gone."""

_WAIT_S = 0.1
_GRACE_S = 1.5
_KILLED = -9
_SNAP_DEG = 2e-3
_EDGE_MM = 0.002
"""The strip is this much wider for the solver, so that what fits to the last digit fits in single precision too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StripResult:
    """Poses in a strip of the width asked for, and whether the search was interrupted by the person."""

    length_mm: float
    poses: tuple[Pose, ...]
    interrupted: bool = False


def worker_count() -> int:
    """Return the number of processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def solve_strip(
    bodies: Sequence[Body],
    demands: Sequence[int],
    width_mm: float,
    *,
    seconds: float,
    seed: int,
    base_deg: float = 0.0,
    enough_mm: float | None = None,
    early: bool = True,
    on_better: Better | None = None,
) -> StripResult | None:
    """Lay bodies into a strip from (0, 0), ``width_mm`` across x, as short in y as can be found.

    Parameters
    ----------
    bodies : sequence of Body
    demands : sequence of int
        How many of each to lay (0 leaves it out); instead of the bodies' own demand.
    width_mm : float
        Width inside the margins. The clear polygons may reach half a gap beyond it, as the gap is kept between
        pieces only.
    seconds : float
        Time budget; the solver counts whole seconds, a shorter budget stops it in the middle.
    seed : int
    base_deg : float
        Added to every allowed turn (90 lays the grain across).
    enough_mm : float, optional
        Stop as soon as a lay this short is found.
    early : bool
        Let the solver end before its time when it no longer gets better.
    on_better : callable, optional

    Returns
    -------
    StripResult or None
        None when nothing was found in the time.
    """
    gap_mm = max((b.gap_mm for b in bodies), default=0.0)
    strip_mm = width_mm + gap_mm + _EDGE_MM
    items = [_item(i, body, demands[i], base_deg) for i, body in enumerate(bodies) if demands[i] > 0]
    if not items:
        return StripResult(length_mm=0.0, poses=())
    task = {
        "width": strip_mm, "seconds": seconds, "seed": seed, "workers": worker_count(), "early": early, "items": items,
    }  # fmt: skip
    lines, failure, interrupted = _run(task, seconds, gap_mm, enough_mm, on_better)
    if not lines:
        if failure and not interrupted:
            raise LayError(f"the nesting solver failed: {failure}")
        return None
    best = lines[-1]
    turns = {i: _turns(b, base_deg) for i, b in enumerate(bodies)}
    poses = tuple(_pose(p, strip_mm, gap_mm, turns[int(p[0])]) for p in best["placed"])
    return StripResult(length_mm=best["length"] - gap_mm, poses=poses, interrupted=interrupted)


def _turns(body: Body, base_deg: float) -> list[float] | None:
    return None if body.turns is None else [(t + base_deg) % 360.0 for t in body.turns]


def _item(i: int, body: Body, demand: int, base_deg: float) -> dict[str, object]:
    # The solver's strip runs along its x; ours along y. A quarter turn (not a flip) takes one to the other.
    points = np.asarray(body.plain.exterior.coords)[:-1]
    shape = np.stack([points[:, 1], -points[:, 0]], axis=1)
    return {"id": i, "shape": shape.tolist(), "demand": demand, "turns": _turns(body, base_deg)}


def _pose(placed: Sequence[float], strip_mm: float, gap_mm: float, turns: list[float] | None) -> Pose:
    i, angle, tx, ty = placed
    turn = angle % 360.0
    if turns is not None:
        # Single precision: the turn meant is the nearest allowed one.
        turn = min(turns, key=lambda t: abs((t - turn + 180.0) % 360.0 - 180.0))
    elif abs(turn / 90.0 - round(turn / 90.0)) * 90.0 < _SNAP_DEG:
        turn = round(turn / 90.0) * 90.0 % 360.0
    return Pose(body=int(i), turn_deg=turn, x_mm=strip_mm - _EDGE_MM / 2 - ty - gap_mm / 2, y_mm=tx - gap_mm / 2)


def _run(
    task: dict[str, object], seconds: float, gap_mm: float, enough_mm: float | None, on_better: Better | None
) -> tuple[list[dict[str, Any]], str, bool]:
    # A session of its own: Ctrl-C reaches only this process, which then decides what to keep.
    # Nothing is imported from the folder in which it happens to be run.
    package = str(FilePath(__file__).parents[2])
    paths = [package, *filter(None, [os.environ.get("PYTHONPATH")])]
    child = subprocess.Popen(
        [sys.executable, "-P", "-m", "tracer.lay.solver_process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(paths)},
    )
    told: queue.Queue[str | None] = queue.Queue()
    errors: list[str] = []

    def listen() -> None:
        assert child.stdout is not None
        for line in child.stdout:
            told.put(line)
        told.put(None)

    def listen_errors() -> None:
        assert child.stderr is not None
        errors.extend(child.stderr)

    readers = [threading.Thread(target=listen, daemon=True), threading.Thread(target=listen_errors, daemon=True)]
    for reader in readers:
        reader.start()
    best: list[dict[str, Any]] = []
    interrupted = False
    start = time.monotonic()
    try:
        assert child.stdin is not None
        try:
            child.stdin.write(json.dumps(task))
            child.stdin.close()
        except BrokenPipeError:
            errors.append("it ended before it was given its task")
        while (gone := time.monotonic() - start) < seconds + min(_GRACE_S, 0.5 + 0.5 * seconds):
            try:
                line = told.get(timeout=_WAIT_S)
            except queue.Empty:
                if on_better is not None and best:
                    on_better(float(best[-1]["length"]) - gap_mm, min(1.0, gone / seconds))
                continue
            if line is None:
                break
            told_now = json.loads(line)
            if "failed" in told_now:
                break
            best = [told_now]
            length_mm = float(best[-1]["length"]) - gap_mm
            if on_better is not None:
                on_better(length_mm, min(1.0, gone / seconds))
            if enough_mm is not None and length_mm <= enough_mm:
                break
    except KeyboardInterrupt:
        interrupted = True
    finally:
        child.kill()
        child.wait()
        for reader in readers:
            reader.join(timeout=1.0)
        for stream in (child.stdin, child.stdout, child.stderr):
            if stream is not None:
                stream.close()
    failure = " ".join(e.strip() for e in errors[-1:]) or f"it ended with code {child.returncode}"
    return best, "" if child.returncode in (0, _KILLED) else failure, interrupted
