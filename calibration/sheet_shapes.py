"""Ways in which a sheet of paper may lie, and how much each bends the lines on it.

Paper hardly stretches, so that it bends one way at a time: how high it lies depends on the place across the bend alone
(a cylinder, in the wide sense). A point that lies h nearer to a camera at the distance D, looking down, is seen farther
from the picture's middle by the share h / D. A line that passes the middle at some distance q is therefore moved aside
by q h / D, and bends as far as h bends along it: by cos^2 of the angle between it and the way across (Euler's theorem
on the curvature of a surface's normal sections). A lens bends lines of all directions alike; that is what tells the two
apart.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.camera import PlaneMap
from calibration.picture import PxPoints
from calibration.references.straight_lines import FoundLine

Floats = NDArray[np.float64]

_FLAT = 0.8
"""How often paper lies flat under a camera; of the rest half lies in one bow, half in waves (judgement)."""
_HEIGHTS_MM = np.geomspace(0.1, 3.0, 6)
"""Heights of a bow or wave over the picture's longer side, each as likely (judgement)."""
_DIRECTIONS = np.arange(8) * np.pi / 8
_WAVE_DIRECTIONS = slice(None, None, 2)
_WAVE_LENGTHS = np.array([1.0, 0.6, 0.4])
"""Of the picture's longer side."""
_PHASES = np.arange(4) * np.pi / 2


def ways_to_lie(lines: Sequence[FoundLine], plane: PlaneMap) -> tuple[Floats, Floats]:
    """Return by how much (px, shape (W, N)) lines bow where a sheet lies in each way, and how likely each is (W,).

    The first way is flat.
    """
    middle = np.asarray(plane.centre_px)
    longest_px = 2.0 * float(middle.max())
    ends_mm = np.asarray(plane.to_mm(PxPoints(middle + [[-0.1 * longest_px, 0.0], [0.1 * longest_px, 0.0]])))
    away_mm = plane.focal_px * float(np.hypot(*(ends_mm[1] - ends_mm[0]))) / (0.2 * longest_px)
    bows, waves = zip(*(_bows(np.asarray(line.points_px) - middle, longest_px) for line in lines), strict=True)
    both = np.concatenate([_HEIGHTS_MM, -_HEIGHTS_MM])[:, None, None] / away_mm
    bow = (both * np.stack(bows, axis=1)).reshape(-1, len(lines))
    # A wave of half another phase is the one upside down.
    wave = (both[: len(_HEIGHTS_MM)] * np.stack(waves, axis=1)).reshape(-1, len(lines))
    chance = np.repeat([_FLAT, (1 - _FLAT) / 2 / len(bow), (1 - _FLAT) / 2 / len(wave)], [1, len(bow), len(wave)])
    return np.concatenate([np.zeros((1, len(lines))), bow, wave]), chance


def _bows(points: Floats, longest_px: float) -> tuple[Floats, Floats]:
    """Return the bows of a line of points (N, 2), from the picture's middle, on each bow and wave of height one.

    Heights are in camera distances.
    """
    along = points[-1] - points[0]
    length = np.hypot(*along)
    beside = float(points.mean(axis=0) @ [-along[1], along[0]]) / length
    place = (points - points[0]) @ along / length
    t = 2 * (place - place.mean()) / np.ptp(place)
    square = np.linalg.pinv(np.vander(t, 3))[0]
    across = points @ np.stack([np.cos(_DIRECTIONS), np.sin(_DIRECTIONS)]) / longest_px
    turns = 2 * np.pi * across[:, _WAVE_DIRECTIONS, None, None] / _WAVE_LENGTHS[:, None] + _PHASES
    waves = 0.5 * np.cos(turns).reshape(len(points), -1)
    return -beside * (square @ (-4.0 * across**2)), -beside * (square @ waves)
