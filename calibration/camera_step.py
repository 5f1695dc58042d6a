"""Steps away from a fitted photo that keep what the picture fixes.

Focal length, distance, tilt and lens coefficients trade against each other: a picture of a plane hardly tells them
apart, so their uncertainties are large and strongly correlated while the map they make together is known well. A
straight step along such a valley soon leaves it (35 % more focal length and distance change the scale by 6 % through
the second order alone). Taken in quantities that the picture fixes - distance, tilt and place over focal length, lens
coefficients over its powers - the valley is straight, and so is the step. To first order both are the same.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.camera_model import CameraModel, PhotoModel, Vector

_TILT, _PLACE, _FOCAL = slice(0, 3), slice(3, 6), 6
_LENS_POWERS = {9: 2.0, 10: 4.0, 11: 1.0, 12: 1.0, 13: 6.0}
"""k1, k2, p1, p2, k3: each times so many powers of the radius, which is pixels over focal length."""


def _turned(vector: Vector) -> Vector:
    return np.asarray(cv2.Rodrigues(np.asarray(vector, dtype=np.float64))[0])


def stepped(camera: CameraModel, theta: Vector, step: Vector) -> Vector:
    """Return the parameters one step from ``theta``, second order in the focal length taken along.

    For a scanner, whose map is well fixed, this is ``theta + step``.
    """
    out = np.asarray(theta + step, dtype=np.float64)
    if not isinstance(camera, PhotoModel):
        return out
    d = float(step[_FOCAL])
    x, y, z = theta[_PLACE]
    dx, dy, dz = step[_PLACE]
    new_z = float(z * np.exp(dz / z))
    out[_PLACE] = [(x / z + (dx - x * dz / z) / z) * new_z, (y / z + (dy - y * dz / z) / z) * new_z, new_z]
    for i, power in _LENS_POWERS.items():
        out[i] = (theta[i] + step[i] - power * d * theta[i]) * np.exp(power * d)
    # Tilt grows with the focal length; what exp(d) adds to 1 + d is turned in about an axis in the picture.
    start = camera.turn0 @ _turned(theta[_TILT])
    more = np.exp(d) - 1.0 - d
    nx, ny = more * start[0, 2], more * start[1, 2]
    wanted = _turned(np.array([-ny, nx, 0.0])) @ camera.turn0 @ _turned(out[_TILT])
    out[_TILT] = np.asarray(cv2.Rodrigues(camera.turn0.T @ wanted)[0]).ravel()
    return out
