"""Corrections carried over to a new tracing at another scale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.tracer.test_correct import a_pattern
from tracer.carried import carry_over
from tracer.correct import Change, record, undo
from tracer.pattern import Pattern

LARGER = 1.02


def with_changes(*changes: Change) -> Pattern:
    pattern = a_pattern()
    for change in changes:
        pattern = record(pattern, change)
    return pattern


def traced_again(scale: float = LARGER, new_id: str = "p7") -> Pattern:
    """The same sheet, everything larger, its piece under another id."""
    pattern = a_pattern()
    grow = np.array([[scale, 0, 0], [0, scale, 0.0]])
    sheet = replace(pattern.sheets[0], size_mm=tuple(v * scale for v in pattern.sheets[0].size_mm))
    piece = replace(pattern.pieces[0], id=new_id, outline=pattern.pieces[0].outline.transformed(grow), name="Piece 7")
    return replace(pattern, sheets=(sheet,), pieces=(piece,))


def test_names_and_counts_go_over_to_the_piece_at_the_same_place() -> None:
    earlier = with_changes(
        {"do": "rename", "piece": "p1", "name": "Bib"},
        {"do": "cut", "piece": "Bib", "count": 4},
    )
    carried = carry_over(earlier, traced_again())
    assert [(p.id, p.name, p.cut.count) for p in carried.pieces] == [("p7", "Bib", 4)]
    assert not any(f.code == "change-not-kept" for f in carried.findings)
    assert undo(undo(carried)).pieces[0].name == "Piece 7"


def test_moved_points_go_over_in_proportion() -> None:
    carried = carry_over(with_changes({"do": "move", "piece": "p1", "point": 2, "to": [101.5, -2.0]}), traced_again())
    assert carried.pieces[0].outline.segments[1][0] == pytest.approx([101.5 * LARGER, -2.0 * LARGER], abs=1e-3)


def test_a_change_that_no_longer_fits_is_named_and_not_made() -> None:
    earlier = with_changes({"do": "move", "piece": "p1", "point": 2, "to": [101.5, -2.0]})
    other = record(traced_again(), {"do": "add", "piece": "p7", "point": 1, "at": 0.5})
    carried = carry_over(earlier, replace(other, history=None))
    assert carried.pieces[0].outline.node_count == other.pieces[0].outline.node_count
    assert carried.history is None
    assert [f.code for f in carried.findings if f.code == "change-not-kept"] == ["change-not-kept"]
    assert "other points" in carried.findings[-1].message


def test_changes_taken_back_are_not_made_again() -> None:
    earlier = undo(with_changes({"do": "rename", "piece": "p1", "name": "Bib"}))
    assert carry_over(earlier, traced_again()).pieces[0].name == "Piece 7"


def test_a_piece_that_is_no_longer_there_is_named() -> None:
    earlier = with_changes({"do": "drop", "piece": "p1"})
    away = traced_again()
    far = away.pieces[0].outline.translated(90, 150)
    carried = carry_over(earlier, replace(away, pieces=(replace(away.pieces[0], outline=far),)))
    assert len(carried.pieces) == 1
    assert "no piece where p1 was" in carried.findings[-1].message
