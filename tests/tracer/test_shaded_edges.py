"""Things on a mat that look nearly as it does in shade: how sharp the picture is, and where their edge is asked."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from calibration.light import decode_srgb
from tracer.search.mat_code import looks_shaded
from tracer.search.mat_edge import _BLURS_PX, _best_blur

PALE = (196, 208, 204)


@pytest.mark.parametrize(
    ("card", "shaded"), [((160, 160, 162), True), ((250, 250, 246), False), ((90, 140, 190), False)]
)
def test_grey_card_looks_as_its_pale_mat_does_in_shade(card: tuple[int, int, int], shaded: bool) -> None:
    light = decode_srgb(np.full((40, 40, 3), PALE, np.uint8))
    thing = decode_srgb(np.array([[card]], np.uint8))[0, 0] / light[0, 0]
    on: Any = SimpleNamespace(ground=SimpleNamespace(light=light), thing=thing)
    assert looks_shaded(on) is shaded


def test_a_shadow_on_one_side_does_not_make_a_picture_less_sharp() -> None:
    """Grey card had been drawn 0.4 mm towards its shadow, and 0.1 mm outward on the side that had none."""
    angle = np.repeat(np.arange(8) * np.pi / 4, 40)
    sides = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    seen_px = np.where(np.cos(angle - 0.4) > 0, 1.3, 0.95)
    costs = 40 * (np.array(_BLURS_PX)[:, None] - seen_px) ** 2
    assert _best_blur(costs, sides) == pytest.approx(0.95, abs=0.03)


def test_without_a_side_to_tell_all_of_an_edge_tells_the_blur() -> None:
    costs = 40 * (np.array(_BLURS_PX)[:, None] - np.full(30, 1.12)) ** 2
    assert _best_blur(costs, None) == 1.1
