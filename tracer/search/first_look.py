"""The first look at a sheet: its ink, the things that lie on it, its lines, and the edges of those things."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Sheet
from calibration.hands import begun, share_out
from tracer.ink import GROUND_STEP_MM, LIGHT_PRINT_MM, Ink, find_ink, working_factor
from tracer.search.bodies import Bodies, find_bodies
from tracer.search.drawn import LineWork, read_line_work
from tracer.search.edges import Thing, find_edge
from tracer.search.graph import LineGraph
from tracer.search.lattice import find_lattice, grid_edges, is_dark
from tracer.search.mat_grid import MatGrid, find_grid
from tracer.search.mat_ink import without_mat_print

_CARRIED = ("ruler", "square")
COVERS_ALL = ("mat", "sheet", "density", "page", "target")
"""References that do not lie on the ground but are it, or under all of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLook:
    """What was seen.

    Parameters
    ----------
    ink, bodies, work
        The ink, the things coarsely, the lines.
    edges_of : callable
        Takes for each thing whether it is wanted, and yields those of the wanted ones with their edges, in their order;
        None for one without. To be asked once, while the look lasts.
    read : callable
        Reads the lines again: with broad bands as lines that run together, or not.
    """

    ink: Ink
    bodies: Bodies
    work: LineWork
    edges_of: Callable[[Sequence[bool]], Iterator[Thing | None]]
    read: Callable[[bool], LineWork]


@contextmanager
def first_look(
    sheet: Sheet, *, bundled: bool | None, report: Callable[[str, float], None], seen: Callable[[Bodies], None]
) -> Iterator[FirstLook]:
    """Look at a sheet.

    Parameters
    ----------
    sheet : Sheet
    bundled : bool or None
        See :func:`tracer.search.drawn.read_line_work`.
    report : callable
        Called with a word for the step and the share done (0..1).
    seen : callable
        Called with the things, coarsely, as soon as they are known.
    """
    pixels, scale = sheet.picture.pixels, sheet.mm_per_px
    excluded = _reference_mask(sheet)
    # Of a ruler only the row of its ticks is known, of a slip with a square only the square: they are seen whole, and
    # known as what they are by that.
    no_things = _reference_mask(sheet, carried=False)
    grid = find_grid(sheet)
    # Ink and things are found side by side: both spend their time in compiled code.
    with ThreadPoolExecutor(max_workers=1) as pool:
        finding = pool.submit(find_bodies, pixels, scale, no_things, grid)
        ink = find_ink(pixels, scale, _light_print(sheet, grid))
        bodies = finding.result()
    report("lines", 0.3)
    work = None if grid is not None else _lines(sheet, ink, excluded, bundled=bundled)
    seen(bodies)

    def size(index: int) -> float:
        return float(bodies.things[index][0].size)

    def read(as_bundled: bool) -> LineWork:
        return _lines(sheet, ink, excluded, bundled=as_bundled)

    if work is not None:

        def edges(wanted: Sequence[bool]) -> Iterator[Thing | None]:
            return share_out(
                lambda k: find_edge(pixels, scale, bodies, k), [k for k, w in enumerate(wanted) if w], size
            )

        yield FirstLook(ink=ink, bodies=bodies, work=work, edges_of=edges, read=read)
        return
    # On a mat, what lies on it tells what is printed on it: the lines come after the things. Their edges are begun on
    # meanwhile, though some may turn out to be unwanted.
    ink = without_mat_print(ink, bodies)
    asked = [True] * len(bodies.things)
    with begun(lambda k: find_edge(pixels, scale, bodies, k) if asked[k] else None, range(len(asked)), size) as results:

        def begun_edges(wanted: Sequence[bool]) -> Iterator[Thing | None]:
            asked[:] = wanted
            return (thing for thing, is_wanted in zip(results, wanted, strict=True) if is_wanted)

        work = _lines(sheet, ink, excluded, bundled=bundled)
        yield FirstLook(ink=ink, bodies=bodies, work=work, edges_of=begun_edges, read=read)


def _light_print(sheet: Sheet, grid: MatGrid | None) -> NDArray[np.uint8] | None:
    """Return where light lines of a mat are printed under what lies on it, on the picture reduced."""
    if grid is None or is_dark(grid.lattice, sheet):
        return None
    step = max(1, round(GROUND_STEP_MM / sheet.mm_per_px))
    return grid.lines_mask(step, LIGHT_PRINT_MM / 2)


def _lines(sheet: Sheet, ink: Ink, excluded: NDArray[np.uint8], *, bundled: bool | None) -> LineWork:
    lattice = find_lattice(sheet)
    if lattice is not None and not is_dark(lattice, sheet):
        lattice = None

    def foreign(graph: LineGraph) -> set[int]:
        return set() if lattice is None else grid_edges(graph, ink, sheet, lattice)

    return read_line_work(
        ink,
        excluded,
        None if lattice is None else foreign,
        lambda points: np.asarray(sheet.to_mm(ink.to_picture(points)), dtype=np.float64) / ink.mm_per_px,
        bundled=bundled,
    )


def _reference_mask(sheet: Sheet, *, carried: bool = True) -> NDArray[np.uint8]:
    """Return where references lie, on the grid of the ink; those that a larger object carries may be left out."""
    picture, scale = sheet.picture, sheet.mm_per_px
    factor = working_factor(picture.width_px, picture.height_px, scale)
    mask = np.zeros((picture.height_px // factor, picture.width_px // factor), dtype=np.uint8)
    for reference in (sheet.reference, *sheet.others):
        if reference.kind in COVERS_ALL or len(reference.outline_px) < 3:
            continue
        if reference.kind in _CARRIED and not carried:
            continue
        outline = (np.asarray(reference.outline_px) + 0.5) / factor - 0.5
        _fill(mask, outline, margin_px=1.0 / (scale * factor))
    return mask


def _fill(mask: NDArray[np.uint8], polygon: NDArray[np.float64], *, margin_px: float) -> None:
    """Mark a polygon and a margin around it."""
    corners = np.rint(polygon).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(mask, [corners], 255)
    cv2.polylines(mask, [corners], isClosed=True, color=255, thickness=max(1, round(2 * margin_px)))
