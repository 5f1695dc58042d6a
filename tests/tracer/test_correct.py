"""Corrections by hand: recorded, undoable, the first reading never lost."""

from __future__ import annotations

import json
from pathlib import Path as FilePath

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.tracer.test_pattern import a_pattern as a_fresh_pattern
from tracer import pattern as pattern_file
from tracer.correct import Change, as_read, record, redo, undo
from tracer.errors import CorrectionError
from tracer.pattern import Pattern

CHANGES: list[Change] = [
    {"do": "rename", "piece": "p1", "name": "Bib"},
    {"do": "cut", "piece": "p1", "count": 4, "fold": True},
    {"do": "kind", "mark": "p1.m1", "kind": "fold line"},
    {"do": "drop", "mark": "p1.m2"},
    {"do": "move", "piece": "p1", "point": 2, "to": [101.5, -2.0]},
    {"do": "add", "piece": "p1", "point": 1, "at": 0.25},
    {"do": "bend", "piece": "p1", "point": 1, "handles": [[-3, 30], [-3, 60]]},
    {"do": "remove", "piece": "p1", "point": 2},
    {"do": "follow", "piece": "p1", "mark": "s1.m1"},
    {"do": "draw", "on": "s1", "points": [[5, 60], [45, 60], [30, 90]], "smooth": True},
    {"do": "redraw", "piece": "p1", "point": 1, "until": 2, "points": [[55, 3]]},
    {"do": "join", "marks": ["s1.m1"], "name": "Square"},
    {"do": "drop", "piece": "p1"},
]


def a_pattern() -> Pattern:
    """A pattern as it comes from its file, where millimetres have four decimals."""
    return pattern_file.from_json(pattern_file.to_json(a_fresh_pattern()))


def content(pattern: Pattern) -> str:
    data = pattern_file.to_json(pattern)
    data.pop("history", None)
    return json.dumps(data)


@pytest.mark.parametrize("change", CHANGES, ids=lambda c: c["do"] + "-" + "-".join(c)[3:])
def test_every_change_is_undone_to_the_letter_and_done_again(change: Change) -> None:
    before = a_pattern()
    after = record(before, change)
    assert content(after) != content(before)
    assert content(undo(after)) == content(before)
    assert content(redo(undo(after))) == content(after)


@given(st.lists(st.sampled_from(CHANGES), min_size=1, max_size=8), st.data())
@settings(max_examples=25, deadline=None)
def test_any_walk_through_the_history_ends_where_it_says(changes: list[Change], data: st.DataObject) -> None:
    pattern, states = a_pattern(), [content(a_pattern())]
    for change in changes:
        try:
            pattern = record(pattern, change)
        except CorrectionError:
            continue
        states.append(content(pattern))
    place = len(states) - 1
    for _ in range(6):
        back = data.draw(st.booleans())
        if back and place > 0:
            pattern, place = undo(pattern), place - 1
        elif not back and place < len(states) - 1:
            pattern, place = redo(pattern), place + 1
        assert content(pattern) == states[place]
    assert content(as_read(pattern)) == states[0]


def test_a_point_that_lies_on_its_neighbour_can_be_taken_out() -> None:
    pattern = a_pattern()
    for change in (
        {"do": "move", "piece": "p1", "point": 2, "to": [101.5, -2.0]},
        {"do": "add", "piece": "p1", "point": 1, "at": 0.25},
        {"do": "move", "piece": "p1", "point": 2, "to": [101.5, -2.0]},
    ):
        pattern = record(pattern, change)
    pattern = record(pattern, {"do": "bend", "piece": "p1", "point": 1, "handles": [[-3, 30], [-3, 60]]})
    before = pattern.pieces[0].outline
    after = record(pattern, {"do": "remove", "piece": "p1", "point": 2}).pieces[0].outline
    assert len(after.segments) == len(before.segments) - 1
    assert after.length == pytest.approx(before.length)
    assert after.area == pytest.approx(before.area)


def test_the_history_survives_saving(tmp_path: FilePath) -> None:
    pattern = record(record(a_pattern(), CHANGES[0]), CHANGES[1])
    pattern_file.save(pattern, tmp_path)
    again = pattern_file.load(tmp_path)
    assert content(undo(undo(again))) == content(a_pattern())
    with pytest.raises(CorrectionError, match="nothing to undo"):
        undo(undo(undo(again)))


def test_a_dropped_piece_is_kept_and_restored() -> None:
    dropped = record(a_pattern(), {"do": "drop", "piece": "p1"})
    assert dropped.pieces == ()
    assert [p.id for p in dropped.dropped] == ["p1"]
    assert [p.id for p in record(dropped, {"do": "restore", "piece": "p1"}).pieces] == ["p1"]


def test_an_added_point_leaves_the_shape_as_it_is() -> None:
    before = a_pattern().pieces[0]
    after = record(a_pattern(), {"do": "add", "piece": "p1", "point": 3, "at": 0.4}).pieces[0]
    assert after.outline.node_count == before.outline.node_count + 1
    assert after.outline.area == pytest.approx(before.outline.area, abs=1e-9)
    assert after.outline.length == pytest.approx(before.outline.length, abs=1e-6)


def test_a_point_added_in_the_middle_and_taken_out_gives_the_curve_back() -> None:
    before = a_pattern().pieces[0].outline
    curve = next(i for i, s in enumerate(before.segments) if len(s) == 4)
    split = record(a_pattern(), {"do": "add", "piece": "p1", "point": curve + 1, "at": 0.5})
    merged = record(split, {"do": "remove", "piece": "p1", "point": curve + 2}).pieces[0].outline
    assert merged.area == pytest.approx(before.area, rel=0.02)
    assert merged.node_count == before.node_count


def test_a_moved_point_takes_its_handles_along() -> None:
    before = a_pattern().pieces[0].outline
    moved = record(a_pattern(), {"do": "move", "piece": "p1", "point": 1, "to": list(before.segments[0][0] + [3, -4])})
    after = moved.pieces[0].outline
    assert np.allclose(after.segments[0][0], before.segments[0][0] + [3, -4])
    assert "moved by hand by 5.00 mm" in moved.pieces[0].notes[-1]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"do": "renam", "piece": "p1", "name": "x"}, "did you mean rename"),
        ({"do": "rename", "piece": "p9", "name": "x"}, "the pieces are: p1"),
        ({"do": "rename", "piece": "p1"}, "needs 'name'"),
        ({"do": "rename", "piece": "p1", "name": "  "}, "at least one letter"),
        ({"do": "cut", "piece": "p1", "count": 0}, "at least once"),
        ({"do": "kind", "mark": "p1.m1", "kind": "grainline"}, "did you mean 'grain line'"),
        ({"do": "kind", "mark": "p1.m7", "kind": "dot"}, "there is no p1.m7"),
        ({"do": "kind", "mark": "seven", "kind": "dot"}, "names no mark"),
        ({"do": "move", "piece": "p1", "point": 99, "to": [0, 0]}, "points 1 to"),
        ({"do": "move", "piece": "p1", "point": 1, "to": [0, float("nan")]}, "two numbers"),
        ({"do": "add", "piece": "p1", "point": 1, "at": 1.0}, "between 0 and 1"),
        ({"do": "restore", "piece": "p1"}, "was not dropped"),
        ({"do": "follow", "piece": "p1", "mark": "p1.m1"}, "no closed line"),
        ({"do": "join", "marks": []}, "one or two"),
    ],
)
def test_a_change_that_cannot_be_made_says_why_and_changes_nothing(change: Change, words: str) -> None:
    pattern = a_pattern()
    before = content(pattern)
    with pytest.raises(CorrectionError, match=words) as caught:
        record(pattern, change)
    assert "\n" not in str(caught.value)
    assert content(pattern) == before


def test_a_stretch_drawn_anew_goes_through_the_drawn_points_and_leaves_the_rest() -> None:
    pattern = a_pattern()
    before = pattern.pieces[0].outline
    changed = record(pattern, {"do": "redraw", "piece": "p1", "point": 2, "until": 3, "points": [[110, 20], [108, 30]]})
    after = changed.pieces[0].outline
    corners = {(round(float(s[0][0]), 3), round(float(s[0][1]), 3)) for s in after.segments}
    assert {(110.0, 20.0), (108.0, 30.0)} <= corners
    assert after.node_count == before.node_count + 2
    assert any("drawn by hand" in n for n in changed.pieces[0].notes)


@pytest.mark.parametrize(
    "change",
    [
        {"do": "redraw", "piece": "p1", "point": 1, "until": 1, "points": [[1, 1]]},
        {"do": "redraw", "piece": "p1", "point": 1, "until": 99, "points": []},
        {"do": "redraw", "piece": "p1", "point": 1, "until": 2, "points": [["x", 1]]},
        {"do": "redraw", "piece": "p1", "point": 1, "until": 2, "points": [[float("nan"), 1]]},
        {"do": "draw", "on": "s1", "points": [[1, 1]]},
        {"do": "draw", "on": "s1", "points": [[1, 1], [1, 1]]},
        {"do": "draw", "on": "s9", "points": [[1, 1], [2, 2]]},
        {"do": "draw", "on": "s1", "points": [[1, 1], [2, 2]], "kind": "fish"},
    ],
)
def test_a_line_that_cannot_be_drawn_is_refused(change: Change) -> None:
    with pytest.raises(CorrectionError):
        record(a_pattern(), change)
