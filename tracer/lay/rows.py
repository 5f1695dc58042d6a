"""Rows of boxes: the lays that arithmetic gives, exact to the last digit.

Pieces are taken as their exact bounding boxes and set in rows (first fit, tallest first), each row as high as its
tallest box. For identical rectangles that may not be turned this is the optimum: ``floor((W + gap) / (w + gap))``
in a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from tracer.lay.bodies import Body, Pose

SLACK_MM = 1e-6
"""Rounding of sums of a few hundred lengths is below this; a person's 10 in must go into a person's 10 in."""


class _Box(NamedTuple):
    body: int
    turn_deg: float
    width: float
    height: float


class _Row:
    __slots__ = ("boxes", "height", "used", "y")

    def __init__(self, y: float, height: float) -> None:
        self.y, self.height, self.used = y, height, 0.0
        self.boxes: list[tuple[_Box, float]] = []


def lay_in_rows(
    bodies: Sequence[Body],
    demands: Sequence[int],
    width_mm: float,
    *,
    base_deg: float = 0.0,
    length_mm: float | None = None,
) -> tuple[list[list[Pose]], list[int]]:
    """Lay bodies in rows.

    Parameters
    ----------
    bodies, demands
        See :func:`tracer.lay.nest.solve_strip`.
    width_mm : float
        Width inside the margins.
    base_deg : float
        Added to every allowed turn.
    length_mm : float, optional
        Length inside the margins of each of as many mats as needed; None for one strip without end.

    Returns
    -------
    list of list of Pose
        The poses on each mat (one for a strip), the best of several orders and turns: fewest mats, then least length.
    list of int
        Body indices, one for each copy that fits on no mat.
    """
    best: tuple[tuple[float, ...], list[list[Pose]], list[int]] | None = None
    for prefer_tall in (False, True):
        for key in _ORDERS:
            boxes, misfits = _choose_boxes(bodies, demands, width_mm, base_deg, length_mm, prefer_tall=prefer_tall)
            boxes.sort(key=key)
            sheets = _fill(boxes, bodies, width_mm, length_mm)
            score = (len(misfits), len(sheets), _end(sheets[-1], bodies) if sheets else 0.0)
            if best is None or score < best[0]:
                best = (score, sheets, misfits)
    for sheets in _two_ways(bodies, demands, width_mm, base_deg, length_mm):
        score = (0, len(sheets), _end(sheets[-1], bodies))
        if best is not None and score < best[0]:
            best = (score, sheets, [])
    assert best is not None
    return best[1], best[2]


_ORDERS = (
    lambda b: (-b.height, -b.width, b.body),
    lambda b: (-b.width, -b.height, b.body),
    lambda b: (-b.width * b.height, b.body),
)


def _choose_boxes(
    bodies: Sequence[Body],
    demands: Sequence[int],
    width_mm: float,
    base_deg: float,
    length_mm: float | None,
    *,
    prefer_tall: bool,
) -> tuple[list[_Box], list[int]]:
    boxes, misfits = [], []
    for i, body in enumerate(bodies):
        if demands[i] == 0:
            continue
        options = boxes_of(body, i, base_deg)
        fitting = [
            b for b in options
            if b.width <= width_mm + SLACK_MM and (length_mm is None or b.height <= length_mm + SLACK_MM)
        ]  # fmt: skip
        if not fitting:
            misfits += [i] * demands[i]
            continue
        choice = min(fitting, key=lambda b: (-b.height if prefer_tall else b.height, b.width))
        boxes += [choice] * demands[i]
    return boxes, misfits


def all_one_rectangle(bodies: Sequence[Body], demands: Sequence[int]) -> bool:
    """Return whether all there is to lay is one rectangle again and again, upright or upside down only.

    Then rows are what arithmetic says, and there is nothing to search for. (Where two gaps meet at a corner a lay may
    undercut the rows by less than a gap; no person would reckon with that, and none would cut it so.)
    """
    wanted = [b for b, d in zip(bodies, demands, strict=True) if d]
    sizes = set()
    for body in wanted:
        if body.turns is None or len(body.members) > 1:
            return False
        for turn in body.turns:
            box = body.box(turn)
            if abs(body.members[0].piece.outline.area - box.width * box.height) > 1e-6 * box.width * box.height:
                return False
            sizes.add((round(box.width, 6), round(box.height, 6)))
    return len(sizes) <= 1


def boxes_of(body: Body, index: int, base_deg: float) -> list[_Box]:
    """Return the exact box of a body at each of its turns."""
    turns = [t + base_deg if body.turns is not None else t for t in body.some_turns]
    return [_Box(index, t % 360.0, body.box(t % 360.0).width, body.box(t % 360.0).height) for t in turns]


def _fill(boxes: Sequence[_Box], bodies: Sequence[Body], width_mm: float, length_mm: float | None) -> list[list[Pose]]:
    sheets: list[list[_Row]] = []
    for box in boxes:
        gap = bodies[box.body].gap_mm
        if not _into_row(box, sheets, gap, width_mm):
            row = _new_row(box, sheets, gap, length_mm)
            row.boxes.append((box, 0.0))
            row.used = box.width
    return [[_pose(box, x, row.y, bodies) for row in rows for box, x in row.boxes] for rows in sheets]


def _into_row(box: _Box, sheets: list[list[_Row]], gap: float, width_mm: float) -> bool:
    for rows in sheets:
        for row in rows:
            # Count the boxes afresh: x as a multiple of (w + gap), not a sum, keeps equal boxes exactly in step.
            x = row.used + gap
            if row.boxes and all(b == box for b, _ in row.boxes):
                x = len(row.boxes) * (box.width + gap)
            if box.height <= row.height + SLACK_MM and x + box.width <= width_mm + SLACK_MM:
                row.boxes.append((box, x))
                row.used = x + box.width
                return True
    return False


def _new_row(box: _Box, sheets: list[list[_Row]], gap: float, length_mm: float | None) -> _Row:
    for rows in sheets:
        y = rows[-1].y + rows[-1].height + gap
        if all(abs(r.height - box.height) < 1e-12 for r in rows):
            y = len(rows) * (box.height + gap)
        if length_mm is None or y + box.height <= length_mm + SLACK_MM:
            rows.append(_Row(y, box.height))
            return rows[-1]
    sheets.append([_Row(0.0, box.height)])
    return sheets[-1][0]


def _pose(box: _Box, x: float, y: float, bodies: Sequence[Body]) -> Pose:
    exact = bodies[box.body].box(box.turn_deg)
    return Pose(body=box.body, turn_deg=box.turn_deg, x_mm=x - exact.x_min, y_mm=y - exact.y_min)


def _end(poses: Sequence[Pose], bodies: Sequence[Body]) -> float:
    return max((p.y_mm + bodies[p.body].box(p.turn_deg).y_max for p in poses), default=0.0)


def _two_ways(
    bodies: Sequence[Body], demands: Sequence[int], width_mm: float, base_deg: float, length_mm: float | None
) -> list[list[list[Pose]]]:
    """Lay one kind of box in rows of two ways round: a rows this way, the rest that way, every a tried."""
    wanted = [i for i, d in enumerate(demands) if d > 0]
    if len(wanted) != 1 or length_mm is not None:
        return []
    i = wanted[0]
    body, count = bodies[i], demands[i]
    every = boxes_of(body, i, base_deg)
    least = min(b.width * b.height for b in every)
    options = [b for b in every if b.width <= width_mm + SLACK_MM and b.width * b.height <= least * (1 + 1e-9)]
    flat = min(options, key=lambda b: b.height, default=None)
    tall = max(options, key=lambda b: b.height, default=None)
    if flat is None or tall is None or flat == tall:
        return []
    per_tall = int((width_mm + body.gap_mm + SLACK_MM) // (tall.width + body.gap_mm))
    out = []
    for rows_tall in range(1, (count - 1) // per_tall + 1):
        n_tall = rows_tall * per_tall
        (first,) = _fill([tall] * n_tall, bodies, width_mm, None)
        (second,) = _fill([flat] * (count - n_tall), bodies, width_mm, None)
        below = _end(first, bodies) + body.gap_mm
        out.append([[*first, *(p.moved(0.0, below) for p in second)]])
    return out
