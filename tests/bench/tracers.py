"""Tracers side by side on the same pictures with known truth: ``python -m tests.bench.tracers``.

Ours (threshold for the rough outline, sub-pixel evidence, fit), potrace through its Python binding (pypotrace) or,
where that is not installed, the pure-Python port (potracer), potrace's own program where it is on the path, and
scikit-image's contours at the half level of the encoded grey value. All get the same picture and the same threshold;
each runs in a process of its own, so that memory is its own. Error is to the truth, densified, in both directions, with
the camera known: the tracing alone, no calibration. Seconds are those of the processor (what else the machine does is
not in them); memory is the process's peak with the picture in it.

Prints one Markdown table. ``--quick`` leaves out the A2 sheets.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path as FilePath
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.threads import one_thread
from fixtures import render, scenarios
from fixtures.camera import Camera
from tests.oracles import Segments, compare_corners, dense_polygon, distance_between
from tracer.candidate import RoughOutline
from tracer.curves.fit import fit_closed
from tracer.cusps import Stroke, extend_cusps
from tracer.edge_signal import edge_signal
from tracer.outline import locate
from tracer.path import Path
from tracer.peer import binding_name, trace_mask

_GREY = np.array([0.2126, 0.7152, 0.0722])
_LEAST_AREA_PX = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A picture to trace; drawn pieces have a line width."""

    name: str
    scenario: str
    build: dict[str, Any] = field(default_factory=dict)
    look: dict[str, Any] = field(default_factory=dict)
    large: bool = False


SCENES = (
    Scene(name="card templates, A4", scenario="templates", build={"kind": "sheet", "ground": "black"}),
    Scene(name="drawn templates, Letter", scenario="quilting", look={"rotation_deg": 1.3}),
    Scene(
        name="shapes in card, A2", scenario="shapes", build={"as_card": True}, look={"rotation_deg": -0.7}, large=True
    ),
    Scene(name="shapes drawn, A2", scenario="shapes", look={"rotation_deg": 1.3}, large=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What one tracer did on one picture."""

    tracer: str
    scene: str
    p95_mm: float
    worst_mm: float
    found: int
    corners: int
    invented: int
    nodes: int
    drawn_nodes: int
    seconds: float
    memory_mb: float

    def markdown(self) -> str:
        # A polyline of thousands of points has no corners of its own to count.
        polyline = self.nodes > 50 * self.drawn_nodes
        corners = "- | -" if polyline else f"{self.found}/{self.corners} | {self.invented}"
        return (
            f"| {self.scene} | {self.tracer} | {self.p95_mm:.4f} | {self.worst_mm:.3f} | {corners} "
            f"| {self.nodes}/{self.drawn_nodes} | {self.seconds:.2f} | {self.memory_mb:.0f} |"
        )


HEADER = (
    "| picture (300 dpi) | tracer | p95 mm | worst mm | corners | invented | nodes/drawn | CPU s | peak MB |\n"
    "|---|---|---|---|---|---|---|---|---|"
)


def threshold(pixels: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return dark pixels by Otsu's level on the grey value: what a bitmap tracer is given."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    return cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)[1] > 0


def _filled(dark: NDArray[np.bool_], *, drawn: bool) -> NDArray[np.bool_]:
    """Return a bitmap whose boundaries are the outlines: card is bright on a dark ground; of a line, its middle."""
    if not drawn:
        return ~dark
    outside = cv2.floodFill(dark.astype(np.uint8), None, (1, 1), 2)[1] == 2
    enclosed = ~outside & ~dark
    near_in = cv2.distanceTransform((~enclosed).astype(np.uint8), cv2.DIST_L2, 5)
    near_out = cv2.distanceTransform((~outside).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(near_in < near_out)


def _contours(mask: NDArray[np.bool_]) -> list[NDArray[np.float64]]:
    found = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    return [c[:, 0].astype(np.float64) for c in found if cv2.contourArea(c) > _LEAST_AREA_PX]


@one_thread
def run_own(pixels: NDArray[np.uint8], camera: Camera, *, drawn: bool) -> list[Segments]:
    dark = threshold(pixels)
    mask = _filled(dark, drawn=drawn)
    width = 6.0 if drawn else 0.0
    out = []
    for contour in _contours(mask):
        none = np.zeros(len(contour), bool)
        rough = RoughOutline(
            points_px=contour,  # type: ignore[arg-type]
            kind="drawn" if drawn else "edge",
            line_width_px=width,
            colour_weights=_GREY if drawn else -_GREY,
            obscured=none,
            bridged=none,
        )
        if not drawn:
            signal = edge_signal(pixels, rough)
            rough = replace(rough, colour_weights=signal.codes)
        evidence = locate(pixels, rough)
        if not drawn:
            evidence = evidence.moved_in(signal.half_shift_px, run_px=signal.run_px)
        mm = camera.to_mm(np.asarray(evidence.points_px))
        scale = 25.4 / 300
        path = fit_closed(
            mm,  # type: ignore[arg-type]
            evidence.sigma_px * scale,
            evidence.valid,
            half_width_mm=evidence.line_width_px / 2 * scale,
            blur_mm=evidence.blur_px * scale,
        ).path
        if drawn:
            stroke = Stroke(width_px=evidence.line_width_px, colour_weights=_GREY)
            path = extend_cusps(pixels, path, stroke, to_px=camera.to_px)[0]  # type: ignore[arg-type]
        out.append(path.segments)
    return out


def run_potrace(pixels: NDArray[np.uint8], camera: Camera, *, drawn: bool) -> list[Segments]:
    mask = _filled(threshold(pixels), drawn=drawn)
    return [tuple(camera.to_mm(s) for s in path.segments) for path in trace_mask(mask) if path.area > _LEAST_AREA_PX]


def run_contours(pixels: NDArray[np.uint8], camera: Camera, *, drawn: bool) -> list[Segments]:
    from skimage.measure import find_contours

    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    image: NDArray[Any] = _filled(threshold(pixels), drawn=True).astype(np.float32) if drawn else grey
    level = 0.5 if drawn else float(cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[0])
    out = []
    for ring in find_contours(image, level):
        points = ring[:-1, ::-1]
        if len(points) > 400 and Path.polygon(points).area > _LEAST_AREA_PX:
            out.append(Path.polygon(camera.to_mm(points)).segments)
    return out


RUNNERS: dict[str, Callable[..., list[Segments]]] = {
    "ours": run_own,
    f"potrace ({binding_name()})": run_potrace,
    "scikit-image contours": run_contours,
}


def peak_mb() -> float:
    """Return the largest resident size of this process so far (Linux; what its parent held is not in it)."""
    words = FilePath("/proc/self/status").read_text().split("VmHWM:")[1].split()
    return int(words[0]) / 1024


def _child(queue: Any, tracer: str, file: str, camera: dict[str, Any], drawn: bool) -> None:
    pixels = cv2.cvtColor(cv2.imread(file), cv2.COLOR_BGR2RGB)
    start = time.process_time()
    outlines = RUNNERS[tracer](pixels, Camera.from_json(camera), drawn=drawn)
    seconds = time.process_time() - start
    queue.put((outlines, seconds, peak_mb()))


def judge(
    tracer: str, scene: str, outlines: list[Segments], truth: dict[str, Any], seconds: float, memory: float
) -> Row:
    """Match outlines to the truth by their centres and measure them."""
    p95, worst, counts, nodes, drawn_nodes = [], [], [], 0, 0
    centres = np.array([dense_polygon(o, 2.0).mean(axis=0) for o in outlines])
    for piece in truth["pieces"]:
        true = Path.from_svg(piece["outline"]).segments
        if len(outlines) == 0:
            raise SystemExit(f"{tracer} found nothing in {scene}")
        best = int(np.argmin(np.hypot(*(centres - dense_polygon(true, 2.0).mean(axis=0)).T)))
        distance = distance_between(outlines[best], true, spacing_mm=0.1)
        p95.append(distance.p95_mm)
        worst.append(distance.worst_mm)
        counts.append(compare_corners(outlines[best], true))
        nodes += len(outlines[best])
        drawn_nodes += len(true)
    return Row(
        tracer=tracer,
        scene=scene,
        p95_mm=max(p95),
        worst_mm=max(worst),
        found=sum(c.found for c in counts),
        corners=sum(c.found + c.missed for c in counts),
        invented=sum(c.invented for c in counts),
        nodes=nodes,
        drawn_nodes=drawn_nodes,
        seconds=seconds,
        memory_mb=memory,
    )


def potrace_program_seconds(pixels: NDArray[np.uint8], *, drawn: bool) -> float | None:
    """Return how long potrace's own program takes for the same bitmap, reading and writing files included."""
    program = shutil.which("potrace")
    if program is None:
        return None
    mask = _filled(threshold(pixels), drawn=drawn)
    with tempfile.TemporaryDirectory() as folder:
        bitmap = FilePath(folder) / "bitmap.pbm"
        head = f"P4\n{mask.shape[1]} {mask.shape[0]}\n".encode()
        bitmap.write_bytes(head + np.packbits(mask, axis=1).tobytes())
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([program, "--svg", "-o", str(FilePath(folder) / "out.svg"), str(bitmap)], check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def measure(scene: Scene) -> list[Row | str]:
    """Render a scene and run every tracer on it."""
    picture = render.scan(scenarios.build(scene.scenario, **scene.build), dpi=300, **scene.look)
    drawn = picture.truth["pieces"][0]["drawn_as"] == "line"
    rows: list[Row | str] = []
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as folder:
        file = FilePath(folder) / "scene.jpg"
        picture.save(file)
        for tracer in RUNNERS:
            queue = context.Queue()
            process = context.Process(target=_child, args=(queue, tracer, str(file), picture.truth["picture"], drawn))
            process.start()
            outlines, seconds, memory = queue.get()
            process.join()
            rows.append(judge(tracer, scene.name, outlines, picture.truth, seconds, memory))
        pixels = cv2.cvtColor(cv2.imread(str(file)), cv2.COLOR_BGR2RGB)
    program = potrace_program_seconds(pixels, drawn=drawn)
    if program is not None:
        rows.append(f"| {scene.name} | potrace, its program (time only) | | | | | | {program:.2f} | |")
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="leave out the A2 sheets")
    arguments = parser.parse_args()
    print(HEADER)
    for scene in SCENES:
        if scene.large and arguments.quick:
            continue
        for row in measure(scene):
            print(row.markdown() if isinstance(row, Row) else row, flush=True)


if __name__ == "__main__":
    main()
