"""Names, files that are there already, full disks, and what the check says of scaled files."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path as FilePath

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from pypdf import PdfReader

from tests.command import Ran, run
from tests.random_pieces import random_piece
from tests.tracer.test_pattern import a_pattern
from tracer import pattern as pattern_file
from tracer.errors import FileFormatError, JobError
from tracer.files.check import FoundOutline, check_outlines, ratio_in_words
from tracer.files.drawing import single_drawing
from tracer.files.hand_over import WriteOptions, write_drawings
from tracer.files.names import distinct_stems, file_stem
from tracer.hand_over import write_cutting_sheet
from tracer.path import Path
from tracer.pattern import Pattern
from tracer.piece import Piece

HARD_NAMES = [
    'Bib "left"',
    "../../outside",
    "a/b\\c",
    "Tasche \u2702\ufe0f\U0001f9f5",
    "<b>bold</b> & more",
    "L" * 300,
    "Bib",
    "bib",
    "con",
    "   ",
    ".hidden",
    "line\nbreak\ttab\x00nul",
]


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def a_job(folder: FilePath, pieces: list[Piece]) -> FilePath:
    folder.mkdir()
    pattern = a_pattern()
    pattern_file.save(Pattern(sheets=pattern.sheets, pieces=tuple(pieces)), folder)
    return folder


@given(st.text(max_size=400))
def test_no_name_leaves_the_folder_or_is_too_long(name: str) -> None:
    stem = file_stem(name)
    assert stem
    assert "/" not in stem
    assert "\\" not in stem
    assert stem not in (".", "..")
    assert not stem.startswith(".")
    assert len(stem.encode()) <= 81
    assert stem.isprintable()


def test_names_that_differ_only_in_case_get_numbers() -> None:
    assert distinct_stems(["Bib", "bib", "BIB", "a/b", "a:b"]) == ["Bib", "bib (2)", "BIB (3)", "a-b", "a-b (2)"]


def test_hard_names_make_whole_files_inside_the_folder(tmp_path: FilePath, rng: np.random.Generator) -> None:
    pieces = [replace(random_piece(rng, i + 1, size_mm=40), name=n) for i, n in enumerate(HARD_NAMES)]
    out = tmp_path / "deep" / "out"
    out.mkdir(parents=True)
    options = WriteOptions(kinds=("svg", "dxf", "pdf", "png"), paper="A4")
    written = write_drawings([single_drawing(p) for p in pieces], out, options)
    assert len(written) == len(set(written)) == 5 * len(HARD_NAMES)
    everything = {p for p in tmp_path.rglob("*") if p.is_file()}
    assert everything == set(written)
    for path in written:
        if path.suffix == ".svg":
            etree.fromstring(path.read_bytes())


def test_a_file_that_is_there_is_kept_unless_forced(tmp_path, rng, capsys, monkeypatch) -> None:
    job = a_job(tmp_path / "job", [random_piece(rng, 1, size_mm=50)])
    assert run(capsys, monkeypatch, "write", str(job), "--as", "svg,pdf").code == 0
    (job / "files" / "pieces.svg").write_text("mine")
    (job / "files" / "pieces.pdf").unlink()
    ran = run(capsys, monkeypatch, "write", str(job), "--as", "svg,pdf")
    assert ran.code == 2
    assert "--force" in ran.err
    assert (job / "files" / "pieces.svg").read_text() == "mine"
    assert not (job / "files" / "pieces.pdf").exists()
    assert run(capsys, monkeypatch, "write", str(job), "--as", "svg,pdf", "--force").code == 0
    assert (job / "files" / "pieces.svg").read_text() != "mine"


def test_a_full_disk_leaves_no_half_file(tmp_path, rng, monkeypatch) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tracer.pattern.os.fsync", full)
    with pytest.raises(JobError, match="No space left"):
        write_drawings([single_drawing(random_piece(rng, 1))], tmp_path, WriteOptions(kinds=("svg",)))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--as", "docx"), "svg, dxf, pdf, png"),
        (("--as", ""), "svg, dxf, pdf, png"),
        (("--as", "pdf", "--paper", "B9"), "A4"),
        (("--as", "png", "--density", "0"), "300"),
        (("--what", "lay"), "tracewheel lay"),
        (("--as", "dxf", "--dxf-version", "R99"), "R2000"),
    ],
)
def test_what_cannot_be_written_is_said_in_one_line(options, words, tmp_path, rng, capsys, monkeypatch) -> None:
    job = a_job(tmp_path / "job", [random_piece(rng, 1)])
    ran = run(capsys, monkeypatch, "write", str(job), *options)
    assert ran.code == 2
    assert words in ran.err
    assert ran.err.strip().count("\n") == 0
    assert sorted(p.name for p in job.iterdir()) == ["pattern.json"]


@pytest.mark.parametrize(
    ("ratio", "words"),
    [(0.75, "72/96"), (96 / 72, "96/72"), (96 / 90, "96/90"), (0.9375, "90/96"), (0.97, "fit to page")],
)
def test_a_scaled_file_is_told_by_the_name_of_its_ratio(ratio, words, tmp_path, rng, capsys, monkeypatch) -> None:
    pieces = [random_piece(rng, i + 1) for i in range(4)]
    job = a_job(tmp_path / "job", pieces)
    assert run(capsys, monkeypatch, "write", str(job), "--as", "svg").code == 0
    path = job / "files" / "pieces.svg"
    good = run(capsys, monkeypatch, "check", str(path), "--against", str(job))
    assert good.code == 0, good.err
    text = path.read_text()
    scaled = re.sub(r'(width|height)="([\d.]+)mm"', lambda m: f'{m[1]}="{float(m[2]) * ratio:.6f}mm"', text, count=2)
    path.write_text(scaled)
    ran = run(capsys, monkeypatch, "check", str(path), "--against", str(job))
    assert ran.code == 1
    assert words in ran.err


def test_a_missing_and_a_changed_piece_are_named(rng) -> None:
    pieces = [random_piece(rng, i + 1, size_mm=100 + 30 * i) for i in range(4)]
    found = [FoundOutline(name=p.id, outline=p.outline) for p in pieces[:3]]
    moved = found[1].outline.translated(400, 30)
    bent = np.array(moved.segments[0])
    result = check_outlines([found[0], FoundOutline(name="p2", outline=moved), found[2]], pieces)
    assert result.missing == (pieces[3].name,)
    assert result.ratio == pytest.approx(1.0, abs=1e-6)
    assert max(c.agreement.max_mm for c in result.pieces) < 1e-3
    assert len(bent) in (2, 4)


def test_a_mirrored_outline_is_recognised(rng) -> None:
    piece = random_piece(rng, 1)
    flipped = piece.outline.transformed(np.array([[-1.0, 0, 500], [0, 1.0, 0]])).oriented()
    result = check_outlines([FoundOutline(name="x", outline=flipped)], [piece])
    assert result.pieces[0].mirrored
    assert result.pieces[0].agreement.max_mm < 1e-3


def test_true_ratios_have_no_name() -> None:
    assert ratio_in_words(1.0) == ""
    assert ratio_in_words(1.0005) == ""
    assert "no ratio" in ratio_in_words(3.3)


def test_the_cutting_sheet_says_what_to_cut(tmp_path) -> None:
    job = tmp_path / "job"
    job.mkdir()
    pattern_file.save(a_pattern(), job)
    (job / "lay.json").write_text(json.dumps({"answers": ["fits on one 12x24 in mat"]}))
    path = write_cutting_sheet(job, job)
    text = "\n".join(page.extract_text() for page in PdfReader(path).pages)
    for words in ("cut 2, as mirrored pairs, from lining", "100.00 ± 0.10 mm", "12x24 in mat", "Blades"):
        assert words in text
    with pytest.raises(FileFormatError, match="--force"):
        write_cutting_sheet(job, job)


@pytest.mark.parametrize("name", ["pieces.svg", "pieces.dxf", "pieces.pdf"])
def test_what_is_written_opens_again_as_a_job(name, tmp_path, capsys, monkeypatch) -> None:
    pieces = [random_piece(np.random.default_rng(40 + i), i + 1, size_mm=90 + 25 * i) for i in range(3)]
    apart = [replace(p, outline=p.outline.translated(260.0 * i, 0.0)) for i, p in enumerate(pieces)]
    job = a_job(tmp_path / "job", apart)
    kind = name.rpartition(".")[2]
    assert run(capsys, monkeypatch, "write", str(job), "--as", kind).code == 0
    again = tmp_path / "again"
    assert run(capsys, monkeypatch, "trace", str(job / "files" / name), "--out", str(again)).code == 0
    read = pattern_file.load(again).pieces
    result = check_outlines([FoundOutline(name=p.id, outline=p.outline) for p in read], apart)
    assert len(read) == 3
    assert result.missing == ()
    assert result.unmatched == ()
    assert max(c.agreement.max_mm for c in result.pieces) < 0.002


@pytest.mark.parametrize("name", ["pieces.svg", "pieces.dxf", "pieces.pdf"])
def test_names_and_cutting_notes_come_back_with_the_outlines(name, tmp_path, capsys, monkeypatch) -> None:
    pieces = [random_piece(np.random.default_rng(40 + i), i + 1, size_mm=90 + 25 * i) for i in range(3)]
    apart = [replace(p, outline=p.outline.translated(260.0 * i, 0.0)) for i, p in enumerate(pieces)]
    job = a_job(tmp_path / "job", apart)
    (job / "list.toml").write_text(
        '[[piece]]\nfrom = "p1"\nname = "Yoke"\npair = true\ncount = 4\non = "lining"\n'
        '[[piece]]\nfrom = "p2"\nname = "Cuff"\ncount = 3\n[[piece]]\nfrom = "p3"\nname = "Collar"\n'
    )
    assert run(capsys, monkeypatch, "cut", str(job), str(job / "list.toml")).code == 0
    assert run(capsys, monkeypatch, "write", str(job), "--as", name.rpartition(".")[2]).code == 0
    again = tmp_path / "again"
    assert run(capsys, monkeypatch, "trace", str(job / "files" / name), "--out", str(again)).code == 0
    read = {p.name: (p.cut.count, p.cut.mirrored, p.cut.material) for p in pattern_file.load(again).pieces}
    assert read == {"Yoke": (4, True, "lining"), "Cuff": (3, False, ""), "Collar": (1, False, "")}


@pytest.mark.parametrize("ratio", [72 / 96, 96 / 72, 0.97])
def test_a_stitching_line_of_the_same_shape_does_not_hide_the_ratio(ratio: float) -> None:
    patch = replace(
        random_piece(np.random.default_rng(1), 1), outline=Path.polygon([(0, 0), (80, 0), (80, 80), (0, 80)])
    )
    sewn = Path.polygon([(6.35, 6.35), (73.65, 6.35), (73.65, 73.65), (6.35, 73.65)])
    found = [
        FoundOutline(name=name, outline=path.transformed(np.array([[ratio, 0, 3.0], [0, ratio, 5.0]])))
        for name, path in (("cut", patch.outline), ("sewn", sewn))
    ]
    result = check_outlines(found, [patch])
    assert result.ratio == pytest.approx(ratio)
    assert [c.outline_name for c in result.pieces] == ["cut"]


def test_a_file_that_is_larger_one_way_only_is_told_as_stretched() -> None:
    rng = np.random.default_rng(4)
    pieces = [random_piece(rng, k) for k in range(3)]

    def found(across: float, along: float) -> list[FoundOutline]:
        matrix = np.array([[across, 0, 0], [0, along, 0]])
        return [FoundOutline(name=p.name, outline=p.outline.transformed(matrix)) for p in pieces]

    assert check_outlines(found(1.01, 1.0), pieces).stretch == pytest.approx((1.01, 1.0), abs=1e-4)
    assert check_outlines(found(0.97, 0.97), pieces).stretch is None
    assert check_outlines(found(1.0, 1.0), pieces).stretch is None


def test_a_file_of_the_traced_pieces_is_compared_with_those(
    tmp_path: FilePath, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def go(*words: str) -> Ran:
        return run(capsys, monkeypatch, *words)

    rng = np.random.default_rng(4)
    job = a_job(tmp_path / "job", [random_piece(rng, k, size_mm=80.0) for k in (1, 2)])
    assert go("write", str(job), "--out", str(tmp_path / "traced")).code == 0
    (job / "list.toml").write_text('[[piece]]\nfrom = "p1"\nallowance = "1in"\n[[piece]]\nfrom = "p2"\n')
    assert go("cut", str(job), str(job / "list.toml")).code == 0
    assert go("write", str(job), "--out", str(tmp_path / "cut")).code == 0
    traced = go("check", str(tmp_path / "traced" / "pieces.svg"), "--against", str(job))
    assert traced.code == 0
    assert "as traced" in traced.err
    cut = go("check", str(tmp_path / "cut" / "pieces.svg"), "--against", str(job))
    assert (cut.code, cut.err) == (0, "")
