"""Letters printed on a mat that touch a thing, where the coarse search had closed them over with the mat between."""

import numpy as np

from tracer.search.words_beside import told_nothing_by, words_beside

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
    words, among = words_beside((letter & ~within) | drawn, seed, PER_PX)
    assert (words == letter & ~within).all()
    rest = (seed > 0) & ~among
    assert not rest[EDGE:, 80:120].any()
    assert rest[: EDGE - 3].all()


def test_only_near_letters_that_were_taken_for_the_thing_nothing_is_told_by_what_looks_like_print():
    """All along the edge of dark card on a pale mat its own blur had passed for print: it lay 0.3 mm aside."""
    words = np.zeros((80, 120), bool)
    words[30:33] = True
    taken = np.zeros(words.shape, bool)
    assert told_nothing_by(words, taken, (0, 0), PER_PX, 1) is None
    taken[32, 20:26] = True
    told = told_nothing_by(words, taken, (100, 200), PER_PX, 2)
    assert told is not None
    letter, far = np.array([[100 + 2 * 22.5, 200 + 2 * 31.5]]), np.array([[100 + 2 * 100.5, 200 + 2 * 31.5]])
    assert told.cover(letter).all()
    assert not told.cover(far).any()
