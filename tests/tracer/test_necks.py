"""Things on a ground that a mark of the ground joins are two; a stalk or strap of a thing's own colour is part of it.

The picture is invented: two green rectangles on a brown ground, and a band between them.
"""

import numpy as np
import pytest

from tracer.search.necks import joined_cores, with_narrow_parts

GREEN, GRAIN = (0.3, 1.1, 0.4), (1.25, 1.3, 1.3)
"""As shares of the ground's light; the grain is lighter than the ground, as a planed board's is."""
CARD, STREAK = (0.4, 2.06, 1.35), (1.18, 1.75, 1.9)
"""Of a green card on brown wood, and of a light streak in it: the streak has more than half of what tells the two."""


@pytest.mark.parametrize(
    ("thing", "band", "parts"), [(GREEN, GREEN, 1), (GREEN, GRAIN, 2), (CARD, CARD, 1), (CARD, STREAK, 2)]
)
def test_only_a_band_of_a_things_colour_joins(
    thing: tuple[float, float, float], band: tuple[float, float, float], parts: int
) -> None:
    ratio = np.ones((80, 200, 3), np.float32)
    core = np.zeros((80, 200), np.uint8)
    for left in (20, 120):
        core[20:60, left : left + 60] = 1
    ratio[core > 0] = thing
    foreign = core.copy()
    # The band runs on beyond the second thing, as grain does.
    foreign[36:44, 60:200] = 1
    ratio[36:44, 80:120] = band
    ratio[36:44, 180:200] = band
    labels = joined_cores(foreign, core, ratio)
    assert len(np.unique(labels[core > 0])) == parts
    assert (labels[core > 0] > 0).all()


def test_a_dark_core_and_a_light_one_may_share_a_neck_of_either() -> None:
    ratio = np.ones((80, 200, 3), np.float32)
    core = np.zeros((80, 200), np.uint8)
    core[20:60, 20:80] = core[20:60, 120:180] = 1
    ratio[20:60, 20:80], ratio[20:60, 120:180] = (0.2, 0.2, 0.2), (1.8, 1.8, 1.8)
    foreign = core.copy()
    foreign[36:44, 80:120] = 1
    ratio[36:44, 80:120] = (0.25, 0.2, 0.2)
    assert len(np.unique(joined_cores(foreign, core, ratio)[core > 0])) == 1


@pytest.mark.parametrize(
    ("thing", "band", "kept"), [(GREEN, GREEN, True), (GREEN, GRAIN, False), (CARD, STREAK, False)]
)
def test_a_narrow_part_belongs_to_a_body_however_far_it_goes_on_and_grain_does_not(
    thing: tuple[float, float, float], band: tuple[float, float, float], kept: bool
) -> None:
    ratio = np.ones((80, 200, 3), np.float32)
    ratio[20:60, 20:80], ratio[36:44, 80:190] = thing, band
    foreign = (ratio != 1.0).any(axis=2)
    body, corner = with_narrow_parts(np.ones((40, 60), dtype=bool), (20, 20), foreign, ratio)
    assert corner == (20, 20)
    assert body.shape == ((40, 170) if kept else (40, 60))
    assert int(body.sum()) == 40 * 60 + (8 * 110 if kept else 0)
