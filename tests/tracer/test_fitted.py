"""The grading of nested sizes is fitted to their ink, also where all were traced wrong (invented shapes)."""

import cv2
import numpy as np
import pytest

from tests.tracer.sheet_drawing import polygon_distance_mm
from tracer.search import fitted
from tracer.search.fitted import fit_to_ink
from tracer.search.grain import Grain
from tracer.search.pulls import Ink

MM_PER_PX = 0.08
COUNT = 5
STEP_MM = 0.5
CLOSE_MM = 0.25
"""Half the distance between the packed lines."""


def corners(rank):
    """Sizes on a fold at the left, packed above, where they end on it one below the other; they grade to the right."""
    g = rank - 2
    return np.array(
        [(20, 30 + 0.5 * g), (70, 26 + 0.4 * g), (90 + 4 * g, 50), (96 + 4 * g, 100 + 3 * g), (20, 104 + 3 * g)]
    )


def even(points):
    """Places in even shares of every side, and which of them are the corners."""
    counts = [
        round(np.hypot(*(b - a)) / STEP_MM) for a, b in zip(corners(2), np.roll(corners(2), -1, axis=0), strict=True)
    ]
    sides = zip(points, np.roll(points, -1, axis=0), counts, strict=True)
    heads = np.concatenate([[0], np.cumsum(counts)[:-1]])
    return np.concatenate([a + (b - a) * np.arange(n)[:, None] / n for a, b, n in sides]), heads


@pytest.fixture(scope="module")
def ink():
    mask = np.zeros((1500, 1500), np.uint8)
    for k in range(COUNT):
        cv2.polylines(mask, [np.rint(corners(k) / MM_PER_PX * 16).astype(np.int32)], True, 255, 5, cv2.LINE_8, 4)
    return Ink(mask=mask, mm_per_px=MM_PER_PX, width_mm=0.4)


def traced(rank, wrong_mm):
    """One size as it was traced: the end at the fold, with 8 mm on either side, so far down on the others' ink."""
    points = corners(rank)
    line, heads = even(points)
    for near in (8.0, 20.0):
        far = np.hypot(*(line - points[0]).T)
        line = line + np.array([0.0, wrong_mm / 2]) * np.clip(2.0 - far / near, 0.0, 1.0)[:, None]
    return line, heads


def farthest_mm(line, true):
    return max(polygon_distance_mm(line, true).max(), polygon_distance_mm(true, line).max())


def fit(ink, ranks, wrong_mm):
    lines, heads = zip(*(traced(k, wrong_mm) for k in ranks), strict=True)
    corner = [line[heads[0]] for line in lines]
    return fit_to_ink(np.array(lines), np.array(ranks, float), ranks, COUNT, heads[0], list(lines), ink, corner).lines


def test_lines_that_were_all_traced_wrong_at_a_corner_are_laid_on_their_ink(ink):
    ranks = list(range(COUNT))
    assert farthest_mm(traced(2, 1.2)[0], corners(2)) > 1.0
    for line, k in zip(fit(ink, ranks, 1.2), ranks, strict=True):
        assert farthest_mm(line, corners(k)) < CLOSE_MM, k


@pytest.fixture
def unturned(monkeypatch):
    """What is tried with packs turned round and corners laid anew makes good much of what else is missing."""
    monkeypatch.setattr(fitted, "turned_packs", lambda *_: iter(()))
    monkeypatch.setattr(fitted, "corners_anew", lambda *_: iter(()))


@pytest.mark.parametrize("broken", ["again", "without line", "off paper"])
def test_each_of_what_holds_lines_to_their_ink_is_needed(ink, monkeypatch, unturned, broken):
    if broken == "again":
        monkeypatch.setattr(fitted, "_carried", lambda *_: None)
    elif broken == "without line":
        monkeypatch.setattr(Grain, "pull_without_line", lambda *_: None)
    else:
        monkeypatch.setattr(Grain, "pull_off_paper", lambda *_: None)
    lines = fit(ink, list(range(COUNT)), 1.2)
    assert max(farthest_mm(line, corners(k)) for k, line in enumerate(lines)) > CLOSE_MM


def test_grading_that_was_traced_along_another_line_all_the_way_does_not_stay_there(ink, monkeypatch, unturned):
    monkeypatch.setattr(fitted, "_carried", lambda *_: None)
    worst = []
    for trusted in (0.0, fitted._TRUSTED):
        monkeypatch.setattr(fitted, "_TRUSTED", trusted)
        worst.append(max(farthest_mm(line, corners(k)) for k, line in enumerate(fit(ink, list(range(COUNT)), 1.2))))
    assert worst[0] > 1.0
    assert worst[1] < 0.5


def test_a_size_that_was_not_followed_is_laid_by_the_others(ink):
    lines = fit(ink, [0, 1, 3], 0.0)
    assert len(lines) == COUNT
    for k in (2, 4):
        assert farthest_mm(lines[k], corners(k)) < CLOSE_MM
