"""A closed line that is drawn is a piece; a loop in the grain of what things lie on is none, and is said to be.

The grain is invented here: noise, drawn out along x. No picture of real wood is used.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.tracer.sheet_drawing import Drawing
from tracer.ink import find_ink
from tracer.search import first_look
from tracer.search.find import find_candidates
from tracer.search.texture import is_drawn

RING = np.column_stack([150 + 90 * np.cos(t := np.linspace(0, 2 * np.pi, 566)), 150 + 60 * np.sin(t)])
LINE_PX = 4.0
GRADED_PX = 8.0
"""By how much the sizes lie farther apart on the one side and closer on the other (invented)."""


def grain(shape, seed, *, along_px=30.0, across_px=2.0):
    """Noise of mean 0 and standard deviation 1, drawn out along x."""
    rough = np.random.default_rng(seed).normal(size=shape).astype(np.float32)
    calm = cv2.GaussianBlur(rough, (0, 0), sigmaX=along_px, sigmaY=across_px)
    return (calm - calm.mean()) / calm.std()


def darkness(depth, spread, seed=0):
    """A ring drawn ``depth`` dark on a ground whose darkness varies by ``spread``, as levels of 255."""
    ground = 10.0 + spread * grain((300, 300), seed)
    line = np.zeros((300, 300), np.uint8)
    cv2.polylines(line, [np.rint(RING).astype(np.int32)], True, 255, round(LINE_PX), cv2.LINE_AA)
    return np.clip(ground + depth * (line / 255.0), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("depth", "spread"), [(150, 2), (25, 2), (100, 8)])
def test_a_line_is_drawn_where_it_is_darker_than_all_beside_it(depth, spread):
    assert is_drawn([RING], darkness(depth, spread), LINE_PX)


def through_the_darkest(dark, ring):
    """The loop that a search joins of a texture: each point moved to the darkest place within some pixels of it."""
    middle = ring.mean(axis=0)
    out = (ring - middle) / np.hypot(*(ring - middle).T)[:, None]
    reach = np.arange(-6, 7)
    where = (ring[:, None] + reach[None, :, None] * out[:, None]).astype(np.float32)
    seen = cv2.remap(dark, where[..., 0], where[..., 1], cv2.INTER_LINEAR)
    return ring + reach[seen.argmax(axis=1)][:, None] * out


@pytest.mark.parametrize("seed", range(4))
def test_a_loop_through_the_dark_places_of_a_grain_is_not_drawn(seed):
    dark = darkness(0, 12, seed)
    assert not is_drawn([through_the_darkest(dark, RING)], dark, LINE_PX)


def test_a_line_between_two_others_is_drawn():
    """Sizes drawn into each other have lines beside them on both sides, all of one darkness."""
    dark = np.zeros((300, 300), np.uint8)
    for size in (0.8, 0.9, 1.0, 1.1, 1.2):
        ring = (RING - 150) * size + 150
        cv2.polylines(dark, [np.rint(ring).astype(np.int32)], True, 120, round(LINE_PX), cv2.LINE_AA)
    assert is_drawn([RING], dark, LINE_PX)


def test_a_dashed_line_between_others_at_changing_distances_is_drawn():
    """Graded sizes, packed on one side and apart on the other: at any distance there is a line for some of the way."""
    dark = np.zeros((300, 300), np.uint8)
    for k in range(-2, 3):
        ring = (RING - 150) * (1.0 + 0.08 * k) + [150 + GRADED_PX * k, 150]
        for dash in np.array_split(np.rint(ring).astype(np.int32), 40):
            cv2.polylines(dark, [dash[:-3]], False, 120, round(LINE_PX), cv2.LINE_AA)
    assert is_drawn([dash[:-3] for dash in np.array_split(RING, 40)], dark, LINE_PX)


@pytest.mark.parametrize(("apart", "drawn_share"), [(0.12, 0.5), (0.16, 0.6)])
def test_a_loop_in_the_midst_of_many_sizes_dashes_is_drawn(apart, drawn_share):
    """Eleven sizes, evenly apart: at any distance some line lies beside, and for half of its way there is a dash."""
    dark = np.zeros((300, 300), np.uint8)
    rng = np.random.default_rng(3)
    middle = []
    for k in range(-5, 6):
        ring = np.rint((RING - 150) * (1.0 + apart * k) + 150).astype(np.int32)
        for part in np.array_split(np.roll(ring, int(rng.integers(20)), axis=0), 26):
            dash = part[: round(drawn_share * len(part))]
            cv2.polylines(dark, [dash], False, 120, 3, cv2.LINE_AA)
            middle += [dash.astype(float)] * (k == 0)
    assert is_drawn(middle, dark, 3.0)


def test_too_little_of_a_line_says_nothing():
    assert is_drawn([RING[:8]], darkness(0, 12), LINE_PX)


def test_a_loop_of_grain_is_a_mark_and_no_piece(monkeypatch):
    d = Drawing(100, 80, dpi=120)

    def grain_for_ink(pixels, mm_per_px, light_print=None):
        """A ground whose darkest places are taken for a closed line."""
        ink = find_ink(pixels, mm_per_px, light_print)
        dark = np.clip(30 + 8 * grain(ink.dark.shape, 3), 0, 255).astype(np.uint8)
        loop = np.rint(through_the_darkest(dark, RING + [50, 40])).astype(np.int32)
        mask = np.zeros_like(ink.mask)
        cv2.polylines(mask, [loop], True, 255, round(LINE_PX))
        return replace(ink, dark=dark, mask=mask)

    monkeypatch.setattr(first_look, "find_ink", grain_for_ink)
    result = find_candidates(d.sheet(), words=False)
    assert not result.candidates
    (loop,) = [m for m in result.sheet_marks if m.text == "grain of the ground"]
    assert loop.path is not None
    box = np.ptp(np.asarray(loop.path.flatten(0.1)), axis=0) / d.mm_per_px
    assert box == pytest.approx([180, 120], abs=14)


@pytest.mark.parametrize("above", [0.8, 1.0])
def test_a_short_loop_of_broad_grain_is_not_drawn_though_half_of_what_lies_beside_it_is_calm(above):
    """Thirty times as long as it is broad; sizes drawn into each other are hundreds of times. It had been a piece."""
    strips = (18 * (grain((300, 300), 1, across_px=6.0) > above)).astype(np.uint8)

    def with_ring(width):
        dark = strips.copy()
        cv2.polylines(dark, [np.rint(RING).astype(np.int32)], True, 20, width, cv2.LINE_AA)
        return dark

    assert not is_drawn([RING], with_ring(16), 16.0)
    assert is_drawn([RING], with_ring(4), 4.0)
