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
_WAVE_LENGTHS = (1.0, 0.6, 0.4)
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
    seen = [np.asarray(line.points_px) - middle for line in lines]
    bows, waves = [], []
    for k, turn in enumerate(_DIRECTIONS):
        places = [points @ [np.cos(turn), np.sin(turn)] / longest_px for points in seen]
        bows.append([_bow(points, -4.0 * t**2) for points, t in zip(seen, places, strict=True)])
        for length in _WAVE_LENGTHS if k % 2 == 0 else ():
            for phase in _PHASES:
                heights = [0.5 * np.cos(2 * np.pi * t / length + phase) for t in places]
                waves.append([_bow(points, h) for points, h in zip(seen, heights, strict=True)])
    both = np.concatenate([_HEIGHTS_MM, -_HEIGHTS_MM])[:, None, None] / away_mm
    bow = (both * np.array(bows)).reshape(-1, len(lines))
    # A wave of half another phase is the one upside down.
    wave = (both[: len(_HEIGHTS_MM)] * np.array(waves)).reshape(-1, len(lines))
    chance = np.repeat([_FLAT, (1 - _FLAT) / 2 / len(bow), (1 - _FLAT) / 2 / len(wave)], [1, len(bow), len(wave)])
    return np.concatenate([np.zeros((1, len(lines))), bow, wave]), chance


def _bow(points: Floats, height: Floats) -> float:
    """Return the bow of a line of points (N, 2), from the picture's middle, that lie so high, in camera distances."""
    along = points[-1] - points[0]
    length = np.hypot(*along)
    beside = float(points.mean(axis=0) @ [-along[1], along[0]]) / length
    place = (points - points[0]) @ along / length
    t = 2 * (place - place.mean()) / np.ptp(place)
    return float(-beside * np.polyfit(t, height, 2)[0])
