"""The record and the drawings: as the schema says, read back, true to size."""

from __future__ import annotations

import io
import json
import re
from importlib import resources
from pathlib import Path as FilePath
from xml.etree import ElementTree

import jsonschema
import pytest
from svgelements import SVG
from svgelements import Path as SvgPath

from tests.tracer.lay.jobs import ellipse, half_on_fold, piece, random_job, rectangle
from tracer.errors import JobError
from tracer.lay.answers import answers
from tracer.lay.draw import draw_mat
from tracer.lay.laid import Lay, LayOptions
from tracer.lay.plan import plan_lay
from tracer.lay.record import from_json, load, to_json
from tracer.lay.rules import Rules
from tracer.lay.surface import Fabric, Leftover, Mat

QUICK = LayOptions(seconds=0.2)
WRITTEN_MM = 1e-3
"""Drawings hold three decimals of a millimetre."""


@pytest.fixture(scope="module")
def lays() -> list[Lay]:
    pieces = [
        piece(1, ellipse(40, 25), count=3, mirrored=True, grain_deg=10.0, name="Side & back"),
        piece(2, half_on_fold(60, 120), fold=True, name="Skirt"),
        piece(3, rectangle(12, 9), count=2, name="Tab"),
    ]
    return [
        plan_lay(pieces, Mat(width_mm=304.8, length_mm=304.8), Rules(margin_mm=25.4), QUICK),
        plan_lay(pieces, Fabric(width_mm=500, selvedge_mm=10), Rules(folded=True), QUICK),
        plan_lay(pieces, Leftover(outline=ellipse(150, 120), holes=(ellipse(20, 20),)), Rules(gap_mm=0.0), QUICK),
    ]


def schema() -> dict[str, object]:
    text = resources.files("tracer").joinpath("schema/lay.schema.json").read_text(encoding="utf-8")
    return json.loads(text)  # type: ignore[no-any-return]


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("k", range(3))
def test_a_record_is_as_the_schema_says(lays: list[Lay], k: int) -> None:
    jsonschema.validate(to_json(lays[k], answers=answers(lays[k])), schema())


@pytest.mark.parametrize("seed", range(2000, 2004))
def test_random_records_are_as_the_schema_says(seed: int) -> None:
    job = random_job(seed)
    jsonschema.validate(to_json(plan_lay(job.pieces, job.surface, job.rules, QUICK)), schema())


def test_a_record_has_what_the_design_names(lays: list[Lay]) -> None:
    record = json.loads(json.dumps(to_json(lays[1])))
    assert record["schema"] == "tracewheel-lay/1"
    assert record["units"] == "mm"
    assert {"kind", "width_mm", "length_mm", "margin_mm", "gap_mm"} <= set(record["surface"])
    assert record["surface"]["kind"] == "fabric"
    assert {"used_width_mm", "used_length_mm", "density", "placements"} <= set(record["mats"][0])
    placement = record["mats"][0]["placements"][0]
    assert {"piece", "copy", "mirrored", "rotation_deg", "outline"} <= set(placement)
    assert {"width_mm", "length_mm"} <= set(record["fabric"])
    assert record["fabric"]["length_mm"] == pytest.approx(lays[1].fabric_length_mm, abs=1e-4)
    assert to_json(lays[0])["surface"]["kind"] == "mat"


def test_a_record_reads_back(lays: list[Lay], tmp_path: FilePath) -> None:
    (tmp_path / "lay.json").write_text(json.dumps(to_json(lays[0])))
    (mat, *_) = load(tmp_path)
    assert mat.width_mm == pytest.approx(304.8)
    for read, laid in zip(mat.placements, lays[0].mats[0].placements, strict=True):
        assert read.outline.area == pytest.approx(laid.outline.area, rel=1e-4)
        assert (read.piece, read.copy, read.mirrored) == (laid.piece.id, laid.copy, laid.mirrored)


def test_a_missing_or_damaged_record_is_one_clear_line(tmp_path: FilePath) -> None:
    with pytest.raises(JobError, match="make it with 'tracewheel lay'"):
        load(tmp_path)
    for text, words in (("{", "no JSON"), ('{"schema": "x"}', "no lay"), ("[]", "no lay")):
        (tmp_path / "lay.json").write_text(text)
        with pytest.raises(JobError, match=words):
            load(tmp_path)
    with pytest.raises(JobError, match="damaged"):
        from_json({"schema": "tracewheel-lay/1", "surface": {}, "mats": [{}]})


def drawn_paths(text: str) -> list[SvgPath]:
    svg = SVG.parse(io.StringIO(text), reify=True, ppi=25.4)
    return [e for e in svg.elements() if isinstance(e, SvgPath) and "piece" in str(e.values.get("class", ""))]


def test_a_drawing_is_true_to_size_for_an_independent_reader(lays: list[Lay]) -> None:
    mat = lays[0].mats[0]
    paths = drawn_paths(draw_mat(lays[0], 1))
    assert len(paths) == len(mat.placements)
    for path, placement in zip(paths, mat.placements, strict=True):
        x0, y0, x1, y1 = path.bbox()
        box = placement.outline.bounds
        assert x1 - x0 == pytest.approx(box.width, abs=WRITTEN_MM)
        assert y1 - y0 == pytest.approx(box.height, abs=WRITTEN_MM)


@pytest.mark.parametrize("k", range(3))
def test_a_drawing_names_every_piece_marks_the_mirrored_and_has_rulers(lays: list[Lay], k: int) -> None:
    for number, mat in enumerate(lays[k].mats, start=1):
        root = ElementTree.fromstring(draw_mat(lays[k], number))
        words = [e.text or "" for e in root.iter("{http://www.w3.org/2000/svg}text")]
        whole = "\n".join(words)
        for placement in mat.placements:
            if mat.folded and not placement.unfolded and placement.outline.bounds.x_max < mat.width_mm / 2:
                continue
            assert placement.piece.name in whole
        if any(p.back_of_paper for p in mat.placements) and not mat.folded:
            assert "mirrored" in words
        assert "0 in" in words
        assert "0 cm" in words
        if mat.folded:
            assert "FOLD" in words
        colours = set(re.findall(r"#[0-9a-fA-F]{3,6}", draw_mat(lays[k], number)))
        assert all(len(set(c[1:])) == 1 for c in colours - {"#mirrored"})


def test_sizes_on_the_drawing_are_the_pieces_sizes(lays: list[Lay]) -> None:
    text = draw_mat(lays[0], 1)
    assert "80.0 x 50.0 mm" in text
    assert "3 1/8 x 1 15/16 in" in text


def test_the_ruler_of_inches_reaches_the_end() -> None:
    lay = plan_lay([piece(1, rectangle(50, 50))], Mat(width_mm=304.8, length_mm=609.6), Rules(margin_mm=25.4), QUICK)
    words = re.findall(r">([^<>]+)</text>", draw_mat(lay, 1))
    for inch in (1, 6, 12, 24):
        assert str(inch) in words
