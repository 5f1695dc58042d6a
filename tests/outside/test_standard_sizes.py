"""Sizes of paper and cards against their standards.

ISO 216 (sizes and tolerances, by secondary pages): A0 841 x 1189 ... A5 148 x 210 mm; 1.5 mm up to 150 mm, 2 mm up to
600 mm, 3 mm above. ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, corner radius 2.88 to 3.48 mm.
"""

from __future__ import annotations

import itertools
import math

import pytest

from calibration.references import card, sheet

ISO_216 = {"A0": (841, 1189), "A1": (594, 841), "A2": (420, 594), "A3": (297, 420), "A4": (210, 297), "A5": (148, 210)}


@pytest.mark.parametrize("name", ISO_216)
def test_a_sizes_are_those_of_iso_216(name: str) -> None:
    assert sheet.named_size_mm(name) == ISO_216[name]
    assert sheet.named_size_mm(name.lower()) == ISO_216[name]


def test_each_a_size_is_the_one_before_cut_in_half_to_whole_millimetres() -> None:
    names = list(ISO_216)
    for larger, smaller in itertools.pairwise(names):
        width, height = ISO_216[larger]
        assert sheet.named_size_mm(smaller) == (height // 2, width)


@pytest.mark.parametrize(("length_mm", "tolerance_mm"), [(148, 1.5), (150, 1.5), (210, 2.0), (594, 2.0), (841, 3.0)])
def test_tolerances_are_those_of_iso_216(length_mm: float, tolerance_mm: float) -> None:
    assert sheet.iso_tolerance_mm(length_mm) == tolerance_mm


def test_a4_is_a_scale_reference_of_about_one_percent_at_worst() -> None:
    half_width = math.sqrt(3) * sheet.tolerance_relative((210.0, 297.0))
    assert 0.007 < half_width < 0.0100


def test_card_is_id_1() -> None:
    assert (card.WIDTH_MM, card.HEIGHT_MM) == (85.60, 53.98)
    assert card.CORNER_MM == (2.88, 3.48)
