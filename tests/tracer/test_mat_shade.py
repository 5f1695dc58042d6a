"""The light on a mat under what lies on it, on pictures of it that are made here."""

import numpy as np
import pytest

from tracer.search.mat_shade import light_under

MM_PER_PX = 0.4
WITHIN = 0.03
"""Share of the light by which it may be missed a few millimetres outside the grid (our own limit)."""


@pytest.mark.parametrize("axis", [0, 1])
def test_the_light_at_the_rim_of_the_grid_goes_on_beside_it(axis):
    # A lamp stands at one side.
    course = np.broadcast_to(np.linspace(0.6, 0.45, 300)[:, None], (300, 300))
    course = course if axis == 0 else course.T
    linear = np.repeat(course[:, :, None], 3, axis=2).astype(np.float32)
    inside = np.zeros((300, 300), dtype=bool)
    inside[25:-25, 25:-25] = True
    light = light_under(linear, inside, inside, MM_PER_PX)
    beside = np.s_[15:-15, 15:-15]
    assert np.abs(light / linear - 1)[beside].max() < WITHIN
