"""What each stage of tracing large pictures costs: ``python -m tests.bench.stages [NAME ...]``.

Pictures of 12 megapixels (a drawn sheet as a scanner gives it, card templates on a dark lid, a phone photo of pieces on
a cutting mat) and an A0 sheet at 300 dpi (139 megapixels) are rendered, written to files and traced from the file to
the report, each in a process of its own. Words on the pieces are read only with ``--words``: they need the models of
the reader and have a cost of their own.

Each is traced twice. The first time by one process alone: the seconds of its stages are the processor's, summed over
its cores. The second time as it is used, with a second process that takes half of the work: elapsed seconds (which
depend on what else the machine does), and the sum of the peaks of memory of both, in which what they share counts
twice. Prints one Markdown table.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration import CalibrateOptions, calibrate, parse_request
from calibration.intake import read_pictures
from fixtures import render, scenarios
from fixtures.files import Rendered
from tests.bench.tracers import peak_mb

STAGES = ("read", "calibrate", "search", "locate", "fit", "regular", "measure", "report")


@dataclass(frozen=True, kw_only=True)
class Large:
    """A picture and what a person says of its scale."""

    name: str
    file: str
    make: Callable[[], Rendered]
    reference: str | None = None


def _scan(scenario: str, options: dict[str, Any], **look: Any) -> Callable[[], Rendered]:
    return lambda: render.scan(scenarios.build(scenario, **options), dpi=300, **look)


def _photo(scenario: str, options: dict[str, Any], **look: Any) -> Callable[[], Rendered]:
    return lambda: render.photo(scenarios.build(scenario, **options), **look)


_SMALL: dict[str, Any] = {"seed": 1, "size_mm": (338, 254), "scale": 0.8, "pieces": 5}
_A0: dict[str, Any] = {"seed": 1, "size_mm": (1189, 841), "scale": 2.6, "pieces": 9}
PICTURES = (
    Large(name="drawn sheet, 12 MP scan", file="drawn.jpg", make=_scan("crowded", _SMALL, rotation_deg=0.8)),
    Large(
        name="drawn sheet, 12 MP scan, reference named",
        file="drawn.jpg",
        make=_scan("crowded", _SMALL, rotation_deg=0.8),
        reference="square=50mm",
    ),
    Large(
        name="card on a dark lid, 12 MP scan",
        file="card.jpg",
        make=_scan("templates", {"seed": 2, "kind": "sheet", "ground": "black", "size_mm": (338, 254)}),
    ),
    Large(
        name="card on a mat, 12 MP photo",
        file="mat.jpg",
        make=_photo("mat", {"seed": 3}, tilt_deg=12, k1=-0.08, k2=0.02),
    ),
    Large(name="drawn sheet, A0 at 300 dpi", file="a0.jpg", make=_scan("crowded", _A0, rotation_deg=0.5)),
)


@dataclass(slots=True)
class _Clock:
    """Processor and elapsed seconds by stage."""

    spent: dict[str, list[float]] = field(default_factory=dict)

    def timed(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """Return the function with its time put down to a stage."""

        def run(*args: Any, **kwargs: Any) -> Any:
            before = (time.process_time(), time.perf_counter())
            try:
                return function(*args, **kwargs)
            finally:
                own = self.spent.setdefault(stage, [0.0, 0.0])
                own[0] += time.process_time() - before[0]
                own[1] += time.perf_counter() - before[1]

        return run


def _run(queue: Any, file: str, reference: str | None, words: bool, split: bool) -> None:
    from calibration import hands
    from tracer import pipeline, report
    from tracer.cli import ready_colours

    if not split:
        hands._can_split = lambda: False
    clock = _Clock()
    for stage, name in (
        ("search", "find_candidates"),
        ("locate", "locate"),
        ("fit", "fit_closed"),
        ("regular", "regularise"),
        ("measure", "measure_outline"),
    ):
        setattr(pipeline, name, clock.timed(stage, getattr(pipeline, name)))
    # As the command does while everything is still being loaded.
    ready_colours()
    whole = (time.process_time(), time.perf_counter())
    picture = clock.timed("read", lambda: next(iter(read_pictures(Path(file)))))()
    request = None if reference is None else parse_request(reference)
    sheet = clock.timed("calibrate", calibrate)(picture, CalibrateOptions(request=request))
    traced = pipeline.trace(sheet, pipeline.TraceOptions(words=words))
    makers: tuple[Callable[[], object], ...] = (
        lambda: report.sheet_figure(traced),
        lambda: report.overlay_jpeg(traced),
    )
    clock.timed("report", lambda: list(hands.share_out(lambda make: make(), makers)))()
    total = (time.process_time() - whole[0], time.perf_counter() - whole[1])
    second_kb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    queue.put((clock.spent, total, peak_mb() + second_kb / 1024, len(traced.pieces)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="only pictures whose name holds one of these words")
    parser.add_argument("--words", action="store_true", help="read the words on the pieces, too")
    parser.add_argument("--folder", type=Path, help="keep the pictures here and take those that are here already")
    arguments = parser.parse_args()
    print(f"| picture | pieces | {' | '.join(STAGES)} | CPU s | elapsed s | peak MB |")
    print("|---" * (len(STAGES) + 5) + "|")
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as passing:
        folder = arguments.folder or passing
        for large in PICTURES:
            if arguments.names and not any(n in large.name for n in arguments.names):
                continue
            file = Path(folder) / large.file
            if not file.exists():
                large.make().save(file)
            spent, alone, _, pieces = _traced(context, str(file), large.reference, words=arguments.words, split=False)
            _, shared, memory, _ = _traced(context, str(file), large.reference, words=arguments.words, split=True)
            shares = " | ".join(f"{spent.get(stage, [0.0])[0]:.2f}" for stage in STAGES)
            print(
                f"| {large.name} | {pieces} | {shares} | {alone[0]:.1f} | {shared[1]:.1f} | {memory:.0f} |", flush=True
            )


def _traced(context: Any, file: str, reference: str | None, *, words: bool, split: bool) -> Any:
    """Return what :func:`_run` found out, in a fresh process."""
    queue = context.Queue()
    process = context.Process(target=_run, args=(queue, file, reference, words, split))
    process.start()
    found = queue.get()
    process.join()
    return found


if __name__ == "__main__":
    main()
