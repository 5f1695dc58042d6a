"""A real Chromium on the real server. Skipped, saying why, where Chromium or Playwright is not installed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

import cv2
import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip

if CHROMIUM is None:
    collect_ignore_glob = ["test_*.py"]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The journey first: the other tests look at the job it leaves. So these tests run in one process, without -n."""
    items.sort(key=lambda i: i.path.parent.name == "browser" and "journey" not in i.path.name)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("there is no chromium on this machine; install it to run the page's tests")
    sync_api = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed; it is in the dev extra")
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@contextmanager
def opened(job: Path) -> Iterator[str]:
    """Run ``tracewheel open`` on a job and give the address it prints."""
    process = subprocess.Popen(
        [sys.executable, "-c", "from tracer.cli import main; main()", "open", str(job), "--no-browser"],
        stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2], env={"OMP_NUM_THREADS": "1"} | os.environ,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        found = re.search(r"http\S+", process.stdout.readline())
        assert found is not None
        yield found.group()
    finally:
        process.terminate()
        process.wait(timeout=20)
        if process.stdout is not None:
            process.stdout.close()


@contextmanager
def page_of(browser: Any, address: str, **options: Any) -> Iterator[Any]:
    """Open the page; any error in its scripts, or anything refused by its policy, fails the test."""
    settings = {"viewport": {"width": 1280, "height": 900}, "accept_downloads": True} | options
    context = browser.new_context(**settings)
    context.set_default_timeout(30_000)
    page = context.new_page()
    trouble: list[str] = []
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("console", lambda m: trouble.append(m.text) if m.type == "error" and "409" not in m.text else None)
    page.on("request", lambda r: None if r.url.startswith((address.split("/?")[0], "blob:")) else trouble.append(r.url))
    # Listened for from the beginning: asked for only when one is expected, the browser may be told too late.
    page.on("filechooser", lambda chooser: None)
    page.goto(address)
    page.wait_for_selector(".station.open")
    yield page
    assert not trouble, trouble
    context.close()


def note(folder: Path, words: str) -> None:
    """Keep a measured number beside the pictures."""
    kept = Path(os.environ.get("TRACEWHEEL_SHOTS", folder))
    kept.mkdir(parents=True, exist_ok=True)
    with (kept / "numbers.txt").open("a", encoding="utf-8") as stream:
        stream.write(f"{words}\n")


def shot(page: Any, name: str, folder: Path) -> None:
    """Keep a picture of the page, in the folder that TRACEWHEEL_SHOTS names or the test's own."""
    kept = Path(os.environ.get("TRACEWHEEL_SHOTS", folder))
    kept.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=str(kept / f"{name}.png"), full_page=True)


def go(page: Any, station: str) -> None:
    """Open a station by a click."""
    if page.get_attribute(f"#to-{station}", "aria-expanded") != "true":
        page.click(f"#to-{station}")
    page.wait_for_selector(f"#at-{station} > *")


def key(words: str) -> str:
    return f'[data-key="{words}"]'


@pytest.fixture(scope="session")
def demo_scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("scan") / "apron-scan.jpg"
    target.write_bytes(resources.files("tracer.demo").joinpath("apron-scan.jpg").read_bytes())
    return target


@pytest.fixture(scope="session")
def small_scan(demo_scan: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo scan at half its density: a quarter of the work."""
    pixels = cv2.imread(str(demo_scan), cv2.IMREAD_GRAYSCALE)
    target = tmp_path_factory.mktemp("small") / "small-scan.png"
    cv2.imwrite(str(target), cv2.resize(pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    return target


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder into which the journey leaves its finished job, for the tests that look at every view."""
    return tmp_path_factory.mktemp("finished")


@pytest.fixture(scope="session")
def axe(pytestconfig: pytest.Config) -> Path:
    """The axe-core script, fetched once and kept in pytest's cache."""
    folder = Path(pytestconfig.cache.mkdir("axe"))
    script = folder / "node_modules" / "axe-core" / "axe.min.js"
    if not script.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("npm is not installed; it is needed to fetch axe-core")
        asked = [npm, "install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", str(folder), "axe-core@4"]
        done = subprocess.run(asked, capture_output=True, text=True, check=False, env=os.environ | {"CI": "1"})
        if done.returncode != 0 or not script.exists():
            pytest.skip(f"axe-core could not be fetched with npm: {done.stderr[-200:]}")
    return script


def violations(page: Any, rules: list[str] | None = None) -> list[str]:
    """What axe-core finds wrong, by all its rules or by some."""
    found = page.evaluate(
        """async rules => (await axe.run(document, {resultTypes: ['violations'], ...(rules ? {runOnly: rules} : {})}))
        .violations.map(
        v => v.id + ': ' + v.nodes.map(n => n.target.join(' ') + ' ' + (n.any[0] ? n.any[0].message : ''))
        .join(' | '))""",
        rules,
    )
    return list(found)


def click_on_mark(page: Any, name: str, share: float = 0.45) -> None:
    """Click a line on the sheet at a share of its length."""
    page.wait_for_selector(f'[data-mark="{name}"]', state="attached")
    at = page.evaluate(
        """([name, share]) => { document.querySelector('#at-trace .glass').scrollIntoView({block: 'center'});
        const p = document.querySelector(`[data-mark="${name}"]`); const m = p.getScreenCTM();
        const q = p.getPointAtLength(p.getTotalLength() * share); return [q.x * m.a + m.e, q.y * m.d + m.f]; }""",
        [name, share],
    )
    page.mouse.click(*at)


def choose_mark(page: Any, name: str, share: float = 0.45) -> None:
    """Click a line on the sheet and see what is told of it."""
    click_on_mark(page, name, share)
    page.wait_for_selector(".mark-ticket")
