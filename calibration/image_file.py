"""Picture files (JPEG, PNG, TIFF, HEIC, WebP, BMP) to upright 8-bit sRGB pixels.

Every mode ends as grey (rows, columns) or RGB (rows, columns, 3): 16 bits are reduced to 8, transparency is laid over
white paper, an embedded colour profile that is not sRGB is converted. Limits are checked on the header, before any
pixel is decoded.
"""

from __future__ import annotations

import io
import re
import struct
import threading
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, ImageCms

from calibration.errors import PictureError
from calibration.image_tags import focal_length_px, orientation_of, stated_density
from calibration.picture import Density, Picture, Source

FORMATS = {"jpeg": "JPEG", "png": "PNG", "tiff": "TIFF", "heic": "HEIF", "webp": "WEBP", "bmp": "BMP"}

_PAGE_TAG_SUBFILE = 254
_PAGE_TAG_PHOTOMETRIC = 262
_STRIP_ROWS = 512
_SCAN_END = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_NO_LENGTH = frozenset(range(0xD0, 0xD9)) | {0x01}
_SOS, _EOI = 0xDA, 0xD9
_DAMAGE = (
    OSError, ValueError, SyntaxError, EOFError, KeyError, TypeError, IndexError, RuntimeError, AttributeError,
    ArithmeticError, struct.error, zlib.error, cv2.error,
)  # fmt: skip
"""What decoders raise on damaged files, as found by feeding them damaged files."""

_pillow_limit = threading.Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeLimits:
    """What is refused before decoding, so that a hostile or mistaken file cannot fill the memory.

    Parameters
    ----------
    max_pixels : int
        400 million by default: an A0 sheet at 400 pixels per inch is 244 million.
    max_memory_bytes : int
        Estimate for the decoded picture and what its decoder holds beside it.
    max_file_bytes : int
        The file itself is held in memory while it is decoded.
    max_drawn_segments : int
        Lines and curves on one vector page.
    """

    max_pixels: int = 400_000_000
    max_memory_bytes: int = 3_500_000_000
    max_file_bytes: int = 2_000_000_000
    max_drawn_segments: int = 5_000_000


@contextmanager
def _without_pillow_limit() -> Iterator[None]:
    """Lift Pillow's own pixel limit, a module-wide value: ours, checked on the header, replaces it."""
    with _pillow_limit:
        before, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
        try:
            yield
        finally:
            Image.MAX_IMAGE_PIXELS = before


def _check_size(image: Image.Image, *, kind: str, name: str, limits: IntakeLimits) -> None:
    width, height = image.size
    pixels = width * height
    if pixels > limits.max_pixels:
        raise PictureError(
            f"{name} says it is {width} x {height} pixels, {pixels / 1e6:.0f} million; at most "
            f"{limits.max_pixels / 1e6:.0f} million are read: scan at a lower density or in parts"
        )
    channels = 1 if image.mode in ("1", "L", "I;16", "I;16B", "I;16L") else 3
    # Measured: OpenCV needs the result twice over for JPEG; Pillow keeps 4 bytes a pixel of colour beside the array,
    # and composing transparency or turning the picture needs one more copy.
    own = channels if kind == "jpeg" else (1 if channels == 1 else 8)
    turned = channels if orientation_of(image) >= 2 else 0
    needed = pixels * (channels + own + turned)
    if needed > limits.max_memory_bytes:
        raise PictureError(
            f"{name} ({width} x {height} pixels) needs about {needed / 1e9:.1f} GB to read and "
            f"{limits.max_memory_bytes / 1e9:.1f} GB are allowed: scan at a lower density, in grey or in parts"
        )


def _jpeg_is_whole(data: bytes) -> bool:
    """Whether a JPEG stream reaches its end marker (ISO/IEC 10918-1, B.1.1): a truncated file does not."""
    position = 2
    while position + 4 <= len(data):
        if data[position] != 0xFF:
            position += 1
            continue
        marker = data[position + 1]
        if marker == _EOI:
            return True
        if marker == 0xFF:
            position += 1
        elif marker in _NO_LENGTH:
            position += 2
        else:
            position += 2 + int.from_bytes(data[position + 2 : position + 4], "big")
            if marker == _SOS:
                match = _SCAN_END.search(data, position)
                if match is None:
                    return False
                position = match.start()
    return data[position : position + 2] == bytes((0xFF, _EOI))


def _decode_jpeg(data: bytes, mode: str) -> NDArray[np.uint8] | None:
    """Decode with OpenCV: half the time and memory of Pillow, same pixels (both are libjpeg-turbo)."""
    flag = cv2.IMREAD_GRAYSCALE if mode == "L" else cv2.IMREAD_COLOR_RGB
    decoded = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flag | cv2.IMREAD_IGNORE_ORIENTATION)
    return None if decoded is None else np.asarray(decoded, dtype=np.uint8)


def _eight_bits(values: NDArray[np.integer], *, white_is_zero: bool) -> NDArray[np.uint8]:
    out = np.empty(values.shape, dtype=np.uint8)
    for top in range(0, len(values), _STRIP_ROWS):
        strip = values[top : top + _STRIP_ROWS].astype(np.int64)
        out[top : top + _STRIP_ROWS] = np.clip((strip * 255 + 32767) // 65535, 0, 255)
    return 255 - out if white_is_zero else out


def _plain_mode(image: Image.Image, *, name: str) -> Image.Image:
    """Return the image as L, RGB, CMYK or LAB, transparency laid over white."""
    if image.mode in ("L", "RGB", "CMYK", "LAB") and "transparency" not in image.info:
        return image
    if image.mode in ("RGBX", "YCbCr", "HSV"):
        return image.convert("RGB")
    if image.mode == "1":
        return image.convert("L")
    if image.mode == "F":
        raise PictureError(
            f"{name} holds floating-point values, not a picture of paper; save it with 8 or 16 bits a channel"
        )
    grey = image.mode in ("L", "LA", "La")
    if image.mode == "P" and "transparency" not in image.info:
        return image.convert("RGB")
    with_alpha = image.convert("LA" if grey and image.mode != "L" else "RGBA")
    # Straight alpha over white paper, in encoded values as every viewer does.
    alpha = with_alpha.getchannel("A")
    paper = Image.new("L" if with_alpha.mode == "LA" else "RGB", image.size, "white")
    paper.paste(with_alpha.convert(paper.mode), mask=alpha)
    return paper.convert("L") if grey and paper.mode != "L" else paper


def _to_srgb(
    pixels: NDArray[np.uint8], mode: str, profile_bytes: bytes | None
) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    """Convert pixels of mode L, RGB, CMYK or LAB to sRGB by the embedded profile, strip by strip."""
    if profile_bytes:
        try:
            profile = ImageCms.ImageCmsProfile(io.BytesIO(profile_bytes))
            name = ImageCms.getProfileDescription(profile)
            if "srgb" in name.lower() and mode in ("RGB", "L"):
                return pixels, ()
            transform = ImageCms.buildTransform(
                profile,
                ImageCms.createProfile("sRGB"),
                mode,
                "RGB",
                ImageCms.Intent.RELATIVE_COLORIMETRIC,
                ImageCms.Flags.BLACKPOINTCOMPENSATION,
            )
        except (ImageCms.PyCMSError, OSError, TypeError, ValueError):
            said = ("the colour profile in the file cannot be read; its colours are taken as sRGB",)
            return _without_profile(pixels, mode), said
        out = np.empty((*pixels.shape[:2], 3) if mode != "L" else pixels.shape, dtype=np.uint8)
        for top in range(0, len(pixels), _STRIP_ROWS):
            strip = Image.fromarray(pixels[top : top + _STRIP_ROWS], mode=None if mode in ("L", "RGB") else mode)
            converted = np.asarray(ImageCms.applyTransform(strip, transform))
            out[top : top + _STRIP_ROWS] = converted[..., 1] if mode == "L" else converted
        return out, ()
    return _without_profile(pixels, mode), ()


def _without_profile(pixels: NDArray[np.uint8], mode: str) -> NDArray[np.uint8]:
    if mode in ("L", "RGB"):
        return pixels
    out = np.empty((*pixels.shape[:2], 3), dtype=np.uint8)
    for top in range(0, len(pixels), _STRIP_ROWS):
        strip = pixels[top : top + _STRIP_ROWS]
        out[top : top + _STRIP_ROWS] = np.asarray(Image.fromarray(strip, mode=mode).convert("RGB"))
    return out


def upright(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn stored pixels upright (TIFF 6.0, tag Orientation: where row 0 and column 0 are)."""
    if orientation >= 5:
        pixels = np.swapaxes(pixels, 0, 1)
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(pixels)


def _decode(image: Image.Image, data: bytes, *, kind: str, name: str) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    """Decode the current frame as stored; the orientation is applied by the caller."""
    profile = image.info.get("icc_profile")
    if kind == "jpeg":
        if not _jpeg_is_whole(data):
            raise PictureError(f"{name} is a JPEG cut short: its end is missing; copy or scan it again")
        if image.mode in ("L", "RGB"):
            decoded = _decode_jpeg(data, image.mode)
            if decoded is None:
                raise PictureError(f"{name} is a damaged JPEG; copy or scan it again")
            return _to_srgb(decoded, image.mode, profile)
    if image.mode.startswith("I"):
        tags = getattr(image, "tag_v2", {})
        white_is_zero = kind == "tiff" and tags.get(_PAGE_TAG_PHOTOMETRIC) == 0
        return _to_srgb(_eight_bits(np.asarray(image), white_is_zero=white_is_zero), "L", profile)
    image.load()
    plain = _plain_mode(image, name=name)
    return _to_srgb(np.asarray(plain), plain.mode, profile)


def _frames(image: Image.Image) -> list[int]:
    """Return the indices of full pictures; TIFF thumbnails (NewSubfileType bit 0) are left out."""
    count = getattr(image, "n_frames", 1) if image.format == "TIFF" else 1
    if count == 1:
        return [0]
    kept = []
    for index in range(count):
        image.seek(index)
        if not int(image.tag_v2.get(_PAGE_TAG_SUBFILE, 0)) & 1:  # type: ignore[attr-defined]
            kept.append(index)
    return kept or [0]


class ImageFileReader:
    """An opened picture file: how many pages it has, and each page as a Picture."""

    def __init__(self, path: Path, *, kind: str, sha256: str, limits: IntakeLimits) -> None:
        self._name, self._kind, self._sha256, self._limits = path.name, kind, sha256, limits
        with self._errors():
            self._data = path.read_bytes()
            self._image = self._open()
            self._frames = _frames(self._image)

    @property
    def page_count(self) -> int:
        """Number of pictures in the file."""
        return len(self._frames)

    def _open(self) -> Image.Image:
        if self._kind == "heic":
            pillow_heif.register_heif_opener(thumbnails=False)
        return Image.open(io.BytesIO(self._data), formats=(FORMATS[self._kind],))

    @contextmanager
    def _errors(self) -> Iterator[None]:
        """Turn whatever a decoder raises on a damaged file into one clear line."""
        kind = self._kind.upper()
        try:
            with _without_pillow_limit(), warnings.catch_warnings():
                # Pillow warns of damaged tags on the side; what cannot be read of them is simply not stated.
                warnings.simplefilter("ignore")
                yield
        except MemoryError as error:
            raise PictureError(f"{self._name} does not fit in memory; scan at a lower density or in parts") from error
        except _DAMAGE as error:
            raise PictureError(
                f"{self._name} begins like a {kind} file but cannot be decoded ({_one_line(error)}); "
                "copy or scan it again"
            ) from error

    def page(self, number: int) -> Picture:
        """Decode page ``number`` (1-based)."""
        with self._errors():
            image = self._image
            if self.page_count > 1 or image.format == "TIFF":
                image.seek(self._frames[number - 1])
            _check_size(image, kind=self._kind, name=self._name, limits=self._limits)
            # Read before decoding: Pillow turns TIFF pictures itself while it decodes them, and then drops the tag.
            orientation = orientation_of(image)
            density, said = stated_density(image)
            focal_px = focal_length_px(image)
            pixels, more = _decode(image, self._data, kind=self._kind, name=self._name)
            pixels = upright(pixels, 1 if self._kind == "tiff" else orientation)
        if orientation >= 5 and density is not None:
            density = Density(x_per_inch=density.y_per_inch, y_per_inch=density.x_per_inch, origin=density.origin)
        pixels.setflags(write=False)
        page = number if self.page_count > 1 else None
        return Picture(
            pixels=pixels,
            source=Source(file=self._name, page=page, sha256=self._sha256),
            density=density,
            focal_px=focal_px,
            warnings=(*said, *more),
        )


def _one_line(error: Exception) -> str:
    words = str(error).strip().splitlines()
    return words[0][:120] if words else type(error).__name__
