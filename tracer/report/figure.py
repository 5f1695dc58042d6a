"""Pictures for the report: the sheet seen square-on, with what was traced drawn over it."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from html import escape

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import MmPoints, Sheet
from tracer.measure import OutlineError
from tracer.path import OpenPath, Path
from tracer.piece import Mark
from tracer.pipeline import TracedSheet
from tracer.report.places import number_place

_PREVIEW_PX = 1500
_MAP_STEP = 8
_FAR_PX = 1e6
_JPEG_QUALITY = 72
_WHITE = (255.0, 255.0, 255.0)

ERROR_STEPS_MM = (0.02, 0.05, 0.1, 0.2)
"""Limits between the classes of the error's colour scale."""
ERROR_COLOURS = ("#0b6e4f", "#6a9a1f", "#c98a00", "#d1495b", "#7b1e7a")
"""From close to far; they differ in lightness too, so a grey print keeps the order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFigure:
    """A sheet ready for the page: record id, heading and one SVG element with the picture inside."""

    sheet_id: str
    heading: str
    svg: str
    profiles: dict[str, str]


def rectified_preview(sheet: Sheet, *, longest_px: int = _PREVIEW_PX) -> NDArray[np.uint8]:
    """Return the sheet as seen from straight above, RGB uint8, its longer side at most so many pixels.

    Only for looking at: nothing is measured in it.
    """
    pixels = sheet.picture.pixels
    scale = max(sheet.width_mm, sheet.height_mm) / longest_px
    columns, rows = max(1, round(sheet.width_mm / scale)), max(1, round(sheet.height_mm / scale))
    shrink = min(1.0, sheet.mm_per_px / scale)
    if shrink < 0.75:
        # Average first: mapping a large picture straight to a small one would alias thin lines away.
        small = cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    else:
        small, shrink = pixels, 1.0
    # Every 8th pixel is mapped and the rest interpolated: a lens bends the map by far less than a pixel on that way.
    x, y = np.meshgrid(
        (np.arange(0, columns + _MAP_STEP, _MAP_STEP) + 0.5) * scale,
        (np.arange(0, rows + _MAP_STEP, _MAP_STEP) + 0.5) * scale,
    )
    source = np.asarray(sheet.to_px(MmPoints(np.stack([x.ravel(), y.ravel()], axis=1))))
    # Far outside of the picture a strong lens maps to anywhere.
    source = np.clip(source, -_FAR_PX, _FAR_PX)
    at = ((source + 0.5) * shrink - 0.5).astype(np.float32).reshape(*x.shape, 2)
    spread = np.array([[1 / _MAP_STEP, 0, 0], [0, 1 / _MAP_STEP, 0]])
    map_x, map_y = (
        cv2.warpAffine(
            np.ascontiguousarray(at[..., k]), spread, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for k in (0, 1)
    )  # fmt: skip
    flat = cv2.remap(small, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=_WHITE)
    if flat.ndim == 2:
        flat = cv2.cvtColor(flat, cv2.COLOR_GRAY2RGB)
    return np.asarray(flat, dtype=np.uint8)


def _encode_jpeg(rgb: NDArray[np.uint8]) -> bytes:
    done, data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    assert done
    return bytes(data)


def sheet_jpeg(sheet: Sheet, *, longest_px: int = 4000) -> bytes:
    """Return a JPEG of the sheet as seen from straight above, covering its whole width and height in mm."""
    return _encode_jpeg(rectified_preview(sheet, longest_px=longest_px))


def overlay_jpeg(traced: TracedSheet, *, longest_px: int = 2200) -> bytes:
    """Return a JPEG of the picture as it was taken, with the traced outlines drawn on it."""
    pixels = traced.sheet.picture.pixels
    shrink = min(1.0, longest_px / max(pixels.shape[:2]))
    small = cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else pixels
    canvas = cv2.cvtColor(small, cv2.COLOR_GRAY2RGB) if small.ndim == 2 else small.copy()
    for piece in traced.pieces:
        for path in (piece.piece.outline, *piece.piece.holes):
            px = np.asarray(traced.sheet.to_px(path.flatten(0.05)))
            points = np.round(((px + 0.5) * shrink - 0.5) * 16).astype(np.int32)
            cv2.polylines(canvas, [points[:, None]], True, (196, 30, 120), 2, cv2.LINE_AA, 4)
    return _encode_jpeg(np.asarray(canvas, dtype=np.uint8))


def _error_paths(error: OutlineError) -> list[str]:
    """Stretches of the outline by class of |error|, each class one path."""
    points = np.asarray(error.points_mm)
    following = np.roll(points, -1, axis=0)
    classes = np.digitize(np.abs(error.error_mm), ERROR_STEPS_MM)
    classes = np.where(error.valid, classes, -1)
    out = []
    for k in (-1, *range(len(ERROR_COLOURS))):
        chosen = np.flatnonzero(classes == k)
        if len(chosen) == 0:
            continue
        data = []
        before = -2
        for i in chosen.tolist():
            start = f"M{points[i, 0]:.2f} {points[i, 1]:.2f}" if i != before + 1 else ""
            data.append(f"{start}L{following[i, 0]:.2f} {following[i, 1]:.2f}")
            before = i
        look = 'class="carried"' if k < 0 else f'stroke="{ERROR_COLOURS[k]}"'
        out.append(f'<path {look} d="{"".join(data)}"/>')
    return out


def _mark_svg(mark: Mark) -> str:
    title = f"<title>{escape(mark.kind + (': ' + mark.text if mark.text else ''))}</title>"
    if mark.path is not None:
        return f'<path class="mark" d="{mark.path.to_svg(decimals=2)}">{title}</path>'
    if mark.at is not None:
        return f'<circle class="mark" cx="{mark.at[0]:.2f}" cy="{mark.at[1]:.2f}" r="1.2">{title}</circle>'
    return ""


def _profile_svg(error: OutlineError) -> str:
    """Signed error against the way around the outline."""
    values = np.where(error.valid, error.error_mm, np.nan)
    reach = max(0.05, float(np.nanmax(np.abs(values))) if error.valid.any() else 0.05)
    steps = np.hypot(*np.diff(np.vstack([error.points_mm, error.points_mm[:1]]), axis=0).T)
    way = np.concatenate([[0.0], np.cumsum(steps)])[:-1]
    total = float(steps.sum())
    x = 600 * way / total
    y = 40 - 36 * values / reach
    data, pen = [], False
    for xi, yi in zip(x, y, strict=True):
        if np.isnan(yi):
            pen = False
            continue
        data.append(f"{'L' if pen else 'M'}{xi:.1f} {yi:.1f}")
        pen = True
    return (
        f'<svg class="profile" viewBox="0 0 690 80" role="img" aria-label="error along the outline">'
        f'<path class="axis" d="M0 40H600M0 4H600M0 76H600"/><path class="error" d="{"".join(data)}"/>'
        f'<text x="606" y="10">+{reach:.2f} mm outside</text><text x="606" y="44">0</text>'
        f'<text x="606" y="78">\N{MINUS SIGN}{reach:.2f} mm inside</text></svg>'
    )


def sheet_figure(traced: TracedSheet, *, thin: int = 3) -> SheetFigure:
    """Make the figure of one sheet; afterwards its pixels are no longer needed."""
    sheet = traced.sheet
    image = base64.b64encode(_encode_jpeg(rectified_preview(sheet))).decode("ascii")
    width, height = sheet.width_mm, sheet.height_mm
    parts = [
        f'<svg class="sheet" viewBox="0 0 {width:.2f} {height:.2f}" role="img" '
        f'aria-label="sheet {escape(sheet.id)} with traced outlines">',
        f'<image width="{width:.2f}" height="{height:.2f}" preserveAspectRatio="none" '
        f'href="data:image/jpeg;base64,{image}"/>',
        '<g class="marks">',
        *(_mark_svg(m) for m in traced.record.marks),
        "</g>",
    ]
    profiles = {}
    for entry in traced.pieces:
        piece = entry.piece
        parts.append(f'<g class="piece"><title>{escape(piece.name)}</title>')
        paths: tuple[Path | OpenPath, ...] = (piece.outline, *piece.holes)
        parts.extend(f'<path class="outline" d="{p.to_svg(decimals=3)}"/>' for p in paths)
        if entry.error is not None:
            for error in (entry.error, *entry.hole_errors):
                parts.extend(_error_paths(error))
            profiles[piece.id] = _profile_svg(entry.error)
        x, y = number_place(piece)
        parts.append(f'<text class="label" x="{x:.1f}" y="{y:.1f}" dy=".35em">{escape(piece.id)}</text></g>')
    parts.append("</svg>")
    page = f", page {sheet.picture.source.page}" if sheet.picture.source.page else ""
    return SheetFigure(
        sheet_id=sheet.id, heading=f"{sheet.picture.source.file}{page}", svg="\n".join(parts), profiles=profiles
    )
