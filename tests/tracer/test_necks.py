"""Things on a ground that a mark of the ground joins are two; a stalk of a thing's own colour joins its parts.

The picture is invented: two green rectangles on a brown ground, and a band between them.
"""

import numpy as np
import pytest

from tracer.search.necks import joined_cores

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
