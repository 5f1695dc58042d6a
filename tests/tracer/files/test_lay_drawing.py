"""Written lays: what is drawn inside the pieces lies where the pieces lie; a lay of other pieces is refused."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path as FilePath

import numpy as np
import pytest
import shapely

from tests.command import run
from tests.tracer.cutting.pieces import pattern, piece
from tests.tracer.lay.jobs import random_job
from tracer.errors import JobError
from tracer.files.lay_drawing import lay_drawings
from tracer.lay.laid import LayOptions
from tracer.lay.plan import plan_lay
from tracer.lay.record import to_json
from tracer.lay.rules import Rules
from tracer.lay.surface import parse_fabric, parse_mat
from tracer.path import OpenPath, Path
from tracer.pattern import save
from tracer.piece import CutNote, Mark, Piece

PLACE_MM = 0.01


def hooked(size_mm: float = 80.0) -> Piece:
    """A piece without any symmetry, with a notch on its long edge and a grain line."""
    outline = Path.polygon([(0, 0), (size_mm, 0), (size_mm, 30), (40, 40), (30, 100), (0, 90)])
    marks = (
        Mark(kind="notch", path=OpenPath.polyline([(0, 20), (5, 20)])),
        Mark(kind="grain line", path=OpenPath.polyline([(20, 20), (20, 70)])),
    )
    return piece(outline, marks=marks, cut=CutNote(count=4, mirrored=True))


def written(folder: FilePath, pieces: list[Piece], surface, rules: Rules) -> FilePath:
    lay = plan_lay(pieces, surface, rules, LayOptions(seconds=1.0, seed=5))
    (folder / "lay.json").write_text(json.dumps(to_json(lay)))
    return folder / "lay.json"


@pytest.mark.parametrize("turn", ["180", "free"])
def test_notches_and_grain_lines_go_with_every_turned_and_mirrored_copy(tmp_path: FilePath, turn) -> None:
    path = written(tmp_path, [hooked()], parse_mat("12x24in"), Rules(turn=turn, gap_mm=2.0))
    (drawing,) = lay_drawings(path, [hooked()])
    assert len(drawing.pieces) == 4
    for drawn in drawing.pieces:
        edge = shapely.LinearRing(drawn.outline.flatten(0.01))
        lines = dict(drawn.lines)
        notch, grain = lines["notches"], lines["grain"]
        assert edge.distance(shapely.Point(notch.segments[0][0])) < PLACE_MM
        assert edge.distance(shapely.Point(notch.segments[-1][-1])) == pytest.approx(5.0, abs=PLACE_MM)
        assert shapely.Polygon(edge).contains(shapely.LineString(grain.flatten(0.1)))
        # The notch lies 20 mm from the corner whose neighbours are the long sides, whichever way the piece lies.
        corner = drawn.outline.segments[0][0]
        near = [s[0] for s in drawn.outline.segments]
        far = min(abs(float(np.hypot(*(notch.segments[0][0] - c))) - 20.0) for c in [corner, *near])
        assert far < PLACE_MM


def test_a_lay_of_pieces_that_were_changed_since_is_refused(tmp_path: FilePath) -> None:
    path = written(tmp_path, [hooked()], parse_fabric("20in"), Rules())
    with pytest.raises(JobError, match="differs"):
        lay_drawings(path, [hooked(85.0)])
    assert len(lay_drawings(path)[0].pieces) == 4


@pytest.mark.parametrize("seed", range(900, 912))
def test_random_lays_of_all_kinds_are_written_with_their_marks(tmp_path: FilePath, seed: int) -> None:
    job = random_job(seed)
    try:
        path = written(tmp_path, list(job.pieces), job.surface, job.rules)
    except ValueError as error:
        assert "no piece fits" in str(error)  # noqa: PT017
        return
    records = [r for mat in json.loads(path.read_text())["mats"] for r in mat["placements"]]
    laid = [p for drawing in lay_drawings(path, job.pieces) for p in drawing.pieces]
    by_id = {p.id: p for p in job.pieces}
    for record, drawn in zip(records, laid, strict=True):
        # A grain line of these jobs may leave a piece with a bay; laid, it does so too. Its heads have two sides.
        source = by_id[record["piece"]]
        before = [_outside_mm(source.outline, m.path) for m in source.marks if m.path is not None]
        after = [_outside_mm(drawn.outline, line) for _, line in drawn.lines if len(line.segments) == 1]
        assert after == pytest.approx(before, abs=PLACE_MM) or (source.cut.fold and not after)


def _outside_mm(outline: Path, line: OpenPath) -> float:
    return float(shapely.LineString(line.flatten(0.1)).difference(shapely.Polygon(outline.flatten(0.001))).length)


def test_a_file_of_one_lay_of_several_is_whole_by_itself(tmp_path: FilePath, capsys, monkeypatch) -> None:
    job = tmp_path / "job"
    job.mkdir()
    felt = replace(hooked(60.0), id="p2", name="Flap", cut=CutNote(count=1, material="felt"))
    save(pattern(hooked(), felt), job)
    assert run(capsys, monkeypatch, "lay", str(job), "--mat", "12x24in", "--seconds", "1", "--no-advice").code == 0
    assert run(capsys, monkeypatch, "write", str(job), "--what", "lay").code == 0
    for number in (1, 2):
        checked = run(capsys, monkeypatch, "check", str(job / "files" / f"lay-{number}.svg"), "--against", str(job))
        assert (checked.code, checked.err) == (0, "")
        assert f"it holds every copy of lay {number}" in checked.out
    only = tmp_path / "one.svg"
    text = (job / "files" / "lay-1.svg").read_text()
    only.write_text(re.sub(r'<g id="m1-2-group">.*?</g>\n</g>', "", text, count=1, flags=re.DOTALL))
    missing = run(capsys, monkeypatch, "check", str(only), "--against", str(job))
    assert missing.code == 1
