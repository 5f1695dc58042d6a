"""What goes wrong and what is half done, looked at by axe-core by day and by night: refusals, warnings, open tools.

Here the browser's console does tell errors: they are the refusals themselves, so these tests open pages of their own.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from tests.browser.conftest import go, key, opened, shot, violations
from tests.browser.test_first_outlines import server_of
from tests.browser.test_journey import drop, said
from tests.tracer.test_pattern import a_pattern
from tracer.pattern import load, save


@contextmanager
def looked_at(browser: Any, address: str, axe: Path, shots: Path) -> Iterator[tuple[Any, Any]]:
    """Open the page, and give it with a function that looks at it by day and by night; what it finds fails the test."""
    context = browser.new_context(viewport={"width": 1100, "height": 900}, bypass_csp=True, reduced_motion="reduce")
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector(".station.open")
    page.add_script_tag(path=str(axe))
    found: dict[str, list[str]] = {}

    def look(name: str) -> None:
        found[f"{name}, light"] = violations(page)
        page.emulate_media(color_scheme="dark")
        # Only colours are other by night.
        found[f"{name}, dark"] = violations(page, rules=["color-contrast"])
        page.emulate_media(color_scheme="light")
        shot(page, f"state-{name}", shots)

    yield page, look
    context.close()
    assert not any(found.values()), {k: v for k, v in found.items() if v}


def test_refusals_in_the_tray_have_no_accessibility_violation(browser: Any, axe: Path, tmp_path: Path) -> None:
    blank, harmful = tmp_path / "blank.png", tmp_path / "script.svg"
    cv2.imwrite(str(blank), np.full((600, 800), 235, np.uint8))
    harmful.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="9mm" height="9mm"><script>alert(1)</script></svg>'
    )
    with opened(tmp_path / "job") as address, looked_at(browser, address, axe, tmp_path) as (page, look):
        go(page, "rule")
        look("nothing-traced")
        go(page, "tray")
        drop(page, harmful)
        said(page, "holds a script")
        look("upload-refused")
        drop(page, blank)
        page.wait_for_selector(".paper input:checked")
        page.click(key("trace them"))
        page.wait_for_selector(".refusal", timeout=120_000)
        look("tracing-refused")
        page.click(key("point at it"))
        page.wait_for_selector(".corner")
        page.press(key("corner 2"), "ArrowLeft")
        look("pointing")


def test_warnings_and_open_tools_have_no_accessibility_violation(browser: Any, axe: Path, tmp_path: Path) -> None:
    job = tmp_path / "job"
    job.mkdir()
    save(a_pattern(), job)
    with opened(job) as address, looked_at(browser, address, axe, tmp_path) as (page, look):
        page.wait_for_selector(".hung")
        page.click(key("drop piece"))
        page.wait_for_selector(".rail .aside")
        page.click(key("draw line"))
        page.fill(key("pen point"), "20, 30")
        page.press(key("pen point"), "Enter")
        page.wait_for_selector(".pen-dots", state="attached")
        look("drawing")
        page.click(key("draw line"))
        page.click(".rail .aside .hung")

        go(page, "cut")
        page.wait_for_selector(".cut-card")
        page.fill(key("cut 0 allowance"), "a little")
        page.press(key("cut 0 allowance"), "Tab")
        page.wait_for_selector(".cut-card .mind")
        page.click("#cut-0 summary")
        look("cut-refused")

        go(page, "lay")
        page.fill(key("lay size"), "100x100mm")
        page.fill(key("lay margin"), "0mm")
        page.fill(key("lay seconds"), "1")
        page.click(key("lay out"))
        page.wait_for_selector("#lay-wrong", timeout=60_000)
        look("too-small-a-mat")
        page.fill(key("lay size"), "no size")
        page.click(key("lay out"))
        page.wait_for_selector("#said.trouble:not(:empty)")
        look("lay-refused")

        # A change of the pieces is told where the lay is summed up, without opening it.
        go(page, "trace")
        page.click(key("points"))
        page.click("#units-in")
        page.wait_for_selector(".points:has-text('with Shift by 0.05 in')")
        before = load(job).pieces[0].outline.segments[0][0]
        page.focus(key("point 1"))
        page.keyboard.press("Shift+ArrowDown")
        said(page, "moved")
        assert load(job).pieces[0].outline.segments[0][0] - before == pytest.approx([0, 0.05 * 25.4], abs=1e-3)
        page.wait_for_selector("#sum-lay:has-text('have changed since they were laid')")
        go(page, "lay")
        page.wait_for_selector("#at-lay .mind")
        look("stale-lay")

        os.kill(server_of(job), signal.SIGKILL)
        page.wait_for_selector("#saved:has-text('does not answer')")
        go(page, "trace")
        page.click(key("undo"))
        said(page, "does not answer")
        look("no-server")
