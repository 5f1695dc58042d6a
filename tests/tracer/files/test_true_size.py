"""What is written is opened again by code that did not write it, and measured."""

from __future__ import annotations

import io
import math
import re
from pathlib import Path as FilePath

import ezdxf
import numpy as np
import pypdfium2
import pytest
import svgelements
from lxml import etree
from PIL import Image
from pypdf import PdfReader
from scipy.spatial import cKDTree

from calibration.intake import read_pictures
from tests.random_pieces import random_piece
from tests.tracer.test_pattern import a_pattern
from tracer.files.drawing import Drawing, DrawnPiece, drawn_piece, pieces_drawing, single_drawing, union_bounds
from tracer.files.dxf import DEVIATION_MM, dxf_document
from tracer.files.pdf import pdf_page
from tracer.files.png import png_picture
from tracer.files.svg import svg_document
from tracer.files.tiles import PAPERS_MM, TileOptions, pdf_tiles, tiles_of
from tracer.path import Bounds, OpenPath, Path

SVG_PDF_MM = 0.001  # four decimals of a millimetre are written; single-precision PDF readers add about 0.0002
PATH_DATA = re.compile(r"\s*([MLC]\s*-?[\d.]+([ ,]-?[\d.]+)*\s*|Z\s*)+")  # subset of the grammar of SVG 2, 9.3.9


@pytest.fixture(scope="module")
def two_hundred() -> Drawing:
    rng = np.random.default_rng(20260101)
    pieces = [drawn_piece(random_piece(rng, i + 1, size_mm=float(rng.uniform(20, 190)))) for i in range(200)]
    spread = [_placed(p, 200.0 * (i % 14), 200.0 * (i // 14)) for i, p in enumerate(pieces)]
    box = union_bounds(p.outline.bounds for p in spread)
    return Drawing(title="two hundred", pieces=tuple(spread), frame=Bounds(0.0, 0.0, box.x_max + 5, box.y_max + 5))


def _placed(piece: DrawnPiece, x_mm: float, y_mm: float) -> DrawnPiece:
    box = piece.outline.bounds
    return piece.moved(x_mm + 2 - box.x_min, y_mm + 2 - box.y_min)


def farthest_mm(read: Path, written: Path) -> float:
    """Largest distance both ways between two outlines sampled every 0.2 mm, each against fine chords of the other."""
    worst = 0.0
    for a, b in ((read, written), (written, read)):
        points = np.asarray(a.sample(0.2)[0])
        line = np.asarray(b.sample(0.2)[0])
        nearest = cKDTree(line).query(points)[1]
        best = np.full(len(points), np.inf)
        for step in (-1, 0):
            p, q = line[(nearest + step) % len(line)], line[(nearest + step + 1) % len(line)]
            d = q - p
            t = np.clip(((points - p) * d).sum(1) / np.maximum((d * d).sum(1), 1e-30), 0, 1)
            best = np.minimum(best, np.hypot(*(p + t[:, None] * d - points).T))
        worst = max(worst, float(best.max()))
    return worst


CHORD_MM = 0.0008  # 0.2 mm chords on the tightest curve of these shapes (radius over 6 mm) leave their arc by 0.2^2/8/6


def read_back(content: bytes, name: str, folder: FilePath) -> list[Path]:
    path = folder / name
    path.write_bytes(content)
    vectors = next(read_pictures(path)).vectors
    assert vectors is not None
    return [OpenPath(p.segments).closed().oriented() for p in vectors.paths]


@pytest.mark.parametrize(
    ("name", "write", "limit_mm"),
    [
        ("a.svg", lambda d: svg_document(d).encode(), SVG_PDF_MM),
        ("a.pdf", pdf_page, SVG_PDF_MM),
        ("a.dxf", dxf_document, SVG_PDF_MM),
        ("b.dxf", lambda d: dxf_document(d, version="R12"), DEVIATION_MM),
    ],
    ids=["svg", "pdf", "dxf-r2000", "dxf-r12"],
)
def test_two_hundred_pieces_come_back_at_their_size(two_hundred, name, write, limit_mm, tmp_path) -> None:
    back = read_back(write(two_hundred), name, tmp_path)
    assert len(back) == 200
    # DXF has no page: the reader's page is the box of what it read, so the whole is laid box on box.
    shift = np.zeros(2)
    if name.endswith("dxf"):
        read_box = union_bounds(b.bounds for b in back)
        written_box = union_bounds(p.outline.bounds for p in two_hundred.pieces)
        shift = np.array([written_box.x_min - read_box.x_min, written_box.y_min - read_box.y_min])
    for read, piece in zip(back, two_hundred.pieces, strict=True):
        moved = read.translated(float(shift[0]), float(shift[1]))
        assert abs(moved.bounds.width - piece.outline.bounds.width) <= 2 * limit_mm
        assert farthest_mm(moved, piece.outline) <= limit_mm + CHORD_MM


def test_svg_states_millimetres_and_holds_to_the_grammar(two_hundred) -> None:
    text = svg_document(two_hundred)
    root = etree.fromstring(text.encode())
    width, height = root.get("width"), root.get("height")
    assert width.endswith("mm")
    assert height.endswith("mm")
    view = [float(v) for v in root.get("viewBox").split()]
    assert view[2:] == [float(width[:-2]), float(height[:-2])]
    outlines = root.findall(".//{http://www.w3.org/2000/svg}path[@class='outline']")
    assert len(outlines) == 200
    assert all(PATH_DATA.fullmatch(o.get("d")) for o in outlines)
    assert len({o.get("id") for o in outlines}) == 200
    assert root.findall(".//{http://www.w3.org/2000/svg}image") == []


@pytest.mark.parametrize("per_inch", [72, 90, 96])
def test_svg_is_the_same_size_whatever_density_a_program_assumes(per_inch: int) -> None:
    drawing = single_drawing(a_pattern().pieces[0])
    document = svgelements.SVG.parse(io.StringIO(svg_document(drawing)), ppi=per_inch, reify=True)
    x0, _, x1, _ = next(e for e in document.elements() if isinstance(e, svgelements.Path)).bbox()
    assert (x1 - x0) / per_inch * 25.4 == pytest.approx(100.0, abs=0.001)


@pytest.mark.parametrize("version", ["R2000", "R12"])
@pytest.mark.parametrize("names", ["plain", "numbers"])
def test_dxf_passes_the_audit_of_ezdxf(two_hundred, version, names) -> None:
    document = ezdxf.read(io.StringIO(dxf_document(two_hundred, version=version, layer_names=names).decode()))
    audit = document.audit()
    assert audit.errors == []
    assert audit.fixes == []
    if version == "R2000":
        assert document.header["$INSUNITS"] == 4  # millimetres


def test_dxf_layers_carry_the_numbers_of_astm_d6673() -> None:
    # ASTM D6673 (withdrawn 2019), secondary sources: 1 boundary, 7 grain line, 11 cut-outs and 15 words (disputed).
    document = ezdxf.read(io.StringIO(dxf_document(pieces_drawing(a_pattern().pieces), layer_names="numbers").decode()))
    assert {e.dxf.layer for e in document.modelspace()} == {"1", "7", "11", "15"}


@pytest.mark.parametrize("size_mm", [(100.0, 200.0), (210.0, 297.0), (3333.3, 1500.0), (6000.0, 1200.0)])
def test_pdf_boxes_are_exact_and_large_pages_take_a_larger_unit(size_mm) -> None:
    # ISO 32000-1: user space unit 1/72 in, pages up to 14400 units, UserUnit beyond.
    frame = Bounds(0.0, 0.0, *size_mm)
    page = PdfReader(io.BytesIO(pdf_page(Drawing(title="t", pieces=(), frame=frame)))).pages[0]
    unit = float(page.get("/UserUnit", 1.0))
    for box in (page.mediabox, page.cropbox, page.trimbox):
        for seen, mm in zip((box.width, box.height), size_mm, strict=True):
            assert float(seen) * unit == pytest.approx(mm / 25.4 * 72, abs=0.01)
    assert max(page.mediabox.width, page.mediabox.height) <= 14400
    assert (unit > 1) == (max(size_mm) > 200 * 25.4)


def test_pdf_layers_are_optional_content() -> None:
    reader = PdfReader(io.BytesIO(pdf_page(pieces_drawing(a_pattern().pieces))))
    groups = reader.trailer["/Root"]["/OCProperties"]["/OCGs"]
    assert [g.get_object()["/Name"] for g in groups] == ["outline", "grain", "text"]


def test_png_carries_its_density_and_covers_the_pieces_area() -> None:
    piece = a_pattern().pieces[0]
    picture = Image.open(io.BytesIO(png_picture(single_drawing(piece), pixels_per_inch=254.0)))
    assert picture.info["dpi"][0] == pytest.approx(254.0, abs=0.01)
    alpha = np.asarray(picture)[..., -1]
    assert alpha[0, 0] == 0
    assert alpha.sum() / 255 / 100 == pytest.approx(piece.area_mm2, rel=1e-4)  # chords within 0.005 mm
    rows = np.flatnonzero(alpha.max(axis=1))
    assert rows[0] == 50
    assert rows[-1] == 50 + 1000 - 1


PIXEL_MM = 25.4 / 300
INK = 100  # darker than this is a line; a 0.2 mm line is over two pixels wide


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_tiles_put_together_by_their_marks_give_the_whole_sheet_within_a_pixel(paper, two_hundred) -> None:
    # Two far corners of a sheet: the tiles between them are blank.
    near = tuple(p for p in two_hundred.pieces if p.outline.bounds.y_max < 250 and p.outline.bounds.x_max < 250)
    drawing = Drawing(title="t", pieces=(*near, near[0].moved(300.0, 450.0)), frame=Bounds(0.0, 0.0, 505.0, 655.0))
    options = TileOptions(paper=paper)
    grid, tiles = tiles_of(drawing, options)
    assert 0 < len(tiles) < grid[0] * grid[1]
    document = pdf_tiles(drawing, options=options)
    assert len(pypdfium2.PdfDocument(document)) == len(tiles) + 1
    places, dark = page_mm(pdf_page(drawing), 0, (505.0, 655.0))
    whole = places[dark > INK]
    parts = []
    for number, tile in enumerate(tiles):
        places, dark = page_mm(document, number + 1, PAPERS_MM[paper])
        placed = places[dark > INK] - mark_mm(places, dark, options) + [tile.left_mm, tile.top_mm]
        cell = options.cell_mm
        own = (placed >= [tile.left_mm, tile.top_mm]) & (placed < [tile.left_mm + cell[0], tile.top_mm + cell[1]])
        parts.append(placed[own.all(axis=1)])
    put_together = np.concatenate(parts)
    missing = cKDTree(put_together).query(whole, p=math.inf)[0]
    assert missing.max() <= PIXEL_MM
    # The other way round only the crosses may be extra, which only the tiles have.
    corner = np.abs((put_together + np.array(cell) / 2) % cell - np.array(cell) / 2)
    extra = cKDTree(whole).query(put_together[(corner > 5).any(axis=1)], p=math.inf)[0]
    assert extra.max() <= PIXEL_MM


def page_mm(pdf: bytes, page: int, size_mm: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Places in mm of a page's pixels that are not white, and how dark they are (0..255).

    PDFium stretches the page to whole pixels, so each axis has its own scale.
    """
    pixels = pypdfium2.PdfDocument(pdf)[page].render(scale=300 / 72, grayscale=True).to_numpy()
    y, x = np.nonzero(pixels < 255)
    places = [(x + 0.5) * size_mm[0] / pixels.shape[1], (y + 0.5) * size_mm[1] / pixels.shape[0]]
    return np.stack(places, axis=1), 255.0 - pixels[y, x]


def mark_mm(places: np.ndarray, dark: np.ndarray, options: TileOptions) -> np.ndarray:
    """Find the cross at the tile's upper left corner by the middles of its two outer arms, weighted by darkness."""
    edge = options.edge_mm
    out = []
    for along, across in ((1, 0), (0, 1)):
        arm = (places[:, along] > edge - 4.5) & (places[:, along] < edge - 0.5)
        arm &= np.abs(places[:, across] - edge) < 1
        assert arm.any()
        out.append(np.average(places[arm, across], weights=dark[arm]))
    return np.array(out)


def test_the_first_page_of_tiles_carries_a_true_inch_and_five_centimetres(tmp_path) -> None:
    path = tmp_path / "t.pdf"
    path.write_bytes(pdf_tiles(pieces_drawing(a_pattern().pieces)))
    vectors = next(read_pictures(path)).vectors
    sides = [OpenPath(p.segments).closed().bounds for p in vectors.paths if p.closed and len(p.segments) in (3, 4)]
    widths = [(b.width, b.height) for b in sides]
    for side_mm in (25.4, 50.0):
        assert any(
            math.isclose(w, side_mm, abs_tol=0.001) and math.isclose(h, side_mm, abs_tol=0.001) for w, h in widths
        )
    page = PdfReader(path).pages[0].mediabox
    assert [float(page.width) / 72 * 25.4, float(page.height) / 72 * 25.4] == pytest.approx(PAPERS_MM["A4"], abs=0.004)
