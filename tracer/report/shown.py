"""What a person is shown of a sheet besides its picture: how its scale was found and how far each outline lies off.

All in the sheet's millimetres. The map is kept too, so that a point set by hand can later be looked up in the picture.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration import MmPoints, PlaneMap, PxPoints, Reference, Sheet, SmoothWarp
from tracer.measure import OutlineError
from tracer.pipeline import TracedSheet

_ERROR_EVERY_MM = 1.5
_MOST_POINTS = 400
"""Of a reference: a mat has thousands, and residual arrows beyond some hundreds hide each other."""


def map_to_json(plane: PlaneMap) -> dict[str, Any]:
    """Return a plane map as numbers."""
    out: dict[str, Any] = {
        "homography": np.asarray(plane.homography).tolist(),
        "centre_px": list(plane.centre_px),
        "focal_px": plane.focal_px,
        "distortion": list(plane.distortion),
    }
    if plane.warp is not None:
        out["warp"] = {
            "origin_px": list(plane.warp.origin_px),
            "spacing_px": plane.warp.spacing_px,
            "coefficients_px": np.asarray(plane.warp.coefficients_px).tolist(),
        }
    return out


def map_from_json(data: dict[str, Any]) -> PlaneMap:
    """Return the plane map of :func:`map_to_json`."""
    k1, k2, p1, p2, k3 = (float(v) for v in data["distortion"])
    warp = data.get("warp")
    return PlaneMap(
        homography=np.array(data["homography"], dtype=np.float64),
        centre_px=(float(data["centre_px"][0]), float(data["centre_px"][1])),
        focal_px=float(data["focal_px"]),
        distortion=(k1, k2, p1, p2, k3),
        warp=None
        if warp is None
        else SmoothWarp(
            origin_px=(float(warp["origin_px"][0]), float(warp["origin_px"][1])),
            spacing_px=float(warp["spacing_px"]),
            coefficients_px=np.array(warp["coefficients_px"], dtype=np.float64),
        ),
    )


def frame_on_sheet(reference: Reference, plane: PlaneMap) -> NDArray[np.float64]:
    """Return how a reference's own frame lies on the sheet, (2, 3): the best shift and turn of its points.

    No scaling, which would hide an error.
    """
    seen = np.asarray(plane.to_mm(reference.points_px))
    own = np.asarray(reference.points_mm)
    u, _, vt = np.linalg.svd((own - own.mean(axis=0)).T @ (seen - seen.mean(axis=0)))
    turn = (u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt).T
    return np.column_stack([turn, seen.mean(axis=0) - turn @ own.mean(axis=0)])


def residuals_mm(reference: Reference, plane: PlaneMap) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where a reference's points lie by the map, (N, 2), and where they should lie less that, (N, 2)."""
    seen = np.asarray(plane.to_mm(reference.points_px))
    frame = frame_on_sheet(reference, plane)
    return seen, np.asarray(reference.points_mm) @ frame[:, :2].T + frame[:, 2] - seen


def _thinned(count: int) -> NDArray[np.intp]:
    return np.unique(np.linspace(0, count - 1, min(count, _MOST_POINTS)).astype(np.intp))


def _rounded(points: NDArray[np.float64], decimals: int) -> list[list[float]]:
    return [[round(float(x), decimals), round(float(y), decimals)] for x, y in points]


def _outline_mm(reference: Reference, sheet: Sheet) -> list[list[float]]:
    if len(reference.outline_px) < 3:
        return []
    return _rounded(np.asarray(sheet.to_mm(PxPoints(reference.outline_px))), 3)


def _reference(reference: Reference, sheet: Sheet) -> dict[str, Any]:
    out: dict[str, Any] = {
        "kind": reference.kind,
        "size": reference.size,
        "outline": _outline_mm(reference, sheet),
        "points": [],
        "residuals": [],
        "frame": None,
    }
    if len(reference.points_px) >= 2:
        seen, off = residuals_mm(reference, sheet.plane)
        keep = _thinned(len(seen))
        out["points"] = np.round(seen[keep], 3).tolist()
        out["residuals"] = np.round(off[keep], 5).tolist()
        out["frame"] = np.round(frame_on_sheet(reference, sheet.plane), 6).tolist()
    return out


def error_profile(error: OutlineError) -> list[list[float | None]]:
    """Return ``[x, y, error]`` about every 1.5 mm: the largest error of each stretch, None where nothing was read."""
    points, values = np.asarray(error.points_mm), np.asarray(error.error_mm)
    step = np.hypot(*np.diff(np.vstack([points, points[:1]]), axis=0).T)
    bins = np.floor(np.concatenate([[0.0], np.cumsum(step)[:-1]]) / _ERROR_EVERY_MM).astype(np.intp)
    out: list[list[float | None]] = []
    for k in range(int(bins[-1]) + 1 if len(bins) else 0):
        members = np.flatnonzero(bins == k)
        if len(members) == 0:
            continue
        read = members[error.valid[members]]
        worst = None if len(read) == 0 else round(float(values[read[np.argmax(np.abs(values[read]))]]), 4)
        first = points[members[0]]
        out.append([round(float(first[0]), 3), round(float(first[1]), 3), worst])
    return out


def corners_in_picture(sheet: Sheet) -> list[list[float]]:
    """Return where the corners of the sheet lie in the picture, pixels, (4, 2)."""
    corners = np.array([[0, 0], [sheet.width_mm, 0], [sheet.width_mm, sheet.height_mm], [0, sheet.height_mm]])
    return _rounded(np.asarray(sheet.to_px(MmPoints(corners))), 2)


def shown_sheet(traced: TracedSheet) -> dict[str, Any]:
    """Return all of it for one sheet."""
    sheet = traced.sheet
    return {
        "file": sheet.picture.source.file,
        "page": sheet.picture.source.page,
        "map": map_to_json(sheet.plane),
        "corners_px": corners_in_picture(sheet),
        "reference": _reference(sheet.reference, sheet),
        "others": [{"kind": o.kind, "size": o.size, "outline": _outline_mm(o, sheet)} for o in sheet.others],
        "errors": {p.piece.id: error_profile(p.error) for p in traced.pieces if p.error is not None},
    }
