"""Two unrelated renderers show a file at the same size, to a pixel at 300 per inch."""

from __future__ import annotations

import io
import shutil
import subprocess
from pathlib import Path as FilePath

import numpy as np
import pypdfium2
import pytest
import resvg_py
from PIL import Image

from tests.random_pieces import random_piece
from tracer.files.drawing import Drawing, single_drawing
from tracer.files.pdf import pdf_page
from tracer.files.svg import svg_document

PER_MM = 300 / 25.4
PIXEL = 1.0


@pytest.fixture(scope="module")
def drawing() -> Drawing:
    return single_drawing(random_piece(np.random.default_rng(3), 1, size_mm=150))


def ink_box(grey: np.ndarray) -> tuple[float, float, float, float]:
    """Edges of the dark part, in pixels, pixel borders at whole numbers."""
    rows, columns = np.flatnonzero((grey < 160).any(axis=1)), np.flatnonzero((grey < 160).any(axis=0))
    return float(columns[0]), float(rows[0]), float(columns[-1] + 1), float(rows[-1] + 1)


def expected_box(drawing: Drawing, line_mm: float) -> np.ndarray:
    box = drawing.pieces[0].outline.bounds
    return np.array([box.x_min - line_mm, box.y_min - line_mm, box.x_max + line_mm, box.y_max + line_mm]) * PER_MM


def test_resvg_shows_the_svg_at_its_size(drawing: Drawing) -> None:
    png = resvg_py.svg_to_bytes(
        svg_string=svg_document(drawing).replace('stroke-width="0.1"', 'stroke-width="0.2"'), dpi=300
    )
    picture = Image.open(io.BytesIO(bytes(png)))
    size = np.array(picture.size)
    assert np.abs(size - np.array([drawing.frame.width, drawing.frame.height]) * PER_MM).max() <= PIXEL
    flat = Image.new("RGBA", picture.size, "white")
    flat.alpha_composite(picture.convert("RGBA"))
    grey = np.asarray(flat.convert("L"))
    assert np.abs(np.array(ink_box(grey)) - expected_box(drawing, 0.1)).max() <= PIXEL


def test_chromium_shows_the_svg_at_the_same_size(drawing: Drawing, tmp_path: FilePath) -> None:
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not installed; resvg alone has rendered the SVG")
    (tmp_path / "a.svg").write_text(svg_document(drawing).replace('stroke-width="0.1"', 'stroke-width="0.2"'))
    (tmp_path / "a.html").write_text('<body style="margin:0;background:#fff"><img src="a.svg" style="display:block">')
    width, height = (int(v / 25.4 * 96) + 20 for v in (drawing.frame.width, drawing.frame.height))
    command = [
        chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
        f"--user-data-dir={tmp_path / 'profile'}", "--force-device-scale-factor=3.125",
        f"--window-size={width},{height}", f"--screenshot={tmp_path / 'a.png'}", (tmp_path / "a.html").as_uri(),
    ]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    grey = np.asarray(Image.open(tmp_path / "a.png").convert("L"))
    assert np.abs(np.array(ink_box(grey)) - expected_box(drawing, 0.1)).max() <= PIXEL


def test_pdfium_and_poppler_show_the_pdf_at_the_same_size(drawing: Drawing, tmp_path: FilePath) -> None:
    path = tmp_path / "a.pdf"
    path.write_bytes(pdf_page(drawing))
    own = pypdfium2.PdfDocument(path)[0].render(scale=300 / 72, grayscale=True).to_numpy()
    assert np.abs(np.array(ink_box(own)) - expected_box(drawing, 0.1)).max() <= PIXEL
    if shutil.which("pdftoppm") is None:
        pytest.skip("poppler's pdftoppm is not installed; PDFium alone has rendered the PDF")
    subprocess.run(["pdftoppm", "-r", "300", "-gray", "-png", str(path), str(tmp_path / "a")], check=True, timeout=60)
    other = np.asarray(Image.open(next(tmp_path.glob("a-*.png"))).convert("L"))
    assert np.abs(np.array(other.shape) - np.array(own.shape)).max() <= PIXEL
    assert np.abs(np.array(ink_box(other)) - np.array(ink_box(own))).max() <= PIXEL
