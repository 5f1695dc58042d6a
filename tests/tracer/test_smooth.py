"""Where nested sizes lie when all pulls and their smoothness are met best, against plain least squares."""

import numpy as np
import pytest

from tracer.search.pulls import Pull
from tracer.search.smooth import _HOLD, Smoothness, _prices

SHARE = np.array([-1.0, 0.2, 1.0])


def pulled(size, rng):
    along = np.stack([np.ones((3, size)), np.zeros((3, size))], axis=-1)
    pull = Pull(rng.normal(size=(size, 4)), SHARE, along)
    way = rng.normal(size=(3, size, 2))
    way /= np.hypot(way[..., 0], way[..., 1])[..., None]
    return pull, way, rng.normal(size=(3, size)), rng.random((3, size))


def rows(x, way, far, weight):
    """One equation for each pull: its row over all unknowns and what it asks for, both times the root of its weight."""
    for k, share in enumerate(SHARE):
        for at in range(len(x)):
            row = np.zeros(x.size)
            row[4 * at : 4 * at + 4] = [*way[k, at], *(share * way[k, at])]
            yield np.sqrt(weight[k, at]) * row, np.sqrt(weight[k, at]) * (far[k, at] + row @ x.ravel())


@pytest.mark.parametrize(("size", "starts"), [(4, [0]), (7, [2]), (30, [0, 11])])
@pytest.mark.parametrize("one_by_one", [False, True])
def test_pulls_and_bends_are_met_as_plain_least_squares_meet_them(size, starts, one_by_one):
    pull, way, far, weight = pulled(size, np.random.default_rng(size))
    if one_by_one:
        k, at = (v.ravel() for v in np.indices((3, size)))
        pull.add_at(k, at, way[k, at], far[k, at], weight[k, at])
    else:
        pull.add(way, far, weight)
    asked = list(rows(pull.x, way, far, weight))
    for n in set(range(size)) - set(starts):
        for column, price in enumerate(_prices(0.4)):
            row = np.zeros((size, 4))
            for place, share in ((n - 1, 1.0), (n, -2.0), ((n + 1) % size, 1.0)):
                row[place, column] += share * np.sqrt(price)
            asked.append((row.ravel(), 0.0))
    asked += [
        (np.sqrt(_HOLD) * row, np.sqrt(_HOLD) * value)
        for row, value in zip(np.eye(4 * size), pull.x.ravel(), strict=True)
    ]
    best = np.linalg.lstsq(np.array([a for a, _ in asked]), np.array([b for _, b in asked]), rcond=None)[0]
    smooth = Smoothness(size, np.array(starts))
    assert smooth.solved(pull, 0.4).ravel() == pytest.approx(best, abs=1e-6)
    bends = sum(float(row @ pull.x.ravel()) ** 2 for row, _ in asked[3 * size : -4 * size])
    assert smooth.bends(pull.x, 0.4) == pytest.approx(bends)
