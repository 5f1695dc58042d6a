"""Which way round sizes are seen side by side: looks across a bundle are turned against each other (invented looks)."""

import numpy as np

from tracer.search.ranks import _Readings, _turned

A, B = [0, 1, 2, 3], [4, 5, 6, 7]
"""The stretches of four sizes on two sides of a piece, innermost first."""
PAST_A_CORNER = [1, 0, 4, 5]
"""A look that meets both sides, the one from behind."""
CHAINS = np.array([0, 1, 2, 3, 0, 1, 2, 3])
"""Each size was followed from the one side to the other."""


def turned(looks, weights, styles=(None,) * 8):
    met = np.array(looks)
    return _turned(_Readings(met=met, weight=np.array(weights, float)), np.arange(8), CHAINS, styles)


def test_what_a_few_looks_past_a_corner_say_does_not_outweigh_two_sides():
    assert turned([A, B, PAST_A_CORNER], [900.0, 700.0, 6.0])[:2].tolist() == [False, False]


def test_sides_between_which_the_sizes_cross_are_turned_against_each_other():
    assert turned([A, B[::-1]], [900.0, 700.0]).tolist() == [False, True]


SOLID, LONG, SHORT, DOTS = (999.0, 1.0, 90.0), (10.0, 0.8, 90.0), (3.0, 0.65, 90.0), (1.0, 0.5, 90.0)


def test_the_styles_of_two_sides_tell_how_they_are_turned_where_lines_were_followed_across_each_other():
    crossed = [SOLID, LONG, SHORT, DOTS, DOTS, SHORT, LONG, SOLID]
    assert turned([A, B], [900.0, 700.0], crossed).tolist() == [False, True]
    alike = [SOLID, LONG, SHORT, DOTS, SOLID, LONG, SHORT, DOTS]
    assert turned([A, B], [900.0, 700.0], alike).tolist() == [False, False]


def test_sizes_in_one_style_and_two_lines_with_styles_alone_tell_nothing_of_it():
    assert turned([A, B[::-1]], [900.0, 700.0], [LONG] * 8).tolist() == [False, True]
    few = [SOLID, LONG, None, None, None, None, LONG, SOLID]
    assert turned([A, B], [900.0, 700.0], few).tolist() == [False, False]
