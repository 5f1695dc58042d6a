"""What is solid ink and what is only where lines run together, on masks drawn here."""

import cv2
import numpy as np
import pytest

from tracer.search.blobs import find_solids

MM_PER_PX = 0.4
LINE_PX = 4


def two_lines(angle_deg: float) -> np.ndarray:
    """A long line that turns back by itself, as at the inner end of a deep notch; blurred as a photo is, then cut."""
    canvas = np.zeros((200, 300), np.uint8)
    half = np.radians(angle_deg / 2)
    ends = [np.array([60, 100]) + 220 * np.array([np.cos(s * half), np.sin(s * half)]) for s in (-1, 1)]
    at = np.rint(np.array([ends[0], [60, 100], ends[1]]) * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [at], isClosed=False, color=255, thickness=LINE_PX - 1, lineType=cv2.LINE_AA, shift=4)
    cv2.rectangle(canvas, (10, 10), (290, 190), 255, LINE_PX - 1)
    return (cv2.GaussianBlur(canvas, (0, 0), 1.0) > 100).astype(np.uint8) * 255


@pytest.mark.parametrize("angle_deg", [30, 38, 50, 70])
def test_the_sharp_point_of_a_line_in_a_coarse_picture_is_no_solid_ink(angle_deg):
    solids, blobs = find_solids(two_lines(angle_deg), MM_PER_PX)
    assert not solids.any()
    assert not blobs


def test_a_dot_on_the_line_is():
    mask = two_lines(50)
    cv2.circle(mask, (200, 165), 8, 255, -1)
    solids, _ = find_solids(mask, MM_PER_PX)
    assert solids[165, 200]
    assert not solids[95:105, 55:70].any()


@pytest.mark.parametrize("turn_deg", [0, 20, 45, 63])
def test_a_broad_stroke_is_solid_however_it_is_turned(turn_deg):
    mask = np.zeros((400, 400), np.uint8)
    way = 120 * np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    ends = [np.rint(200 + side * way).astype(int).tolist() for side in (-1, 1)]
    cv2.line(mask, ends[0], ends[1], 255, 32)
    cv2.circle(mask, (200, 200), 170, 255, 5)
    cv2.rectangle(mask, (10, 10), (390, 390), 255, 5)
    solids, _ = find_solids(mask, 0.085)
    for share in np.linspace(-0.9, 0.9, 19):
        x, y = np.rint(200 + share * way).astype(int)
        assert solids[y, x]
    assert not solids[385:395].any()
