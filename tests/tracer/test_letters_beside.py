"""Letters printed on a mat that touch a thing, where the coarse search had closed them over with the mat between."""

import numpy as np

from tracer.search.edges import _told_nothing_by, _words_beside

PER_PX = 0.25
EDGE, END = 60, 78
"""Rows where the thing ends, and where what was closed over with it ends."""


def test_a_letter_that_a_line_cuts_in_two_is_none_of_the_thing_it_touches_nor_is_the_mat_within_it():
    """A red card had got 2.4 mm of the words beside it: the upper halves of letters had lain within it."""
    seed = np.zeros((120, 200), np.uint8)
    seed[:EDGE] = 1
    seed[EDGE:END, 60:140] = 1
    letter = np.zeros(seed.shape, bool)
    letter[EDGE : EDGE + 9, 80:120] = True
    letter[EDGE + 10 : END + 6, 80:120] = True
    within = np.zeros(seed.shape, bool)
    within[EDGE + 4 : END + 2, 92:108] = True
    drawn = np.zeros(seed.shape, bool)
    drawn[35:45, 80:100] = True
    words, among = _words_beside((letter & ~within) | drawn, seed, PER_PX)
    assert (words == letter & ~within).all()
    rest = (seed > 0) & ~among
    assert not rest[EDGE:, 80:120].any()
    assert rest[: EDGE - 3].all()


def test_the_uneven_ground_of_a_mat_is_no_print_of_whose_light_nothing_is_asked():
    """Half of a mottled white mat had passed for print: dark green card lay 0.4 mm aside."""
    mottle = np.random.default_rng(7).normal(1.0, 0.05, (80, 120)).astype(np.float32)
    words = np.abs(mottle - 1.0) > 0.03
    assert _told_nothing_by(words, mottle, (0, 0), 1) is None
    mottle[30:40, 50:54] = 0.3
    words[30:40, 50:54] = True
    told = _told_nothing_by(words, mottle, (100, 200), 2)
    assert told is not None
    on_letter, beside = np.array([[100 + 2 * 51.5, 200 + 2 * 35.0]]), np.array([[100.0, 200.0]])
    assert told.cover(on_letter).all()
    assert not told.cover(beside).any()
