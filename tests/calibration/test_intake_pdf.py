"""PDF pages: exact paths whatever turns, units and forms lie between, and scanned pages in their own pixels.

Truth is what was drawn, in points of 1/72 in (ISO 32000-1, 8.3.2.3: 'The default for the size of the unit in default
user space (1/72 inch)'), turned into millimetres here by hand.
"""

from __future__ import annotations

import io
import math
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pypdf
import pytest
from PIL import Image
from pypdf.generic import ArrayObject, DictionaryObject, FloatObject, NameObject, TextStringObject
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from calibration.errors import PictureError
from calibration.intake import IntakeLimits, read_pictures
from calibration.picture import Picture, VectorPage

POINT_MM = 25.4 / 72
EXACT_MM = 0.001
"""PDFium keeps single precision: 1e-4 mm on a page of this size; ten times that is asked."""
WIDTH_PT, HEIGHT_PT = 500.0, 700.0


def write_pdf(path: Path, *draw: Callable[[Canvas], None], size: tuple[float, float] = (WIDTH_PT, HEIGHT_PT)) -> Path:
    canvas = Canvas(str(path), pagesize=size)
    for page in draw:
        page(canvas)
        canvas.showPage()
    canvas.save()
    return path


def change_page(path: Path, change: Callable[[pypdf.PageObject, pypdf.PdfWriter], None]) -> None:
    writer = pypdf.PdfWriter(clone_from=path)
    change(writer.pages[0], writer)
    writer.write(path)


def only(path: Path, **options: object) -> Picture:
    (picture,) = read_pictures(path, **options)  # type: ignore[arg-type]
    return picture


def vectors(path: Path) -> VectorPage:
    picture = only(path)
    assert picture.kind == "pdf-vector"
    assert picture.vectors is not None
    return picture.vectors


def upright_mm(points_pt: object) -> np.ndarray:
    """Points of the unturned page in millimetres, y down."""
    p = np.asarray(points_pt, dtype=float).reshape(-1, 2)
    return np.stack([p[:, 0], HEIGHT_PT - p[:, 1]], axis=1) * POINT_MM


SHAPE_PT = [(100, 100), (300.125, 120), (340, 260, 310, 420, 150.5, 500.25)]


def draw_shape(canvas: Canvas) -> None:
    path = canvas.beginPath()
    path.moveTo(*SHAPE_PT[0])
    path.lineTo(*SHAPE_PT[1])
    path.curveTo(*SHAPE_PT[2])
    path.close()
    canvas.drawPath(path)


SHAPE_SEGMENTS_PT = [
    [(100, 100), (300.125, 120)],
    [(300.125, 120), (340, 260), (310, 420), (150.5, 500.25)],
    [(150.5, 500.25), (100, 100)],
]


def assert_segments(got: tuple[np.ndarray, ...], expected: list[np.ndarray]) -> None:
    assert [len(s) for s in got] == [len(s) for s in expected]
    for one, other in zip(got, expected, strict=True):
        assert np.abs(one - other).max() <= EXACT_MM


def test_lines_and_curves_come_back_as_drawn(tmp_path: Path) -> None:
    page = vectors(write_pdf(tmp_path / "a.pdf", draw_shape))
    assert (page.width_mm, page.height_mm) == pytest.approx((WIDTH_PT * POINT_MM, HEIGHT_PT * POINT_MM), abs=1e-4)
    (path,) = page.paths
    assert path.closed
    assert_segments(path.segments, [upright_mm(s) for s in SHAPE_SEGMENTS_PT])


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_a_turned_page_is_read_as_it_is_shown(tmp_path: Path, turn: int) -> None:
    """/Rotate turns clockwise when displayed (ISO 32000-1, table 30); PDFium's own rendering is the judge as well."""
    path = write_pdf(tmp_path / "a.pdf", lambda c: c.rect(400, 600, 72, 36, fill=1))
    change_page(path, lambda page, _: page.rotate(turn))
    picture = only(path)
    assert picture.vectors is not None
    assert picture.density is not None
    got = np.concatenate(picture.vectors.paths[0].segments)
    x0, y0 = 400 * POINT_MM, (HEIGHT_PT - 636) * POINT_MM
    w, h, wide, high = 72 * POINT_MM, 36 * POINT_MM, WIDTH_PT * POINT_MM, HEIGHT_PT * POINT_MM
    box = {
        0: (x0, y0, x0 + w, y0 + h),
        90: (high - y0 - h, x0, high - y0, x0 + w),
        180: (wide - x0 - w, high - y0 - h, wide - x0, high - y0),
        270: (y0, wide - x0 - w, y0 + h, wide - x0),
    }[turn]
    assert np.abs(np.concatenate([got.min(axis=0), got.max(axis=0)]) - box).max() <= EXACT_MM
    rows, columns = np.nonzero(picture.pixels[..., 0] < 128)
    shown = (
        (columns.mean() + 0.5) / picture.density.x_per_inch * 25.4,
        (rows.mean() + 0.5) / picture.density.y_per_inch * 25.4,
    )
    assert shown == pytest.approx(((box[0] + box[2]) / 2, (box[1] + box[3]) / 2), abs=0.2)


def test_user_unit_multiplies_the_point(tmp_path: Path) -> None:
    # ISO 32000-1, table 30: 'UserUnit ... a positive number that shall give the size of default user space units, in
    # multiples of 1/72 inch'.
    path = write_pdf(tmp_path / "a.pdf", draw_shape)
    change_page(path, lambda page, _: page.__setitem__(NameObject("/UserUnit"), FloatObject(2.5)))
    picture = only(path)
    assert picture.vectors is not None
    assert picture.vectors.width_mm == pytest.approx(2.5 * WIDTH_PT * POINT_MM, abs=1e-3)
    assert_segments(picture.vectors.paths[0].segments, [2.5 * upright_mm(s) for s in SHAPE_SEGMENTS_PT])
    assert picture.density is not None
    assert picture.width_px / picture.density.x_per_inch * 25.4 == pytest.approx(picture.vectors.width_mm)


def test_the_crop_box_is_the_page(tmp_path: Path) -> None:
    path = write_pdf(tmp_path / "a.pdf", draw_shape)

    def crop(page: pypdf.PageObject, _: pypdf.PdfWriter) -> None:
        page.cropbox = pypdf.generic.RectangleObject((50, 60, 450, 640))

    change_page(path, crop)
    page = vectors(path)
    assert (page.width_mm, page.height_mm) == pytest.approx((400 * POINT_MM, 580 * POINT_MM), abs=1e-4)
    shift = np.array([50, HEIGHT_PT - 640]) * POINT_MM
    assert_segments(page.paths[0].segments, [upright_mm(s) - shift for s in SHAPE_SEGMENTS_PT])


def test_transforms_and_nested_forms_are_applied(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        canvas.beginForm("inner")
        canvas.translate(10, 20)
        canvas.setLineWidth(2)
        canvas.setDash(6, 3)
        canvas.line(0, 0, 30, 40)
        canvas.endForm()
        canvas.beginForm("outer")
        canvas.saveState()
        canvas.translate(200, 0)
        canvas.rotate(90)
        canvas.doForm("inner")
        canvas.restoreState()
        canvas.endForm()
        canvas.saveState()
        canvas.translate(100, 100)
        canvas.scale(3, 3)
        canvas.doForm("outer")
        canvas.restoreState()

    (path,) = vectors(write_pdf(tmp_path / "a.pdf", draw)).paths
    # By hand: (x, y) -> inner shift -> quarter turn (-y, x) -> +200 -> x3 + 100.
    expected = [[(3 * (200 - (y + 20)) + 100, 3 * (x + 10) + 100) for x, y in ((0, 0), (30, 40))]]
    assert_segments(path.segments, [upright_mm(s) for s in expected])
    assert not path.closed
    assert path.stroke_width_mm == pytest.approx(6 * POINT_MM, rel=1e-6)
    assert path.dash_mm == pytest.approx((18 * POINT_MM, 9 * POINT_MM), rel=1e-6)


def test_colours_and_what_is_painted_are_told(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        canvas.setStrokeColorRGB(1, 0, 0)
        canvas.setFillColorRGB(0, 0, 1)
        canvas.rect(10, 10, 50, 50, stroke=1, fill=0)
        canvas.rect(110, 10, 50, 50, stroke=0, fill=1)
        canvas.rect(210, 10, 50, 50, stroke=1, fill=1)
        canvas.rect(310, 10, 50, 50, stroke=0, fill=0)

    paths = vectors(write_pdf(tmp_path / "a.pdf", draw)).paths
    red, blue = (255, 0, 0), (0, 0, 255)
    assert [(p.stroke_rgb, p.fill_rgb) for p in paths] == [(red, None), (None, blue), (red, blue)]
    assert [p.object_index for p in paths] == [0, 1, 2]


def test_a_filled_shape_left_open_is_closed_and_a_stroked_one_is_not(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        for stroke, fill in ((0, 1), (1, 0)):
            path = canvas.beginPath()
            path.moveTo(10, 10)
            path.lineTo(100, 10)
            path.lineTo(50, 90)
            canvas.drawPath(path, stroke=stroke, fill=fill)

    filled, stroked = vectors(write_pdf(tmp_path / "a.pdf", draw)).paths
    assert (filled.closed, len(filled.segments)) == (True, 3)
    assert (stroked.closed, len(stroked.segments)) == (False, 2)


def test_several_subpaths_and_lines_after_a_close(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        canvas._code.append("10 10 m 60 10 l 60 60 l h 20 90 l 40 90 l S 100 100 m 150 100 l 150 150 l 100 100 l S")

    paths = vectors(write_pdf(tmp_path / "a.pdf", draw)).paths
    assert [(p.closed, len(p.segments)) for p in paths] == [(True, 3), (False, 2), (True, 3)]
    assert_segments(paths[1].segments, [upright_mm(s) for s in ([(10, 10), (20, 90)], [(20, 90), (40, 90)])])
    assert [p.object_index for p in paths] == [0, 0, 1]


def test_a_clip_is_kept_as_its_box(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        canvas.saveState()
        clip = canvas.beginPath()
        clip.moveTo(50, 50)
        clip.lineTo(250, 50)
        clip.lineTo(150, 350)
        clip.close()
        canvas.clipPath(clip, stroke=0)
        canvas.rect(100, 100, 300, 50)
        canvas.restoreState()
        canvas.rect(100, 400, 30, 50)

    clipped, free = vectors(write_pdf(tmp_path / "a.pdf", draw)).paths
    assert free.clip_mm is None
    x0, y0, x1, y1 = upright_mm([(50, 350), (250, 50)]).ravel()
    assert clipped.clip_mm == pytest.approx((x0, y0, x1, y1), abs=EXACT_MM)


def test_a_clip_under_transforms_and_forms_is_kept_where_it_is(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        canvas.beginForm("inner")
        canvas.scale(2, 2)
        clip = canvas.beginPath()
        clip.moveTo(10, 10)
        clip.lineTo(60, 10)
        clip.lineTo(30, 60)
        clip.close()
        canvas.clipPath(clip, stroke=0)
        canvas.rect(0, 0, 40, 40)
        canvas.endForm()
        canvas.translate(50, 100)
        canvas.doForm("inner")

    (path,) = vectors(write_pdf(tmp_path / "a.pdf", draw)).paths
    assert path.clip_mm == pytest.approx(tuple(upright_mm([(70, 220), (170, 120)]).ravel()), abs=EXACT_MM)


def test_words_come_in_runs_with_their_boxes(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        draw_shape(canvas)
        canvas.setFont("Helvetica", 14)
        canvas.drawString(120, 300, "Front panel")
        canvas.drawString(120, 280, "Cut 2")
        canvas.drawString(300, 300, "Pocket")
        canvas.saveState()
        canvas.translate(60, 200)
        canvas.rotate(90)
        canvas.drawString(0, 0, "grain")
        canvas.restoreState()

    page = vectors(write_pdf(tmp_path / "a.pdf", draw))
    assert sorted(t.text for t in page.texts) == ["Cut 2", "Front panel", "Pocket", "grain"]
    boxes = {t.text: t.box_mm for t in page.texts}
    x0, y0, x1, y1 = boxes["Front panel"]
    left, base = upright_mm([(120, 300)])[0]
    assert (x0, y1) == pytest.approx((left, base), abs=1.5)
    assert 18 < x1 - x0 < 28
    assert 2 < y1 - y0 < 6
    grain = boxes["grain"]
    assert grain[3] - grain[1] > 2 * (grain[2] - grain[0])


def test_layers_that_are_switched_off_are_left_out(tmp_path: Path) -> None:
    # ISO 32000-1, 8.11: marked content /OC of an optional content group listed in /OFF of the default configuration.
    def draw(canvas: Canvas) -> None:
        canvas._code.append("/OC /one BDC 10 10 80 80 re S EMC /OC /two BDC 200 200 80 80 re S EMC")

    path = write_pdf(tmp_path / "a.pdf", draw)

    def add_layers(page: pypdf.PageObject, writer: pypdf.PdfWriter) -> None:
        groups = [
            writer._add_object(
                DictionaryObject({NameObject("/Type"): NameObject("/OCG"), NameObject("/Name"): TextStringObject(name)})
            )
            for name in ("size 10", "size 12")
        ]
        page["/Resources"].get_object()[NameObject("/Properties")] = DictionaryObject(
            {NameObject("/one"): groups[0], NameObject("/two"): groups[1]}
        )
        writer.root_object[NameObject("/OCProperties")] = DictionaryObject(
            {
                NameObject("/OCGs"): ArrayObject(groups),
                NameObject("/D"): DictionaryObject({NameObject("/OFF"): ArrayObject(groups[:1])}),
            }
        )

    change_page(path, add_layers)
    (kept,) = vectors(path).paths
    assert np.abs(kept.segments[0][0] - upright_mm([(200, 200)])[0]).max() <= EXACT_MM


# -- which kind of page -----------------------------------------------------------------------------------------------
def test_a_page_of_words_is_a_vector_page_without_paths(tmp_path: Path) -> None:
    page = vectors(write_pdf(tmp_path / "a.pdf", lambda c: c.drawString(100, 100, "Sew it together")))
    assert page.paths == ()
    assert page.texts[0].text == "Sew it together"


def scan(width: int = 500, height: int = 700) -> Image.Image:
    image = Image.new("L", (width, height), 250)
    image.paste(30, (20, 40, 120, 90))
    return image


def test_a_scanned_page_gives_the_pixels_of_its_image(tmp_path: Path) -> None:
    image = scan()
    path = write_pdf(
        tmp_path / "a.pdf", lambda c: c.drawImage(ImageReader(image), 0, 0, width=WIDTH_PT, height=HEIGHT_PT)
    )
    picture = only(path)
    assert picture.kind == "pdf-raster"
    assert picture.vectors is None
    grey = picture.pixels if picture.pixels.ndim == 2 else picture.pixels[..., 0]
    assert (grey == np.asarray(image)).all()
    assert picture.density is not None
    assert picture.density.origin == "PDF page"
    # 500 pixels over 500 points: 72 per inch.
    assert (picture.density.x_per_inch, picture.density.y_per_inch) == pytest.approx((72, 72), rel=1e-6)


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_a_turned_scan_is_upright_with_its_densities(tmp_path: Path, turn: int) -> None:
    image = scan(1000, 700)  # twice as dense across as down
    path = write_pdf(
        tmp_path / "a.pdf", lambda c: c.drawImage(ImageReader(image), 0, 0, width=WIDTH_PT, height=HEIGHT_PT)
    )
    change_page(path, lambda page, _: page.rotate(turn))
    picture = only(path)
    grey = picture.pixels if picture.pixels.ndim == 2 else picture.pixels[..., 0]
    assert (grey == np.rot90(np.asarray(image), -turn // 90)).all()
    assert picture.density is not None
    assert (picture.density.x_per_inch, picture.density.y_per_inch) == pytest.approx(
        (144, 72) if turn == 180 else (72, 144), rel=1e-6
    )


def test_a_scan_with_words_over_it_is_rendered_at_its_density(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        canvas.drawImage(ImageReader(scan(2000, 2800)), 0, 0, width=WIDTH_PT, height=HEIGHT_PT)
        canvas.drawString(300, 300, "Page 1")

    picture = only(write_pdf(tmp_path / "a.pdf", draw))
    assert picture.kind == "pdf-raster"
    assert (picture.width_px, picture.height_px) == (2000, 2800)
    assert picture.density is not None
    assert picture.density.x_per_inch == pytest.approx(288, rel=1e-3)
    assert picture.pixels[1500:1700, 1200:1400].min() < 100


def test_a_scan_askew_on_the_page_is_rendered(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        canvas.translate(20, 10)
        canvas.rotate(2)
        canvas.drawImage(ImageReader(scan(1500, 2100)), 0, 0, width=WIDTH_PT, height=HEIGHT_PT)

    picture = only(write_pdf(tmp_path / "a.pdf", draw))
    assert picture.kind == "pdf-raster"
    assert picture.density is not None
    assert picture.density.x_per_inch == pytest.approx(216, rel=1e-3)


def test_outlines_over_a_picture_make_a_vector_page(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        canvas.drawImage(ImageReader(scan()), 0, 0, width=WIDTH_PT, height=HEIGHT_PT)
        draw_shape(canvas)

    assert len(vectors(write_pdf(tmp_path / "a.pdf", draw)).paths) == 1


# -- pages, speed, files that cannot be used --------------------------------------------------------------------------
def three_pages(path: Path) -> Path:
    return write_pdf(path, lambda c: c.drawString(9, 9, "one"), draw_shape, lambda c: c.drawString(9, 9, "three"))


def test_chosen_pages_come_in_the_order_asked(tmp_path: Path) -> None:
    path = three_pages(tmp_path / "a.pdf")
    assert [p.source.page for p in read_pictures(path)] == [1, 2, 3]
    assert [p.source.page for p in read_pictures(path, pages="3,2")] == [3, 2]


def refused(path: Path, **options: object) -> str:
    with pytest.raises(PictureError) as caught:
        list(read_pictures(path, **options))  # type: ignore[arg-type]
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_a_page_that_is_not_there(tmp_path: Path) -> None:
    assert refused(three_pages(tmp_path / "a.pdf"), pages="99") == "a.pdf has 3 pages and no page 99; choose among 1-3"


def test_a_locked_pdf_says_how_to_unlock_it(tmp_path: Path) -> None:
    path = three_pages(tmp_path / "a.pdf")
    writer = pypdf.PdfWriter(clone_from=path)
    writer.encrypt("secret", algorithm="RC4-128")
    writer.write(path)
    assert "locked with a password" in refused(path)


def test_a_pdf_that_only_forbids_changes_is_read(tmp_path: Path) -> None:
    path = three_pages(tmp_path / "a.pdf")
    writer = pypdf.PdfWriter(clone_from=path)
    writer.encrypt("", owner_password="owner", algorithm="RC4-128")
    writer.write(path)
    assert len(list(read_pictures(path))) == 3


@pytest.mark.parametrize("content", [b"%PDF-1.7\nnothing more", b"%PDF-1.4\n" + bytes(3000)])
def test_a_broken_pdf_is_said_to_be_broken(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.pdf").write_bytes(content)
    assert "cannot be opened" in refused(tmp_path / "a.pdf")


def test_a_page_with_too_much_on_it_is_refused(tmp_path: Path) -> None:
    path = write_pdf(tmp_path / "a.pdf", draw_shape)
    assert "more than 3 lines" in refused(path, limits=IntakeLimits(max_drawn_segments=3))


def test_a_page_of_twenty_thousand_paths_is_read_quickly(tmp_path: Path) -> None:
    def draw(canvas: Canvas) -> None:
        for i in range(20_000):
            x, y = 10 + (i % 200) * 2.4, 10 + (i // 200) * 6.5
            canvas._code.append(f"{x:.2f} {y:.2f} m {x + 2:.2f} {y:.2f} l {x + 1:.2f} {y + 3:.2f} l s")

    path = write_pdf(tmp_path / "a.pdf", draw)
    begun = time.process_time()
    page = vectors(path)
    assert len(page.paths) == 20_000
    # Processor time; 1.0 s was measured.
    assert time.process_time() - begun < 6


def test_a_poster_five_metres_long_is_still_looked_at(tmp_path: Path) -> None:
    path = write_pdf(tmp_path / "a.pdf", draw_shape, size=(14_000, 2_000))
    picture = only(path, limits=IntakeLimits(max_pixels=4_000_000))
    assert picture.vectors is not None
    assert picture.width_px * picture.height_px <= 4_100_000
    assert picture.vectors.width_mm == pytest.approx(14_000 * POINT_MM)
    assert math.isclose(picture.vectors.height_mm, 2_000 * POINT_MM, rel_tol=1e-6)


def test_a_pdf_header_may_follow_other_bytes(tmp_path: Path) -> None:
    # ISO 32000-1, annex H.3: the header may appear anywhere within the first 1024 bytes.
    stream = io.BytesIO(three_pages(tmp_path / "a.pdf").read_bytes())
    (tmp_path / "b.pdf").write_bytes(b"\n\n" + stream.getvalue())
    assert len(list(read_pictures(tmp_path / "b.pdf"))) == 3
