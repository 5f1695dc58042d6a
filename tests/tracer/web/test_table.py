"""Lays on the page: moved by hand, judged, pinned, and the rest laid around what is pinned."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.tracer.test_pattern import a_pattern
from tracer.errors import LayError
from tracer.lay.check import KEPT_MM
from tracer.path import Path as Outline
from tracer.pattern import Pattern, save
from tracer.piece import CutNote, Fit, Piece
from tracer.web.laying import lay
from tracer.web.table import moved, stepped, table

GAP_MM, MARGIN_MM = 2.0, 10.0
MAT: dict[str, Any] = {
    "on": "mat", "size": "300x400mm", "margin": f"{MARGIN_MM:g}mm", "gap": f"{GAP_MM:g}mm", "turn": "180", "seconds": 1,
}  # fmt: skip


def a_square(number: int, side: float, **cut: Any) -> Piece:
    return Piece(
        id=f"p{number}", name=f"Square {number}", sheet="s1", expanded_uncertainty_mm=0.1,
        outline=Outline.polygon([(5, 7), (5 + side, 7), (5 + side, 7 + side), (5, 7 + side)]).oriented(),
        fit=Fit(max_mm=0, p95_mm=0, rms_mm=0), cut=CutNote(**cut),
    )  # fmt: skip


def laid(job: Path, asked: dict[str, Any] = MAT, *, rest: bool = False) -> dict[str, Any]:
    lay({"job": str(job), "asked": asked, "rest": rest}, lambda _words, _share: None)
    shown = table(job)
    assert shown is not None
    return shown


def rows(shown: dict[str, Any]) -> dict[tuple[str, int], dict[str, Any]]:
    return {(r["piece"], r["copy"]): r for m in shown["mats"] for r in m["placements"]}


def box(row: dict[str, Any], side: float) -> tuple[float, float, float, float]:
    """Where a square (not mirrored, turned by 0 or 180 degrees) lies, computed by hand."""
    sign = 1.0 if round(row["rotation_deg"]) % 360 == 0 else -1.0
    xs = sorted((row["dx"] + sign * 5, row["dx"] + sign * (5 + side)))
    ys = sorted((row["dy"] + sign * 7, row["dy"] + sign * (7 + side)))
    return xs[0], ys[0], xs[1], ys[1]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    pieces = (a_square(1, 80), a_square(2, 60, count=2), a_square(3, 50))
    save(Pattern(sheets=a_pattern().sheets, pieces=pieces), tmp_path)
    return tmp_path


def test_a_moved_piece_lies_where_it_was_put(job: Path) -> None:
    laid(job)
    assert moved(job, {"piece": "p3", "copy": 1, "dx": 200, "dy": 300, "rotation_deg": 0, "keep": True})["wrong"] == []
    shown = table(job)
    assert shown is not None
    assert box(rows(shown)["p3", 1], 50) == pytest.approx((205, 307, 255, 357), abs=1e-3)


def test_overlap_gap_margin_and_edge_are_told_with_how_far(job: Path) -> None:
    laid(job)
    # A corner of the large square at (150, 250), away from everything else.
    moved(job, {"piece": "p1", "copy": 1, "dx": 145, "dy": 243, "rotation_deg": 0, "keep": True})
    first = table(job)

    def wrong(x: float, y: float) -> dict[str, Any]:
        """Set the square of 50 mm with its corner at (x, y); its own 5 and 7 mm are taken off."""
        change = {"piece": "p3", "copy": 1, "rotation_deg": 0, "dx": x - 5, "dy": y - 7}
        return {w["kind"]: w for w in moved(job, change)["wrong"] if "Square 3 1" in w["who"]}

    over = wrong(220, 270)
    assert "overlap" in over
    assert "10.0 mm" in over["overlap"]["words"]
    assert "margin" in wrong(4, 330)
    assert "6.0 mm" in wrong(4, 330)["margin"]["words"]
    assert "outside" in wrong(-3, 330)
    assert wrong(MARGIN_MM, 330) == {}
    assert table(job) == first, "trying keeps nothing"


def test_pinned_pieces_stay_and_the_rest_keeps_clear_of_them(job: Path) -> None:
    laid(job)
    moved(job, {"piece": "p1", "copy": 1, "dx": 120, "dy": 150, "rotation_deg": 0, "keep": True, "pinned": True})
    shown = laid(job, rest=True)
    found = rows(shown)
    assert set(found) == {("p1", 1), ("p2", 1), ("p2", 2), ("p3", 1)}
    assert found["p1", 1]["pinned"]
    assert box(found["p1", 1], 80) == pytest.approx((125, 157, 205, 237), abs=1e-3)
    assert shown["wrong"] == []
    sides = {"p1": 80, "p2": 60, "p3": 50}
    boxes = [box(r, sides[k[0]]) for k, r in found.items()]
    for i, a in enumerate(boxes):
        assert min(a[0], a[1], 300 - a[2], 400 - a[3]) >= MARGIN_MM - KEPT_MM
        for b in boxes[:i]:
            apart = max(b[0] - a[2], a[0] - b[2], b[1] - a[3], a[1] - b[3])
            assert apart >= GAP_MM - KEPT_MM


def test_every_move_can_be_taken_back_and_made_again_whoever_asks(job: Path) -> None:
    laid(job)
    looks = [rows(_table(job))]
    for change in (
        {"piece": "p1", "dx": 120.0, "dy": 150.0, "pinned": True},
        {"piece": "p3", "dx": 15.0, "dy": 300.0, "rotation_deg": 180.0},
        {"piece": "p1", "mirrored": True},
    ):
        moved(job, change | {"copy": 1, "keep": True})
        looks.append(rows(_table(job)))
    # All of it is on disk: each step is asked of the job anew.
    for look in reversed(looks[:-1]):
        stepped(job, back=True)
        assert rows(_table(job)) == look
    with pytest.raises(LayError, match="nothing to take back"):
        stepped(job, back=True)
    for look in looks[1:]:
        stepped(job, back=False)
        assert rows(_table(job)) == look
    with pytest.raises(LayError, match="nothing to do again"):
        stepped(job, back=False)
    # Another move gives up what was taken back.
    stepped(job, back=True)
    moved(job, {"piece": "p2", "copy": 1, "dx": 200.0, "dy": 20.0, "keep": True})
    assert _table(job)["steps"] == {"done": 3, "count": 3}
    # A new lay begins anew.
    assert laid(job)["steps"] == {"done": 0, "count": 0}


def _table(job: Path) -> dict[str, Any]:
    shown = table(job)
    assert shown is not None
    return shown


def test_cloth_is_as_long_as_what_lies_on_it(job: Path) -> None:
    laid(job, MAT | {"on": "fabric", "size": "300mm"})
    moved(job, {"piece": "p3", "copy": 1, "dx": 20, "dy": 600, "rotation_deg": 0, "keep": True})
    record = json.loads((job / "lay.json").read_text())
    assert record["surface"]["length_mm"] == pytest.approx(600 + 7 + 50 + MARGIN_MM, abs=1e-3)


def test_a_lay_of_pieces_that_have_changed_says_so(job: Path) -> None:
    laid(job)
    save(Pattern(sheets=a_pattern().sheets, pieces=(a_square(1, 81), a_square(2, 60, count=2), a_square(3, 50))), job)
    shown = table(job)
    assert shown is not None
    assert "lay them again" in shown["stale"]


def test_on_folded_cloth_nothing_is_moved_by_hand(job: Path) -> None:
    shown = laid(job, MAT | {"on": "fabric", "size": "600mm", "fold": True})
    assert not shown["movable"]
    with pytest.raises(LayError, match="folded"):
        moved(job, {"piece": "p3", "copy": 1, "dx": 0, "dy": 0, "keep": True})


def test_a_leftover_is_never_read_from_elsewhere(job: Path) -> None:
    for size in ("/etc", "..\\x", "/home/x:p1", "../job"):
        with pytest.raises(LayError, match="size"):
            laid(job, MAT | {"on": "leftover", "size": size})
