"""What is brought in and traced: pages of each file, a scale of its own for each picture, outlines while they come.

Truth is that of the rendered sheets (``fixtures``), which share no code with the packages.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fixtures import render, scenarios
from fixtures.pdf import booklet
from tests.tracer.test_pattern import a_pattern
from tests.tracer.web.server import running
from tracer.path import Path as Outline
from tracer.path import subpaths_from_svg
from tracer.pattern import load, save
from tracer.web import bringing
from tracer.web.work import MEMORY_BYTES

DPI = 110.0
SQUARE_MM = 50.0
SCALE_SHARE = 0.003
"""A tenth of a pixel at each side of a square 217 px wide is 0.1 %; three times that."""
ROUGH_MM = 0.6
"""A rough outline is good to half the width of a line or a pixel or two (0.23 mm each here)."""


def silent(_words: str, _share: float) -> None:
    """Tell nobody."""


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("scans")
    paths = folder / "first.png", folder / "second.png"
    for seed, path in enumerate(paths):
        scene = scenarios.build("reference", seed=seed, kind="square=50mm", pieces=2)
        render.scan(scene, dpi=DPI, tag_dpi=None, margin_mm=2).save(path)
    return paths


def traced(job: Path, files: tuple[Path, ...], **asked: Any) -> None:
    (job / "inbox").mkdir(parents=True, exist_ok=True)
    inside = []
    for file in files:
        inside.append(job / "inbox" / file.name)
        inside[-1].write_bytes(file.read_bytes())
    bringing.trace({"job": str(job), "files": [str(f) for f in inside], "words": False} | asked, silent)


def test_each_file_gives_the_pages_chosen_from_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bringing, "say", lambda **_line: None)
    one, other = tmp_path / "one.pdf", tmp_path / "other.pdf"
    booklet(one)
    other.write_bytes(one.read_bytes())
    traced(tmp_path / "job", (one, other), pages={"one.pdf": "2", "other.pdf": "4"})
    assert [(s.file, s.page) for s in load(tmp_path / "job").sheets] == [("one.pdf", 2), ("other.pdf", 4)]


def test_a_picture_can_have_a_scale_of_its_own_and_outlines_are_told_as_they_come(
    tmp_path: Path, scans: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[dict[str, Any]] = []
    monkeypatch.setattr(bringing, "say", lambda **line: told.append(line))
    own = [{"file": "second.png", "page": None, "reference": f"square={SQUARE_MM / 2:g}mm"}]
    traced(tmp_path, scans, reference=f"square={SQUARE_MM:g}mm", own=own)
    first, second = load(tmp_path).sheets
    assert first.mm_per_px == pytest.approx(25.4 / DPI, rel=SCALE_SHARE)
    assert second.mm_per_px == pytest.approx(25.4 / DPI / 2, rel=SCALE_SHARE)
    # Kept with the job, so that tracing again means the same.
    assert json.loads((tmp_path / bringing.TRACED_FILE).read_text())["own"] == own

    kinds = [line["kind"] for line in told]
    start = kinds.index("sheet")
    until = kinds.index("sheet", start + 1)
    assert kinds[start + 1] == "seen"
    assert kinds.index("piece") > kinds.index("seen")
    assert (tmp_path / told[start]["picture"]).is_file()
    # What was seen last before the pieces is where the pieces then are.
    rough = [line for line in told[start:until] if line["kind"] == "seen"][-1]["outlines"]
    pieces = [line["outline"] for line in told[start:until] if line["kind"] == "piece"]
    assert len(pieces) == 2
    centres = [corner_box(d) for d in rough]
    for d in pieces:
        box = corner_box(d)
        assert min(float(np.abs(box - c).max()) for c in centres) < ROUGH_MM


def corner_box(d: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    (path,) = (p if isinstance(p, Outline) else p.closed() for p in subpaths_from_svg(d))
    b = path.bounds
    return np.array([b.x_min, b.y_min, b.x_max, b.y_max])


def test_corners_pointed_at_in_the_picture_give_the_scale(
    tmp_path: Path, scans: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bringing, "say", lambda **_line: None)
    truth = json.loads(scans[0].with_suffix(".truth.json").read_text())
    square = next(r for r in truth["references"] if r["kind"] == "square")
    matrix = np.array(truth["picture"]["mm_to_normalised"])
    corners = np.array(square["corners_mm"]) @ matrix[:2, :2].T + matrix[:2, 2]
    pointed = {"corners_px": corners.tolist(), "size": f"{SQUARE_MM:g}x{SQUARE_MM:g}mm"}
    traced(tmp_path, scans[:1], own=[{"file": "first.png", "page": None, "pointed": pointed}])
    assert load(tmp_path).sheets[0].mm_per_px == pytest.approx(25.4 / DPI, rel=SCALE_SHARE)


def test_what_is_cut_follows_a_scale_that_is_set_anew(tmp_path: Path, scans: tuple[Path, Path]) -> None:
    with running(tmp_path) as server:
        assert server.client.put("/api/inbox/first.png", content=scans[0].read_bytes()).status_code == 201
        asked = {"files": ["first.png"], "words": False}
        assert server.post("/api/trace", **asked, reference=f"square={SQUARE_MM:g}mm").status_code == 200
        name = load(tmp_path).pieces[0].name
        assert server.post("/api/change", do="rename", piece="p1", name="Yoke").status_code == 200
        was = next(e for e in server.client.get("/api/cut").json()["entries"] if e["from"] in (name, "Yoke", "p1"))
        at = server.client.get("/api/cut").json()["entries"].index(was)
        wide = was | {"allowance": {"all": "10mm"}}
        assert server.post("/api/cut", at=at, was=was, entry=wide).json()["error"] == ""
        before = next(p for p in load(tmp_path, name="cut.json").pieces if p.name == "Yoke").outline.bounds.width
        own = [{"file": "first.png", "page": None, "reference": f"square={1.1 * SQUARE_MM:g}mm"}]
        assert server.post("/api/trace", **asked, own=own).status_code == 200
        after = next(p for p in load(tmp_path, name="cut.json").pieces if p.name == "Yoke").outline.bounds.width
        # A tenth more of the piece, the same allowance; the name given by hand is carried over.
        assert after == pytest.approx(1.1 * (before - 20) + 20, rel=0.002)


def test_a_close_up_is_as_large_as_the_picture_and_only_of_what_was_brought(
    tmp_path: Path, scans: tuple[Path, Path]
) -> None:
    with running(tmp_path) as server:
        brought = server.client.put("/api/inbox/first.png", content=scans[0].read_bytes())
        assert brought.status_code == 201, brought.text
        found = server.post("/api/close-up", file="first.png", page=None)
        assert found.status_code == 200, found.text
        page = brought.json()["pages"][0]
        assert found.json()["size_px"] == [page["width_px"], page["height_px"]]
        assert server.client.get(f"/job/inbox-pages/{found.json()['picture']}").status_code == 200
        assert server.post("/api/close-up", file="pattern.json", page=None).status_code == 422
        assert server.post("/api/close-up", file="../first.png", page=None).status_code == 400
        assert server.post("/api/put-back", file="first.png").status_code == 200
        assert not list((tmp_path / "inbox-pages").glob("first.png*"))


def test_work_ends_with_the_server_that_wanted_it(tmp_path: Path, scans: tuple[Path, Path]) -> None:
    """A server that is killed closes nothing in order; its worker must not write into the job of the next one."""
    save(a_pattern(), tmp_path)
    before = (tmp_path / "pattern.json").read_bytes()
    request = {"task": "trace", "files": [str(scans[0])], "job": str(tmp_path), "memory_bytes": MEMORY_BYTES}
    with subprocess.Popen(
        [sys.executable, "-m", "tracer.web.worker"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=Path(__file__).parents[3],
    ) as worker:  # fmt: skip
        assert worker.stdin is not None
        assert worker.stdout is not None
        worker.stdin.write(json.dumps(request | {"seconds": 60}).encode() + b"\n")
        worker.stdin.flush()
        assert json.loads(worker.stdout.readline())["kind"] == "progress"
        worker.stdin.close()
        gone = time.monotonic()
        assert worker.wait(timeout=30) != 0
        assert time.monotonic() - gone < 10
    assert (tmp_path / "pattern.json").read_bytes() == before
