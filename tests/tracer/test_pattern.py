"""The pattern file: published schema, round trip, damage and crashes."""

from __future__ import annotations

import json
from importlib import resources
from itertools import pairwise
from pathlib import Path as FilePath

import jsonschema
import numpy as np
import pytest

from calibration import Finding
from tracer import pattern as pattern_file
from tracer.errors import JobError
from tracer.path import OpenPath, Path
from tracer.pattern import BudgetLine, CrossCheckLine, Pattern, SheetRecord
from tracer.piece import CutNote, Fit, HoleFit, Mark, Piece


def a_pattern() -> Pattern:
    curve = np.array([[0, 0], [0, 55], [45, 100], [100, 100.0]])
    sides = [(100, 100), (100, 40), (100, 0), (0, 0)]
    bib = Path((curve, *(np.array(ends, dtype=float) for ends in pairwise(sides))))
    piece = Piece(
        id="p1",
        name='Bib <left> & "right"',
        sheet="s1",
        outline=bib.oriented(),
        holes=(Path.polygon([(70, 30), (80, 30), (75, 40)]),),
        expanded_uncertainty_mm=0.12,
        fit=Fit(max_mm=0.09, p95_mm=0.03, rms_mm=0.015),
        hole_fits=(HoleFit(fit=Fit(max_mm=0.21, p95_mm=0.08, rms_mm=0.04), expanded_uncertainty_mm=0.19),),
        size_uncertainty_mm=(0.1, 0.11),
        marks=(
            Mark(kind="grain line", path=OpenPath.polyline([(60, 10), (60, 80)])),
            Mark(kind="text", at=(50, 50), text="Bib, cut 2", confidence=0.93),
        ),
        cut=CutNote(count=2, mirrored=True, material="lining", confidence=0.9),
        notes=("a gap of 3 mm was bridged",),
    )
    sheet = SheetRecord(
        id="s1",
        file="bib.jpg",
        page=None,
        sha256="0" * 64,
        size_px=(2480, 3508),
        size_mm=(210.0, 297.0),
        reference="square",
        reference_size="50mm",
        mm_per_px=0.0847,
        expanded_uncertainty_mm_per_m=0.4,
        residual_rms_mm=0.01,
        cross_checks=(
            CrossCheckLine(reference="density 300", difference_percent=0.02, expanded_uncertainty_percent=0.3),
        ),
        budget=(BudgetLine(name="reading", standard_uncertainty_mm_per_m=0.2, words="how well the square was read"),),
        warnings=(Finding(code="density-contradicted", message="the file says 72", where="s1"),),
        marks=(Mark(kind="test square", path=OpenPath.polyline([(1, 1), (51, 1), (51, 51), (1, 51), (1, 1)])),),
    )
    return Pattern(sheets=(sheet,), pieces=(piece,), findings=(Finding(code="x", message="y", severity="note"),))


def test_the_pattern_file_keeps_to_its_published_schema() -> None:
    schema = json.loads(resources.files("tracer.schema").joinpath("pattern.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    data = pattern_file.to_json(a_pattern())
    validator.validate(json.loads(json.dumps(data)))
    assert data["pieces"][0]["hole_fits"][0]["expanded_uncertainty_mm"] == 0.19
    for key, wrong in (("outline", "M 0 0 L 1"), ("hole_fits", [{"max_mm": 0.2}])):
        damaged = json.loads(json.dumps(data))
        damaged["pieces"][0][key] = wrong
        assert not validator.is_valid(damaged), key


def test_what_is_saved_is_read_back_the_same(tmp_path: FilePath) -> None:
    before = a_pattern()
    pattern_file.save(before, tmp_path)
    after = pattern_file.load(tmp_path)
    assert pattern_file.to_json(after) == pattern_file.to_json(before)
    assert after.piece("p1").cut == before.pieces[0].cut
    assert after.piece('Bib <left> & "right"').area_mm2 == pytest.approx(before.pieces[0].area_mm2, abs=1e-3)
    assert after.sheets[0].marks[0].text == before.sheets[0].marks[0].text
    assert after.sheets[0].warnings == before.sheets[0].warnings


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "{}", '{"schema": "tracewheel-pattern/1"}', '{"schema": "other/1", "sheets": [], "pieces": []}'],
)
def test_a_damaged_pattern_file_gets_one_clear_line(tmp_path: FilePath, text: str) -> None:
    (tmp_path / "pattern.json").write_text(text)
    with pytest.raises(JobError) as caught:
        pattern_file.load(tmp_path)
    assert "\n" not in str(caught.value)


def test_a_missing_pattern_file_says_how_to_make_one(tmp_path: FilePath) -> None:
    with pytest.raises(JobError, match="tracewheel trace"):
        pattern_file.load(tmp_path / "nowhere")


def test_an_unknown_piece_is_answered_with_those_there_are() -> None:
    with pytest.raises(JobError, match="p1"):
        a_pattern().piece("Sleeve")


def test_a_crash_while_writing_leaves_the_old_file(tmp_path: FilePath, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "pattern.json"
    pattern_file.write_text_whole(target, "old")

    def no_rename(self: FilePath, other: FilePath) -> FilePath:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(FilePath, "replace", no_rename)
    with pytest.raises(JobError, match="No space left"):
        pattern_file.write_text_whole(target, "new")
    monkeypatch.undo()
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["pattern.json"]
