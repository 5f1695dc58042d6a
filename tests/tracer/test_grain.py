"""Ink that no line of nested sizes runs over pulls the nearest line, found anew or from what was nearest last."""

import cv2
import numpy as np
import pytest

from tracer.search.grain import Grain
from tracer.search.pulls import Ink, Pull
from tracer.search.stations import restationed, ways

MM_PER_PX = 0.1
SHARE = np.linspace(-1.0, 1.0, 5)
STARTS = np.array([0])


def laid(aside_mm=0.0):
    """A ring of five sizes that lie apart on one side and closer than a line is wide on the other."""
    turn = np.linspace(0.0, 2.0 * np.pi, 180, endpoint=False)
    out = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    apart = 2.5 + 2.2 * np.cos(turn)[:, None]
    x = np.concatenate([36.0 + (26.0 + aside_mm) * out, apart * out], axis=1)
    return restationed(x, STARTS)


def pull_of(x, starts):
    return Pull(x, SHARE, ways(x, SHARE, starts))


@pytest.fixture(scope="module")
def ink():
    mask = np.zeros((720, 720), np.uint8)
    x, _ = laid()
    for share in SHARE:
        line = np.rint((x[:, :2] + share * x[:, 2:]) / MM_PER_PX * 16).astype(np.int32)
        cv2.polylines(mask, [line], True, 255, 4, cv2.LINE_8, 4)
    return Ink(mask=mask, mm_per_px=MM_PER_PX, width_mm=0.4)


def test_what_was_nearest_last_changes_nothing_of_what_pulls_now(ink):
    x, starts = laid()
    used = Grain(ink, pull_of(x, starts).lines)
    for aside_mm in (1.0, 0.3, 0.1, 0.05, 0.0):
        x, starts = laid(aside_mm)
        fresh = Grain(ink, pull_of(*laid()).lines)
        pulls = [pull_of(x, starts) for _ in range(2)]
        for grain, pull in zip((used, fresh), pulls, strict=True):
            grain.pull_without_line(pull, starts, 0.5)
        assert pulls[0].matrix == pytest.approx(pulls[1].matrix)
        assert used.without_line_mm(pulls[0].lines) == pytest.approx(fresh.without_line_mm(pulls[0].lines))


def test_ink_beside_a_line_pulls_it_over():
    mask = np.zeros((300, 600), np.uint8)
    mask[98:102, 50:550] = 255
    corners = np.array([[10.0, 10.6, 0, 0.5], [50.0, 10.6, 0, 0.5], [50.0, 11.0, 0, 0.5], [10.0, 11.0, 0, 0.5]])
    x, starts = restationed(corners, np.arange(4))
    share = np.array([-1.0, 1.0])
    pull = Pull(x, share, ways(x, share, starts))
    Grain(Ink(mask=mask, mm_per_px=MM_PER_PX, width_mm=0.4), pull.lines).pull_without_line(pull, starts, 1.0)
    side = slice(4, 36)
    asked = pull.right[side] - (pull.matrix[side] @ x[side, :, None])[..., 0]
    assert (asked[:, 1] < 0.0).all()
