"""Picture files: every mode, every orientation, every density tag, and files that are not what they seem."""

from __future__ import annotations

import hashlib
import io
import math
import struct
import time
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import ExifTags, Image, ImageCms, PngImagePlugin

from calibration.errors import PictureError
from calibration.intake import IntakeLimits, read_pictures
from calibration.picture import Picture

JPEG_LEVELS = 3
"""Grey levels by which JPEG or HEIC at quality 95 may move a flat patch."""


def only(path: Path, **options: object) -> Picture:
    (picture,) = read_pictures(path, **options)  # type: ignore[arg-type]
    return picture


def patches(mode: str = "RGB") -> Image.Image:
    """A 48 x 32 picture whose four quarters are told apart in any mode: dark, light, middle, white."""
    levels = {"RGB": [(200, 30, 30), (30, 160, 40), (20, 40, 190), (255, 255, 255)], "L": [20, 90, 170, 255]}[mode]
    image = Image.new(mode, (48, 32))
    for level, (x, y) in zip(levels, [(0, 0), (24, 0), (0, 16), (24, 16)], strict=True):
        image.paste(level, (x, y, x + 24, y + 16))
    return image


def quarters(pixels: np.ndarray) -> np.ndarray:
    """Middle values of the four quarters, row by row."""
    rows, columns = pixels.shape[:2]
    return np.array([pixels[r, c] for r in (rows // 4, 3 * rows // 4) for c in (columns // 4, 3 * columns // 4)], int)


# -- formats and modes ------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("kind", ["PNG", "TIFF", "BMP", "JPEG", "WEBP", "HEIF"])
@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_every_format_gives_its_pixels_whatever_the_name_says(tmp_path: Path, kind: str, mode: str) -> None:
    pillow_heif.register_heif_opener()
    path = tmp_path / "picture.txt"
    patches(mode).save(path, format=kind, **({} if kind in ("PNG", "TIFF", "BMP") else {"quality": 95}))
    picture = only(path)
    assert (picture.width_px, picture.height_px) == (48, 32)
    assert picture.pixels.dtype == np.uint8
    assert not picture.pixels.flags.writeable
    expected = quarters(np.asarray(patches(mode)))
    got = quarters(picture.pixels)
    if got.ndim > expected.ndim:
        expected = np.repeat(expected[:, None], 3, axis=1)
    assert np.abs(got - expected).max() <= (0 if kind in ("PNG", "TIFF", "BMP") else 12 if mode == "RGB" else 4)
    assert picture.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert picture.source.file == "picture.txt"
    assert picture.source.page is None


def test_grey_files_stay_grey(tmp_path: Path) -> None:
    for name in ("a.png", "a.jpg", "a.tif"):
        patches("L").save(tmp_path / name)
        assert only(tmp_path / name).pixels.ndim == 2


def test_sixteen_bits_are_scaled_not_clipped(tmp_path: Path) -> None:
    values = np.array([[0, 128 * 257, 65535], [257, 2 * 257, 254 * 257]], dtype=np.uint16)
    for name in ("a.png", "a.tif"):
        Image.fromarray(values).save(tmp_path / name)
        assert only(tmp_path / name).pixels.tolist() == [[0, 128, 255], [1, 2, 254]]


def test_sixteen_bit_colour_png_is_reduced(tmp_path: Path) -> None:
    import cv2

    values = np.zeros((4, 5, 3), np.uint16)
    values[..., 2], values[..., 1] = 65535, 128 * 257
    (tmp_path / "a.png").write_bytes(cv2.imencode(".png", values)[1].tobytes())
    assert only(tmp_path / "a.png").pixels[1, 1].tolist() == [255, 128, 0]


def test_one_bit_is_black_and_white_both_ways_round(tmp_path: Path) -> None:
    bits = Image.new("1", (16, 8), 1)
    bits.paste(0, (0, 0, 8, 8))
    bits.save(tmp_path / "a.png")
    bits.save(tmp_path / "b.tif", compression="group4")
    # TIFF 6.0 by hand, PhotometricInterpretation 0: a set bit is black.
    tags = [(256, 16), (257, 8), (258, 1), (259, 1), (262, 0), (273, 200), (277, 1), (278, 8), (279, 16)]
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    head = b"II*\0" + struct.pack("<IH", 8, len(tags)) + entries + bytes(4)
    (tmp_path / "c.tif").write_bytes(head.ljust(200, b"\0") + b"\xff\x00" * 8)
    for name in ("a.png", "b.tif", "c.tif"):
        pixels = only(tmp_path / name).pixels
        assert pixels.ndim == 2
        assert (pixels[4, 2], pixels[4, 12]) == (0, 255)


def test_palette_is_looked_up(tmp_path: Path) -> None:
    patches().quantize(8).save(tmp_path / "a.png")
    assert np.abs(quarters(only(tmp_path / "a.png").pixels) - quarters(np.asarray(patches()))).max() <= 8


def test_transparency_shows_white_paper(tmp_path: Path) -> None:
    rgba = Image.new("RGBA", (8, 8), (0, 0, 0, 0))
    rgba.putpixel((1, 1), (0, 0, 0, 255))
    rgba.putpixel((2, 2), (0, 0, 0, 128))
    rgba.save(tmp_path / "a.png")
    pixels = only(tmp_path / "a.png").pixels
    assert pixels.shape == (8, 8, 3)
    assert pixels[5, 5].tolist() == [255, 255, 255]
    assert pixels[1, 1].tolist() == [0, 0, 0]
    assert pixels[2, 2].tolist() == [127, 127, 127]
    la = Image.new("LA", (8, 8), (0, 0))
    la.save(tmp_path / "b.png")
    assert (only(tmp_path / "b.png").pixels == 255).all()
    palette = Image.new("P", (8, 8), 0)
    palette.putpalette([10, 20, 30, 200, 0, 0])
    palette.putpixel((3, 3), 1)
    palette.save(tmp_path / "c.png", transparency=0)
    assert only(tmp_path / "c.png").pixels[0, 0].tolist() == [255, 255, 255]
    assert only(tmp_path / "c.png").pixels[3, 3].tolist() == [200, 0, 0]
    Image.new("L", (8, 8), 7).save(tmp_path / "d.png", transparency=7)
    assert (only(tmp_path / "d.png").pixels == 255).all()


def test_cmyk_is_ink_on_paper(tmp_path: Path) -> None:
    cmyk = Image.new("CMYK", (16, 16), (0, 0, 0, 0))
    cmyk.paste((0, 0, 0, 255), (0, 0, 8, 16))
    for name in ("a.jpg", "a.tif"):
        cmyk.save(tmp_path / name)
        pixels = only(tmp_path / name).pixels
        assert pixels.shape == (16, 16, 3)
        assert pixels[8, 3].max() <= 8
        assert pixels[8, 12].min() >= 247


def test_a_foreign_colour_profile_is_converted_and_srgb_is_left_alone(tmp_path: Path) -> None:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    patches().save(tmp_path / "a.png", icc_profile=srgb)
    assert (only(tmp_path / "a.png").pixels == np.asarray(patches())).all()
    lab = ImageCms.createProfile("LAB")
    to_lab = ImageCms.buildTransform(ImageCms.createProfile("sRGB"), lab, "RGB", "LAB")
    image = ImageCms.applyTransform(patches(), to_lab)
    image.save(tmp_path / "b.tif", icc_profile=ImageCms.ImageCmsProfile(lab).tobytes())
    assert np.abs(quarters(only(tmp_path / "b.tif").pixels) - quarters(np.asarray(patches()))).max() <= 4


def test_an_unreadable_colour_profile_is_said_and_passed_over(tmp_path: Path) -> None:
    patches().save(tmp_path / "a.png", icc_profile=b"nonsense")
    picture = only(tmp_path / "a.png")
    assert (picture.pixels == np.asarray(patches())).all()
    assert any("profile" in warning for warning in picture.warnings)


def test_floating_point_tiff_is_refused(tmp_path: Path) -> None:
    Image.new("F", (8, 8), 0.5).save(tmp_path / "a.tif")
    with pytest.raises(PictureError, match="floating-point"):
        only(tmp_path / "a.tif")


# -- orientation ------------------------------------------------------------------------------------------------------
STORED_AS = {
    # Exif 2.32, tag 0x0112: which side of the scene the 0th row and the 0th column are.
    1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
    5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
}  # fmt: skip


def store(scene: np.ndarray, orientation: int) -> np.ndarray:
    """Store an upright scene as a camera held that way does, pixel by pixel from the standard's words."""
    row_side, column_side = STORED_AS[orientation]
    rows, columns = scene.shape[:2]
    sideways = row_side in ("left", "right")
    stored = np.zeros((columns, rows, 3) if sideways else (rows, columns, 3), np.uint8)
    for i in range(stored.shape[0]):
        for j in range(stored.shape[1]):
            at = {}
            for side, index in ((row_side, i), (column_side, j)):
                if side in ("top", "bottom"):
                    at["row"] = index if side == "top" else rows - 1 - index
                else:
                    at["column"] = index if side == "left" else columns - 1 - index
            stored[i, j] = scene[at["row"], at["column"]]
    return stored


@pytest.mark.parametrize("kind", ["JPEG", "TIFF", "PNG", "WEBP", "TIFF-deflate"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_comes_out_upright_with_its_densities(tmp_path: Path, kind: str, orientation: int) -> None:
    scene = np.asarray(patches())
    image = Image.fromarray(store(scene, orientation))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    exif[ExifTags.Base.XResolution], exif[ExifTags.Base.YResolution] = 301.0, 599.0
    exif[ExifTags.Base.ResolutionUnit] = 2
    path = tmp_path / "a"
    if kind.startswith("TIFF"):
        compression = {"compression": "tiff_deflate"} if kind == "TIFF-deflate" else {}
        image.save(path, format="TIFF", tiffinfo={274: orientation}, x_resolution=301.0, y_resolution=599.0,
                   resolution_unit=2, **compression)  # fmt: skip
    else:
        lossless = {"PNG": {}, "JPEG": {"quality": 95, "subsampling": 0}, "WEBP": {"lossless": True}}[kind]
        image.save(path, format=kind, exif=exif, **lossless)
    picture = only(path)
    assert picture.pixels.shape == scene.shape
    assert np.abs(picture.pixels.astype(int) - scene).max() <= (40 if kind == "JPEG" else 0)
    assert np.abs(quarters(picture.pixels) - quarters(scene)).max() <= (JPEG_LEVELS if kind == "JPEG" else 0)
    assert picture.density is not None
    stated = (picture.density.x_per_inch, picture.density.y_per_inch)
    assert stated == pytest.approx((599, 301) if orientation >= 5 else (301, 599), abs=1e-3)


def test_heic_keeps_pixels_orientation_and_focal_length(tmp_path: Path) -> None:
    pillow_heif.register_heif_opener()
    scene = np.asarray(patches().resize((480, 320), Image.Resampling.NEAREST))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    Image.fromarray(store(scene, 6)).save(tmp_path / "a.heic", exif=exif.tobytes(), quality=95)
    picture = only(tmp_path / "a.heic")
    assert picture.pixels.shape == scene.shape
    assert np.abs(quarters(picture.pixels) - quarters(scene)).max() <= 6
    assert picture.focal_px == pytest.approx(26 / math.hypot(36, 24) * math.hypot(480, 320), rel=1e-9)


# -- density and focal length -----------------------------------------------------------------------------------------
def jfif(data: bytes, *, unit: int, x: int, y: int) -> bytes:
    """Write the density fields of a JFIF header: APP0 'JFIF' 0, version, units, Xdensity, Ydensity (JFIF 1.02)."""
    at = data.index(b"JFIF\0") + 7
    return data[:at] + struct.pack(">BHH", unit, x, y) + data[at + 5 :]


def jpeg_bytes(**options: object) -> bytes:
    stream = io.BytesIO()
    patches().save(stream, format="JPEG", **options)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("unit", "x", "y", "per_inch"),
    [(1, 300, 299, (300, 299)), (2, 118, 236, (118 * 2.54, 236 * 2.54)), (0, 1, 1, None), (1, 0, 0, None)],
)
def test_jfif_units_are_inches_and_centimetres(
    tmp_path: Path, unit: int, x: int, y: int, per_inch: tuple[float, float] | None
) -> None:
    # JFIF 1.02: units 0 = no units (aspect ratio), 1 = dots per inch, 2 = dots per cm.
    (tmp_path / "a.jpg").write_bytes(jfif(jpeg_bytes(), unit=unit, x=x, y=y))
    density = only(tmp_path / "a.jpg").density
    if per_inch is None:
        assert density is None
    else:
        assert density is not None
        assert density.origin == "JFIF"
        assert (density.x_per_inch, density.y_per_inch) == pytest.approx(per_inch, rel=1e-12)


def test_png_phys_unit_is_the_metre(tmp_path: Path) -> None:
    # PNG, third edition, 11.3.4.3: 'unit specifier 1: unit is the metre'; 11811 per metre is 300 per inch.
    def chunk(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    def png(x: int, y: int, unit: int) -> bytes:
        header = struct.pack(">IIBBBBB", 4, 4, 8, 0, 0, 0, 0)
        rows = zlib.compress(b"\0\xff\xff\xff\xff" * 4)
        return (
            b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"pHYs", struct.pack(">IIB", x, y, unit))
            + chunk(b"IDAT", rows) + chunk(b"IEND", b"")
        )  # fmt: skip

    (tmp_path / "a.png").write_bytes(png(11811, 23622, 1))
    density = only(tmp_path / "a.png").density
    assert density is not None
    assert density.origin == "PNG pHYs"
    assert (density.x_per_inch, density.y_per_inch) == pytest.approx((11811 * 0.0254, 23622 * 0.0254), rel=1e-12)
    (tmp_path / "b.png").write_bytes(png(300, 300, 0))
    assert only(tmp_path / "b.png").density is None


def test_tiff_resolution_in_centimetres(tmp_path: Path) -> None:
    patches().save(tmp_path / "a.tif", x_resolution=118.11, y_resolution=118.11, resolution_unit=3)
    density = only(tmp_path / "a.tif").density
    assert density is not None
    assert density.origin == "TIFF"
    assert density.x_per_inch == pytest.approx(118.11 * 2.54, rel=1e-6)


def exif_density(per_inch: float) -> Image.Exif:
    exif = Image.Exif()
    exif[ExifTags.Base.XResolution] = exif[ExifTags.Base.YResolution] = per_inch
    exif[ExifTags.Base.ResolutionUnit] = 2
    return exif


@pytest.mark.parametrize(
    ("in_jfif", "in_exif", "chosen", "origin", "warned"),
    [
        (72, 300, 300, "EXIF", False),
        (300, 72, 300, "JFIF", False),
        (96, 72, 96, "JFIF", False),
        (600, 300, 600, "JFIF", True),
        (300, 300, 300, "JFIF", False),
    ],
)
def test_of_two_densities_the_credible_one_is_taken(
    tmp_path: Path, in_jfif: int, in_exif: int, chosen: int, origin: str, *, warned: bool
) -> None:
    data = jpeg_bytes(exif=exif_density(in_exif), dpi=(100, 100))
    (tmp_path / "a.jpg").write_bytes(jfif(data, unit=1, x=in_jfif, y=in_jfif))
    picture = only(tmp_path / "a.jpg")
    assert picture.density is not None
    assert (picture.density.x_per_inch, picture.density.origin) == (chosen, origin)
    assert bool(picture.warnings) is warned


def test_focal_length_of_a_cropped_photo_is_not_believed(tmp_path: Path) -> None:
    exif = Image.Exif()
    ifd = exif.get_ifd(ExifTags.IFD.Exif)
    ifd[ExifTags.Base.FocalLengthIn35mmFilm] = 28
    ifd[ExifTags.Base.ExifImageWidth], ifd[ExifTags.Base.ExifImageHeight] = 4800, 3200
    (tmp_path / "a.jpg").write_bytes(jpeg_bytes(exif=exif))
    assert only(tmp_path / "a.jpg").focal_px == pytest.approx(28 / math.hypot(36, 24) * math.hypot(48, 32), rel=1e-9)
    ifd[ExifTags.Base.ExifImageHeight] = 4000
    (tmp_path / "b.jpg").write_bytes(jpeg_bytes(exif=exif))
    assert only(tmp_path / "b.jpg").focal_px is None


# -- several pages ----------------------------------------------------------------------------------------------------
def test_pages_of_a_tiff_are_chosen(tmp_path: Path) -> None:
    sheets = [Image.new("L", (20 + i, 10), 50 * i) for i in range(3)]
    sheets[0].save(tmp_path / "a.tif", save_all=True, append_images=sheets[1:])
    pictures = list(read_pictures(tmp_path / "a.tif", pages="3,1"))
    assert [(p.width_px, p.source.page, int(p.pixels[0, 0])) for p in pictures] == [(22, 3, 100), (20, 1, 0)]
    assert len(list(read_pictures(tmp_path / "a.tif"))) == 3
    with pytest.raises(PictureError, match="has 3 pages and no page 99"):
        read_pictures(tmp_path / "a.tif", pages="99")


# -- files that are not what they seem --------------------------------------------------------------------------------
def refused(path: Path, **options: object) -> str:
    with pytest.raises(PictureError) as caught:
        list(read_pictures(path, **options))  # type: ignore[arg-type]
    message = str(caught.value)
    assert "\n" not in message
    assert len(message) < 300
    return message


def test_missing_empty_folder_and_text_are_said_in_one_line(tmp_path: Path) -> None:
    assert "there is no file" in refused(tmp_path / "none.jpg")
    assert "is a folder" in refused(tmp_path)
    (tmp_path / "empty.png").write_bytes(b"")
    assert "is empty" in refused(tmp_path / "empty.png")
    (tmp_path / "text.png").write_text("not a picture at all\n")
    assert "is a text file" in refused(tmp_path / "text.png")
    (tmp_path / "odd.png").write_bytes(bytes(range(256)) * 8)
    assert "no picture of a known kind" in refused(tmp_path / "odd.png")
    (tmp_path / "page.jpg").write_text("<!doctype html><html><body>not found</body></html>")
    assert "web" in refused(tmp_path / "page.jpg")
    (tmp_path / "a.gif").write_bytes(b"GIF89a" + bytes(40))
    assert "of a kind that is not read" in refused(tmp_path / "a.gif")


def test_pages_of_a_single_picture(tmp_path: Path) -> None:
    patches().save(tmp_path / "a.png")
    assert only(tmp_path / "a.png", pages="1").width_px == 48
    assert "has 1 page and no page 2" in refused(tmp_path / "a.png", pages="2")
    assert "runs backwards" in refused(tmp_path / "a.png", pages="6-4")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "BMP", "HEIF"])
@pytest.mark.parametrize("kept", [0.02, 0.5, 0.9])
def test_a_truncated_file_is_an_error_not_half_a_picture(tmp_path: Path, kind: str, kept: float) -> None:
    pillow_heif.register_heif_opener()
    noise = np.random.default_rng(5).integers(0, 255, (300, 300, 3), np.uint8)
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, format=kind)
    data = stream.getvalue()
    (tmp_path / "a").write_bytes(data[: int(len(data) * kept)])
    assert "copy or scan it again" in refused(tmp_path / "a")


def test_a_progressive_jpeg_cut_between_its_scans_is_an_error(tmp_path: Path) -> None:
    noise = np.random.default_rng(5).integers(0, 255, (300, 300, 3), np.uint8)
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, format="JPEG", progressive=True)
    data = stream.getvalue()
    (tmp_path / "a.jpg").write_bytes(data)
    assert only(tmp_path / "a.jpg").width_px == 300
    last_scan = data.rindex(b"\xff\xda")
    (tmp_path / "b.jpg").write_bytes(data[:last_scan])
    assert "cut short" in refused(tmp_path / "b.jpg")


def test_a_jpeg_with_a_thumbnail_cut_after_it_is_an_error(tmp_path: Path) -> None:
    """The thumbnail inside EXIF has its own end marker; it must not pass for the picture's."""
    exif = Image.Exif()
    exif[ExifTags.Base.ImageDescription] = "x"
    thumbnail = jpeg_bytes()
    block = b"Exif\0\0" + exif.tobytes()[6:] + thumbnail
    data = jpeg_bytes()
    whole = data[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + data[2:]
    (tmp_path / "a.jpg").write_bytes(whole)
    assert only(tmp_path / "a.jpg").width_px == 48
    (tmp_path / "b.jpg").write_bytes(whole[:-40])
    assert "cut short" in refused(tmp_path / "b.jpg")


def test_a_png_of_monstrous_size_is_refused_without_decoding(tmp_path: Path) -> None:
    def chunk(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    header = struct.pack(">IIBBBBB", 100_000, 100_000, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(10_000_000), 9)
    data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    (tmp_path / "bomb.png").write_bytes(data)
    tracemalloc.start()
    begun = time.perf_counter()
    message = refused(tmp_path / "bomb.png")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "100000 x 100000 pixels" in message
    assert time.perf_counter() - begun < 1.0
    assert peak < 5_000_000


def test_a_png_with_a_text_bomb_is_refused(tmp_path: Path) -> None:
    info = PngImagePlugin.PngInfo()
    info.add_text("comment", "x" * 90_000_000, zip=True)
    patches().save(tmp_path / "bomb.png", pnginfo=info)
    assert (tmp_path / "bomb.png").stat().st_size < 200_000
    assert "cannot be decoded" in refused(tmp_path / "bomb.png")


def test_limits_are_the_callers_to_set(tmp_path: Path) -> None:
    patches().save(tmp_path / "a.png")
    assert "at most 0 million" in refused(tmp_path / "a.png", limits=IntakeLimits(max_pixels=1000))
    assert "GB are allowed" in refused(tmp_path / "a.png", limits=IntakeLimits(max_memory_bytes=1000))
    assert "are read" in refused(tmp_path / "a.png", limits=IntakeLimits(max_file_bytes=10))


def test_a_hundred_million_pixels_are_not_refused_by_the_decoder(tmp_path: Path) -> None:
    """Pillow's own limit (89 million) is lower than an A0 sheet at 300 per inch; here a flat 1-bit picture of 110."""
    Image.new("1", (11_000, 10_000), 1).save(tmp_path / "a.png")
    before = Image.MAX_IMAGE_PIXELS
    assert only(tmp_path / "a.png").pixels.shape == (10_000, 11_000)
    assert before == Image.MAX_IMAGE_PIXELS


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "BMP"])
def test_damaged_bytes_never_escape_as_anything_but_a_clear_refusal(tmp_path: Path, kind: str) -> None:
    """Tags, headers and data with bytes changed at random (fixed seed): a picture or one line, never a traceback."""
    exif = exif_density(300) if kind in ("JPEG", "PNG", "WEBP") else None
    stream = io.BytesIO()
    patches().save(stream, format=kind, **({"exif": exif} if exif is not None else {}))
    whole = stream.getvalue()
    drawing = np.random.default_rng(17)
    refusals: list[str] = []
    for _ in range(120):
        data = bytearray(whole)
        for _ in range(int(drawing.integers(1, 6))):
            data[int(drawing.integers(4, min(len(data), 400)))] = int(drawing.integers(0, 256))
        (tmp_path / "a").write_bytes(bytes(data))
        try:
            list(read_pictures(tmp_path / "a"))
        except PictureError as error:
            refusals.append(str(error))
    assert refusals
    assert not any("\n" in message for message in refusals)


def test_the_input_is_never_modified(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes())
    path.chmod(0o444)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    only(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_pictures_are_decoded_one_at_a_time(tmp_path: Path) -> None:
    """A damaged second page does not keep the first one from being read."""
    sheets = [Image.effect_noise((200, 200), 80) for _ in range(2)]
    sheets[0].save(tmp_path / "a.tif", save_all=True, append_images=sheets[1:], compression="tiff_deflate")
    with Image.open(tmp_path / "a.tif") as image:
        image.seek(1)
        (start,) = image.tag_v2[273]  # type: ignore[attr-defined]
    data = bytearray((tmp_path / "a.tif").read_bytes())
    data[start : start + 2000] = bytes(2000)
    (tmp_path / "a.tif").write_bytes(bytes(data))
    pictures = read_pictures(tmp_path / "a.tif")
    assert next(pictures).source.page == 1
    with pytest.raises(PictureError, match="cannot be decoded"):
        next(pictures)
