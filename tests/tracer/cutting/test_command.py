"""The cut command: what it writes and prints, what it refuses, and its proposal."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path as FilePath

import pytest
from lxml import etree

from calibration import MM_PER_INCH
from tests.command import run
from tests.tracer.cutting.pieces import job, pattern, piece, rectangle
from tracer.cutting.make import make_cut
from tracer.cutting.propose import propose, written_allowance
from tracer.cutting.reader import read_cut_list
from tracer.path import OpenPath, Path
from tracer.pattern import load
from tracer.piece import CutNote, Fit, HoleFit, Mark

GOOD = '[[piece]]\nfrom = "Bib"\ncount = 2\npair = true\nallowance = "1/4in"\n'
WRITTEN = ("cut.json", "cut.svg", "cut.html")


@pytest.fixture
def folder(tmp_path: FilePath) -> FilePath:
    made = job(tmp_path / "apron", piece(rectangle(120.0, 300.0), marks=[Mark(kind="notch", at=(120.0, 100.0))]))
    (made / "list.toml").write_text(GOOD, encoding="utf-8")
    return made


def test_it_writes_the_pieces_a_drawing_and_a_report(folder: FilePath, capsys, monkeypatch) -> None:
    before = (folder / "pattern.json").read_bytes()
    ran = run(capsys, monkeypatch, "cut", str(folder), str(folder / "list.toml"))
    assert ran.code == 0
    assert ran.err == ""
    assert "Bib: cut 2, every second one mirrored; 132.70 x 312.70 mm (5 7/32 x 12 5/16 in) +/- 0.14 mm" in ran.out
    assert "Mind the blade" in ran.out
    assert (folder / "pattern.json").read_bytes() == before
    (made,) = load(folder, name="cut.json").pieces
    assert made.outline.bounds.width == pytest.approx(120 + MM_PER_INCH / 2, abs=1e-4)
    assert made.cut.count == 2
    svg = etree.parse(folder / "cut.svg").getroot()
    width = float(svg.get("width").removesuffix("mm"))
    assert width == pytest.approx(float(svg.get("viewBox").split()[2]))
    (drawn,) = [p for p in svg.iter("{*}path") if p.get("class") == "outline"]
    assert Path.from_svg(drawn.get("d")).bounds.height == pytest.approx(300 + MM_PER_INCH / 2, abs=1e-4)
    html = (folder / "cut.html").read_text(encoding="utf-8")
    assert "before: 120.00 x 300.00 mm" in html
    assert "after: 132.70 x 312.70 mm" in html
    assert not re.search(r"(?:src|href)=|url\(", html)


def test_only_checking_writes_nothing(folder: FilePath, capsys, monkeypatch) -> None:
    ran = run(capsys, monkeypatch, "cut", str(folder), str(folder / "list.toml"), "--check")
    assert ran.code == 0
    assert "checked; nothing was written" in ran.out
    assert not any((folder / name).exists() for name in WRITTEN)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[[piece]]\nfrom = "Bip"\n', "list.toml line 2: there is no traced piece 'Bip'"),
        ('[[piece]]\nfrom = "Bib"\n[[piece]]\nfrom = "Bib"\n', "list.toml line 4: two pieces are called 'Bib'"),
        ('[[piece]]\nfrom = "Bib"\nallowance = "-1in"\n', "list.toml line 3: 'allowance' cannot be negative"),
        ('[[piece]]\nfrom = "Bib"\ncount = 0\n', "list.toml line 3: 'count' is a whole number from 1"),
        ("[[piece]\n", "list.toml: this is no TOML"),
    ],
)
def test_a_bad_list_gets_one_line_and_nothing_is_written(
    folder: FilePath, capsys, monkeypatch, text: str, says: str
) -> None:
    (folder / "list.toml").write_text(text, encoding="utf-8")
    ran = run(capsys, monkeypatch, "cut", str(folder), str(folder / "list.toml"))
    assert ran.code == 2
    assert ran.out == ""
    assert says in ran.err
    assert ran.err.count("\n") == 1
    assert not any((folder / name).exists() for name in WRITTEN)


def test_an_earlier_result_stays_when_a_new_list_is_bad(folder: FilePath, capsys, monkeypatch) -> None:
    run(capsys, monkeypatch, "cut", str(folder), str(folder / "list.toml"))
    before = (folder / "cut.json").read_bytes()
    (folder / "list.toml").write_text('[[piece]]\nfrom = "Bib"\nunfold = "up"\n', encoding="utf-8")
    assert run(capsys, monkeypatch, "cut", str(folder), str(folder / "list.toml")).code == 2
    assert (folder / "cut.json").read_bytes() == before


def test_missing_files_are_named(folder: FilePath, capsys, monkeypatch) -> None:
    ran = run(capsys, monkeypatch, "cut", str(folder), str(folder / "no.toml"))
    assert (ran.code, "there is no file" in ran.err) == (2, True)
    ran = run(capsys, monkeypatch, "cut", str(folder / "nowhere"), str(folder / "list.toml"))
    assert (ran.code, "there is no pattern.json" in ran.err) == (2, True)
    ran = run(capsys, monkeypatch, "cut", str(folder))
    assert (ran.code, "--propose" in ran.err) == (2, True)


def test_something_doubtful_ends_with_one(folder: FilePath, capsys, monkeypatch) -> None:
    seam = '[[seam]]\none = { piece = "Bib", edge = "left" }\nother = { piece = "Bib", edge = "top" }\n'
    (folder / "list.toml").write_text(GOOD + seam, encoding="utf-8")
    ran = run(capsys, monkeypatch, "cut", str(folder), str(folder / "list.toml"))
    assert ran.code == 1
    assert "seam 1: Bib left is 180.00 mm (7 3/32 in) longer" in ran.out
    assert "warning: seam 1: Bib left and Bib top differ by 180.00 mm" in ran.err


def test_list_shows_edges_and_the_pieces_as_cut(folder: FilePath, capsys, monkeypatch) -> None:
    run(capsys, monkeypatch, "cut", str(folder), str(folder / "list.toml"))
    ran = run(capsys, monkeypatch, "list", str(folder))
    assert "edges of p1: 1 (top) 120.00 mm (4 23/32 in), 2 (right) 300.00 mm" in ran.out
    assert "as cut:" in ran.out
    assert "c1 finished 120.00 x 300.00 mm" in ran.out


def test_list_says_how_well_holes_are_known(tmp_path: FilePath, capsys, monkeypatch) -> None:
    hole = Path.polygon([(20, 20), (30, 20), (25, 30)])
    known = HoleFit(fit=Fit(max_mm=0.214, p95_mm=0.08, rms_mm=0.04), expanded_uncertainty_mm=0.186)
    made = job(tmp_path / "tag", replace(piece(rectangle(60.0, 80.0)), holes=(hole,), hole_fits=(known,)))
    ran = run(capsys, monkeypatch, "list", str(made))
    assert "holes of p1: 1, worst fit 0.214 mm, \N{PLUS-MINUS SIGN}0.19 mm" in ran.out


def read_pieces():
    fold = Mark(kind="fold line", path=OpenPath.polyline([(3, 20), (3, 280)]))
    words = Mark(kind="text", at=(60.0, 90.0), text='Bib  cut 1 on fold  5/8" seam allowance')
    return pattern(
        piece(rectangle(120.0, 300.0), marks=[fold, words], cut=CutNote(count=1, fold=True, confidence=0.95)),
        piece(
            rectangle(60.0, 80.0, 300.0),
            name='Side "A"\\B',
            id="p2",
            cut=CutNote(count=2, mirrored=True, material="interfacing", confidence=0.6),
        ),
        piece(rectangle(40.0, 90.0, 500.0), name="Tie", id="p3", cut=CutNote(fold=True)),
        piece(rectangle(40.0, 90.0, 600.0), name="Tie", id="p4", cut=CutNote(count=3)),
    )


def test_the_proposal_says_what_was_read_and_can_be_carried_out() -> None:
    text = propose(read_pieces())
    bib, side, tie, other = read_cut_list(text).pieces
    assert (bib.source, bib.count, bib.unfold.edge if bib.unfold else "") == ("Bib", 1, "4")
    assert (side.source, side.count, side.pair, side.on) == ('Side "A"\\B', 2, True, "interfacing")
    assert (tie.source, tie.name) == ("p3", "")
    assert (other.source, other.name, other.count) == ("p4", "Tie (p4)", 3)
    assert "confidence 0.60: check" in text
    assert "a fold line is drawn along it: check" in text
    assert "the longest straight edge; no fold line was read: check" in text
    assert '# allowance = { includes = "5/8in", all = "5/8in" }' in text
    result = make_cut(read_pieces(), read_cut_list(text))
    assert result.pattern.pieces[0].outline.bounds.width == pytest.approx(240.0)


@pytest.mark.parametrize(
    ("words", "length"),
    [
        ("seam allowance 3/8\"", "3/8in"),
        ("includes 1.5 cm seam allowance", "1.5cm"),
        ("5/8 in seams", "5/8in"),
        ("Seam allowance: 1 1/2 inches", "1 1/2in"),
        ("10mm allowance", "10mm"),
        ("cut 2", ""),
        ("size 12 no seam allowance", ""),
        ("seam", ""),
    ],
)  # fmt: skip
def test_a_written_allowance_is_read(words: str, length: str) -> None:
    one = piece(rectangle(10.0, 10.0), marks=[Mark(kind="text", at=(5.0, 5.0), text=words)])
    assert written_allowance(one.marks) == length


def test_an_allowance_written_once_on_the_sheet_holds_for_its_pieces() -> None:
    read = read_pieces()
    words = Mark(kind="text", at=(10.0, 5.0), text="sheet 1 of 1 - seam allowance 10 mm is included")
    noted = replace(read, sheets=tuple(replace(s, marks=(words,)) for s in read.sheets))
    text = propose(noted)
    assert text.count('# allowance = { includes = "10mm", all = "10mm" }') == 3
    assert text.count('# allowance = { includes = "5/8in", all = "5/8in" }') == 1


def test_the_proposal_is_printed_or_written_to_a_new_file(folder: FilePath, capsys, monkeypatch) -> None:
    printed = run(capsys, monkeypatch, "cut", str(folder), "--propose")
    assert printed.code == 0
    assert read_cut_list(printed.out).pieces[0].source == "Bib"
    new = folder / "new.toml"
    assert run(capsys, monkeypatch, "cut", str(folder), str(new), "--propose").code == 0
    assert read_cut_list(new.read_text(encoding="utf-8")).pieces[0].source == "Bib"
    again = run(capsys, monkeypatch, "cut", str(folder), str(new), "--propose")
    assert (again.code, "is there already" in again.err) == (2, True)
    assert json.loads((folder / "pattern.json").read_text(encoding="utf-8"))["pieces"]


def test_help_gives_an_example(capsys, monkeypatch) -> None:
    ran = run(capsys, monkeypatch, "cut", "--help")
    assert "--propose" in ran.out
    assert "Example: tracewheel cut JOB" in " ".join(ran.out.split())
