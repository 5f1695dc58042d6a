"""Lines drawn by hand: two joined over their gap into a piece, and a stretch of an outline drawn anew.

Areas are those of the polygons that were drawn, worked out by hand.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import choose_mark, click_on_mark, key, opened, page_of, shot
from tests.browser.test_journey import in_force, said
from tests.tracer.test_pattern import a_pattern
from tracer.pattern import load, save

DRAWN_MM2 = 0.01
"""Points are typed and kept to a thousandth of a millimetre."""


def draw(page: Any, points: str) -> None:
    """Draw a line on the sheet by typing its points."""
    page.click(key("draw line"))
    for k, point in enumerate(points.split("; "), start=1):
        page.fill(key("pen point"), point)
        page.press(key("pen point"), "Enter")
        page.wait_for_selector(f".pen:has-text('{k} point')")
    page.wait_for_selector(".pen-dots")
    page.click(key("pen done"))
    page.wait_for_selector(".pen", state="detached")


def test_two_lines_are_joined_and_a_stretch_is_drawn_anew(browser: Any, tmp_path: Path) -> None:
    job = tmp_path / "job"
    job.mkdir()
    start = a_pattern()
    save(start, job)
    sheet = start.sheets[0]
    first = len(sheet.marks) + 1
    with opened(job) as address, page_of(browser, address) as page:
        page.wait_for_selector(".hung")
        # Two sides of a rectangle of 60 x 40 mm each; the gaps between them are bridged.
        draw(page, "120, 20; 180, 20; 180, 60")
        in_force(page, job, 1)
        draw(page, "180, 62; 120, 62; 120, 22")
        in_force(page, job, 2)
        choose_mark(page, f"{sheet.id}.m{first}")
        page.click(key("join mark"))
        page.wait_for_selector(".mark.joining")
        click_on_mark(page, f"{sheet.id}.m{first + 1}")
        said(page, "joined")
        made = load(job).pieces[-1]
        assert made.outline.area == pytest.approx(60 * 42, abs=DRAWN_MM2)
        page.wait_for_selector(f".hung:has-text('{made.name}')")
        shot(page, "joined", tmp_path)

        # Its top side, from point 1 to point 2, drawn anew over a peak 15 mm above its middle.
        page.click(f".hung:has-text('{made.name}')")
        page.click(key("points"))
        page.wait_for_selector(key("point 1"))
        corners = [tuple(s[0].round(3)) for s in made.outline.segments]
        from_point = corners.index((120.0, 20.0)) + 1
        page.focus(key(f"point {from_point}"))
        page.click(key("redraw"))
        page.fill(key("pen point"), "150, 5")
        page.press(key("pen point"), "Enter")
        page.wait_for_selector(".pen:has-text('1 point is set')")
        page.click(key("pen done"))
        said(page, "drawn anew")
        redrawn = load(job).pieces[-1]
        assert redrawn.outline.area == pytest.approx(60 * 42 + 60 * 15 / 2, abs=DRAWN_MM2)
        assert "drawn by hand" in " ".join(redrawn.notes)
        page.click(key("undo"))
        in_force(page, job, 3)
        page.click(key("undo"))
        in_force(page, job, 2)
        assert len(load(job).pieces) == len(start.pieces)
