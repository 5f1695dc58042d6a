"""The printed target is found in its own rendering, at its own size, and is not written over."""

from __future__ import annotations

import io

import numpy as np
import pypdfium2
import pytest
import resvg_py
from PIL import Image

from calibration.picture import Picture, Source
from calibration.references import SearchPicture, target
from tests.command import run
from tracer.files.target import target_pdf, target_svg

PER_INCH = 150
SCALE_TOLERANCE = 2e-4  # saddle points to 0.02 px over 1000 px, and PDFium's page rounded up to whole pixels (0.02 %)


def rendered(kind: str, paper: str) -> np.ndarray:
    if kind == "pdf":
        page = pypdfium2.PdfDocument(target_pdf(paper))[0]
        return page.render(scale=PER_INCH / 72, rev_byteorder=True).to_numpy()[..., :3]
    png = resvg_py.svg_to_bytes(svg_string=target_svg(paper), dpi=PER_INCH, background="white")
    return np.asarray(Image.open(io.BytesIO(bytes(png))).convert("RGB"))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("kind", ["pdf", "svg"])
def test_the_written_target_is_found_at_its_size(kind: str, paper: str) -> None:
    picture = Picture(pixels=rendered(kind, paper), source=Source(file="t", page=None, sha256="0" * 64))
    found = target.find(SearchPicture(picture=picture), None)
    assert len(found) == 1
    px, mm = np.asarray(found[0].points_px), np.asarray(found[0].points_mm)
    assert len(px) == 70
    spread_px, spread_mm = px - px.mean(axis=0), mm - mm.mean(axis=0)
    scale = np.sqrt((spread_px**2).sum() / (spread_mm**2).sum())
    assert scale / (PER_INCH / 25.4) == pytest.approx(1.0, abs=SCALE_TOLERANCE)


def test_a_target_is_not_written_over_and_only_as_pdf_or_svg(tmp_path, capsys, monkeypatch) -> None:
    path = tmp_path / "t.pdf"
    assert run(capsys, monkeypatch, "target", "--out", str(path)).code == 0
    before = path.read_bytes()
    assert run(capsys, monkeypatch, "target", "--out", str(path), "--paper", "Letter").code == 2
    assert path.read_bytes() == before
    assert run(capsys, monkeypatch, "target", "--out", str(tmp_path / "t.png")).code == 2
    assert run(capsys, monkeypatch, "target", "--out", str(tmp_path / "u.pdf"), "--paper", "B7").code == 2
