"""The pictures of the report."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np

from calibration import CalibrateOptions, PxPoints, ReferenceRequest, Sheet, calibrate
from fixtures.references import square
from tests.calibration.scenes import paper_scene, picture_of, scanned
from tracer.report.figure import rectified_preview


def test_a_lens_that_maps_far_away_outside_of_the_picture_leaves_white_there() -> None:
    """Without a word from numpy: what it says of numbers too large would stand among the messages to people."""
    scene = paper_scene()
    square(scene, (20, 10), "50mm")
    picture = picture_of(scanned(scene, dpi=60))
    sheet = calibrate(picture, CalibrateOptions(request=ReferenceRequest(kind="square", size="50mm")))
    before = rectified_preview(sheet, longest_px=120)

    def far_beyond(self: Sheet, mm: np.ndarray) -> PxPoints:
        px = np.asarray(self.plane.to_px(mm)).copy()  # type: ignore[arg-type]
        px[px[:, 0] > 0.7 * picture.width_px] = 1e60
        return PxPoints(px)

    with patch.object(Sheet, "to_px", far_beyond):
        preview = rectified_preview(sheet, longest_px=120)
    assert (preview[:, -10:] == 255).all()
    assert np.array_equal(preview[:, :60], before[:, :60])
