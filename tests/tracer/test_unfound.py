"""What is said of things on a mat that cannot be told from it, on small pictures drawn here."""

import numpy as np
import pytest

from tests.tracer.test_mat_grid import WHITE, mat_drawing, mat_sheet
from tracer.search.find import find_candidates

RING = np.array([[27, 26], [118, 22], [134, 96], [70, 112], [31, 84]], dtype=float)


@pytest.mark.parametrize(("card", "found", "said"), [(WHITE["white"][0], 0, 1), ((190, 60, 70), 1, 0)])
def test_card_of_a_mats_own_colour_is_said_to_be_left_out(card, found, said):
    things = [(RING, card)]
    d, across, down = mat_drawing("white", things)
    result = find_candidates(mat_sheet(d, across, down, things), words=False)
    assert len(result.candidates) == found
    assert [f.code for f in result.findings].count("covered-unfound") == said
