"""``tracewheel lay`` as a person runs it."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from pathlib import Path as FilePath

import numpy as np
import pytest
from PIL import Image

from tests.command import run
from tests.tracer.lay.jobs import ellipse, half_on_fold, piece, rectangle, star
from tests.tracer.lay.judge import judge
from tracer.pattern import Pattern, SheetRecord, piece_to_json, save
from tracer.piece import Piece

IN = 25.4
SHEET = SheetRecord(
    id="s1", file="apron.png", page=None, sha256="0" * 64, size_px=(100, 100), size_mm=(10.0, 10.0), reference="mat",
    mm_per_px=0.1, expanded_uncertainty_mm_per_m=0.2, residual_rms_mm=0.05,
)  # fmt: skip
BIB = piece(1, rectangle(4.75 * IN, 11.5 * IN), count=2, mirrored=True, name="Bib", grain_deg=0.0)


def a_job(folder: FilePath, pieces: list[Piece], *, name: str = "pattern.json") -> FilePath:
    folder.mkdir(exist_ok=True)
    save(Pattern(sheets=(SHEET,), pieces=tuple(pieces)), folder, name=name)
    return folder


def test_the_apron_bib_is_laid_on_a_mat(
    tmp_path: FilePath, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = a_job(tmp_path / "apron", [BIB])
    ran = run(capsys, monkeypatch, "lay", str(job), "--mat", "12x24in", "--seconds", "1")
    assert ran.code == 0
    assert "Everything fits on one 12 x 24 in mat." in ran.out
    assert "Turn it the long way" in ran.out
    assert "the 12 x 24 in mat is the smallest that serves" in ran.out
    assert (job / "lay-1.svg").exists()
    record = json.loads((job / "lay.json").read_text())
    assert judge(record, [piece_to_json(BIB)]) == []
    assert record["answers"][0] in ran.out


def test_a_mat_that_is_too_small_is_one_clear_line_and_writes_nothing(
    tmp_path: FilePath, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = a_job(tmp_path / "apron", [BIB])
    ran = run(capsys, monkeypatch, "lay", str(job), "--mat", "12x12in", "--seconds", "1")
    assert ran.code == 2
    assert len(ran.err.strip().splitlines()) == 1
    assert "11 1/2 in" in ran.err
    assert sorted(p.name for p in job.iterdir()) == ["pattern.json"]


def test_the_cut_list_is_laid_where_there_is_one(
    tmp_path: FilePath, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = a_job(tmp_path / "apron", [BIB])
    a_job(job, [piece(1, rectangle(100, 200), count=3, name="Pocket")], name="cut.json")
    ran = run(capsys, monkeypatch, "lay", str(job), "--fabric", "44in", "--seconds", "1", "--no-advice")
    assert ran.code == 0
    record = json.loads((job / "lay.json").read_text())
    assert [p["name"] for p in record["mats"][0]["placements"]] == ["Pocket"] * 3
    assert "To buy of cloth 44 in wide: 7 7/8 in; 1/4 yd; 20 cm; 0.20 m" in ran.out


def test_earlier_drawings_go_when_a_lay_has_fewer_mats(
    tmp_path: FilePath, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = a_job(tmp_path / "job", [piece(1, rectangle(200, 200), count=3)])
    run(capsys, monkeypatch, "lay", str(job), "--mat", "12x12in", "--seconds", "0.5", "--no-advice")
    assert sorted(p.name for p in job.glob("lay-*.svg")) == ["lay-1.svg", "lay-2.svg", "lay-3.svg"]
    run(capsys, monkeypatch, "lay", str(job), "--fabric", "44in", "--seconds", "0.5", "--no-advice")
    assert sorted(p.name for p in job.glob("lay-*.svg")) == ["lay-1.svg"]


def test_a_leftover_traced_from_a_photo_is_laid_on(
    tmp_path: FilePath, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pieces = [piece(1, ellipse(40, 30), count=3), piece(2, rectangle(60, 20), count=2)]
    job = a_job(tmp_path / "job", pieces)
    scraps = a_job(
        tmp_path / "scraps", [piece(1, ellipse(200, 150), name="Blue"), piece(2, ellipse(100, 90), name="Red")]
    )
    for given, width in ((f"{scraps}:Red", 200.0), (str(scraps), 400.0), ("20x30cm", 200.0)):
        ran = run(capsys, monkeypatch, "lay", str(job), "--leftover", given, "--margin", "5mm", "--seconds", "0.5")
        assert ran.code == 0, ran.err
        record = json.loads((job / "lay.json").read_text())
        assert record["surface"]["width_mm"] == pytest.approx(width, abs=0.01)
        assert judge(record, [piece_to_json(p) for p in pieces]) == []


def test_folded_cloth_with_all_its_options(
    tmp_path: FilePath, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pieces = [BIB, piece(2, half_on_fold(200, 400), fold=True, name="Skirt", grain_deg=0.0)]
    job = a_job(tmp_path / "job", pieces)
    ran = run(
        capsys, monkeypatch, "lay", str(job), "--fabric", "110cm", "--selvedge", "1/2in", "--fold", "--turn", "none",
        "--shrinkage", "5%", "--seconds", "1",
    )  # fmt: skip
    assert ran.code == 0, ran.err
    assert "With 5 % for shrinkage" in ran.out
    assert judge(json.loads((job / "lay.json").read_text()), [piece_to_json(p) for p in pieces]) == []


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "say what to lay on"),
        (["--mat", "12x24in", "--fabric", "44in"], "say what to lay on"),
        (["--mat", "0x24in"], "12x24in"),
        (["--fabric", "0in"], "no area"),
        (["--mat", "12x24in", "--margin", "6in"], "leaves nothing"),
        (["--mat", "12x24in", "--fold"], "only cloth by length is folded"),
        (["--fabric", "44in", "--shrinkage", "lots"], "write it like 5%"),
        (["--fabric", "44in", "--material", "felt"], "nothing is cut from 'felt'"),
        (["--fabric", "44in", "--pin", "Bib"], "write it like"),
        (["--fabric", "44in", "--pin", "Bib=30,45mm"], "give --repeat or --cloth"),
        (["--fabric", "44in", "--seconds", "-1"], "a time of -1 s"),
        (["--fabric", "44in", "--repeat", "60"], "repeat"),
        (["--leftover", "nowhere"], "no job folder and no size"),
        (["--fabric", "44in", "--seconds", "0"], "give seconds"),
    ],
)
def test_a_mistake_is_one_clear_line(
    options: list[str],
    words: str,
    tmp_path: FilePath,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    job = a_job(tmp_path / "job", [BIB])
    ran = run(capsys, monkeypatch, "lay", str(job), *options)
    assert ran.code == 2
    assert words in ran.err
    assert len(ran.err.strip().splitlines()) == 1
    assert sorted(p.name for p in job.iterdir()) == ["pattern.json"]


INTERRUPTED = """
import os, signal, sys
import tracer.cli.lay as command
from tracer.cli import main

plan = command.plan_lay


def plan_and_interrupt(*given, progress, **more):
    def tell(words, share):
        progress(words, share)
        if words.startswith("best so far"):
            os.kill(os.getpid(), signal.SIGINT)

    return plan(*given, progress=tell, **more)


command.plan_lay = plan_and_interrupt
sys.argv = ["tracewheel", *sys.argv[1:]]
main()
"""


def test_ctrl_c_keeps_the_best_so_far(tmp_path: FilePath) -> None:
    rng = np.random.default_rng(3)
    pieces = [piece(k, star(rng, 150.0), count=4, mirrored=True) for k in range(1, 9)]
    job = a_job(tmp_path / "job", pieces)
    command = [sys.executable, "-c", INTERRUPTED, "lay", str(job), "--fabric", "44in", "--seconds", "600"]
    start = time.monotonic()
    ran = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert time.monotonic() - start < 120
    assert ran.returncode == 0, ran.stderr
    assert "stopped early" in ran.stderr
    assert "To buy" in ran.stdout
    assert judge(json.loads((job / "lay.json").read_text()), [piece_to_json(p) for p in pieces]) == []


def test_a_photo_of_the_leftover_lies_under_the_pieces_as_it_was_traced(
    tmp_path: FilePath, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pixels = np.full((400, 600, 3), 240, dtype=np.uint8)
    pixels[190:210, 290:310] = (200, 30, 30)
    photo = tmp_path / "scrap.png"
    Image.fromarray(pixels).save(photo, dpi=(50.8, 50.8))
    job = a_job(tmp_path / "job", [piece(1, rectangle(60, 60), name="Pocket")])
    # At 50.8 pixels an inch a pixel is 0.5 mm: the red motif is at (150, 100) mm of the photo.
    scraps = a_job(tmp_path / "scraps", [piece(1, rectangle(220, 140).translated(40.0, 30.0), name="Scrap")])
    ran = run(
        capsys, monkeypatch, "lay", str(job), "--leftover", str(scraps), "--cloth", str(photo),
        "--cloth-reference", "dpi=50.8", "--pin", "Pocket=150,100mm", "--margin", "5mm", "--seconds", "1",
    )  # fmt: skip
    assert ran.code == 0, ran.err
    (placement,) = json.loads((job / "lay.json").read_text())["mats"][0]["placements"]
    numbers = [float(v) for v in re.findall(r"-?[\d.]+", placement["outline"])]
    middle = (min(numbers[::2]) + max(numbers[::2])) / 2, (min(numbers[1::2]) + max(numbers[1::2])) / 2
    # In the leftover's own frame, whose corner was at (40, 30) mm of the photo.
    assert middle == pytest.approx((110.0, 70.0), abs=0.3)
    drawing = (job / "lay-1.svg").read_text()
    place = re.search(r'<image id="cloth" x="([-\d.]+)" y="([-\d.]+)" width="([\d.]+)" height="([\d.]+)"', drawing)
    assert place is not None
    assert [float(v) for v in place.groups()] == pytest.approx([-40.0, -30.0, 300.0, 200.0], abs=0.5)
