"""Marks at a point: dots, circles and crosses that stand alone or on a line, filled notches, letters in tile marks."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.piece import MarkKind
from tracer.search.graph import Points
from tracer.search.kinds import TOUCH_MM
from tracer.search.lettering import boxes_around, covered, is_beside_words, is_letter
from tracer.search.mark_sheet import MarkSheet
from tracer.search.spots import SPOT_MM, dot_on_line, ring_middle, ring_on_line, spot_kind, spot_shape

SPECK_MM = 0.8
"""Smaller spots are dirt (common practice, no source)."""
_LETTER_SHARE = 0.5


def name_spots(on: MarkSheet, lettering: NDArray[np.uint8], dark: NDArray[np.uint8], *, unknown: bool = False) -> None:
    """Name small pieces of ink: dots, circles, crosses; ``unknown`` keeps those that are none of these."""
    ink = on.work.ink
    for x, y, wide, high, area, dash in on.work.small:
        if dash == 1:
            continue
        size = max(int(wide), int(high)) * on.scale
        middle = np.array([x + wide / 2 - 0.5, y + high / 2 - 0.5])
        if size < SPECK_MM or not on.inside_sheet(middle):
            continue
        window = (slice(y, y + high), slice(x, x + wide))
        patch = ink.mask[window]
        if lettering[int(middle[1]), int(middle[0])]:
            shape = None if unknown or size < SPOT_MM else spot_kind(patch, int(area))
            if not unknown and shape is None and _name_ring_on_line(on, patch, window):
                continue
            if shape is None or not is_beside_words(shape, middle, max(wide, high), on.lettered):
                continue
        box = np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y)], dtype=np.float64)
        if unknown:
            if on.on_tile(middle) or on.is_beneath(middle, 0.5 * size + TOUCH_MM):
                continue
            inked = np.argwhere(patch > 0)[:, ::-1] + [x, y]
            if size > 1.5 and not _share_claimed(patch, on.claimed[window]) > 0.3 and not on.is_left_over(inked):
                on.add(_small_kind(on, middle, patch), box, point=True, confidence=0.5)
            continue
        kind = None if on.on_tile(middle) else spot_kind(patch, int(area)) or dot_on_line(patch, on.scale)
        if kind is None and _name_ring_on_line(on, patch, window):
            continue
        if kind is None or _share_claimed(patch, on.claimed[window]) > 0.5:
            continue
        owner = on.piece_at(middle, slack_mm=0.0)
        if kind == "circle" and owner >= 0 and size >= 5.0 and _bold_ring(on, patch, dark[window]):
            ring = ring_middle(patch)
            if ring is not None:
                on.pieces[owner].holes.append(ring + [x, y])
                on.claimed[window][patch > 0] = 1
                continue
        on.add(kind, spot_shape(kind, patch) + [x, y], point=True)
        on.claimed[window][patch > 0] = 1


def _name_ring_on_line(on: MarkSheet, patch: NDArray[np.uint8], window: tuple[slice, slice]) -> bool:
    """Name a ring with a dash of the line that it stands on; a letter of a word that was read is none."""
    ring = None if _share_claimed(patch, on.claimed[window]) > 0.5 else ring_on_line(patch, on.scale)
    if ring is None:
        return False
    ring = ring + [window[1].start, window[0].start]
    if on.on_tile(ring[:-1].mean(axis=0)) or (_in_words(on, ring) and not is_ring(on, "circle", ring[:-1])):
        return False
    on.add("circle", ring, point=True)
    on.claim(ring)
    return True


def _in_words(on: MarkSheet, ring: Points) -> bool:
    """Return whether a ring lies in the box of a word that was read, or is a letter of one that was not."""
    return bool(boxes_around(ring[:-1].mean(axis=0), on.lettered)) or is_letter(ring, on.texts)


def _small_kind(on: MarkSheet, middle: Points, patch: NDArray[np.uint8]) -> MarkKind:
    """Return what a small mark is that has no shape of its own: a filled notch beside an outline, or unknown."""
    solid = float((patch > 0).mean()) > 0.4
    owner = on.piece_at(middle, slack_mm=8.0) if solid else -1
    if owner >= 0 and abs(float(on.away(owner, middle[None])[0])) < 0.5 * max(patch.shape) * on.scale + TOUCH_MM:
        return "notch"
    return "unknown"


def keep_tile_letters(on: MarkSheet) -> None:
    """Keep what stands in a tile mark as text, read or not, and nothing else of it."""
    for tile in on.tiles:
        on.claimed[cv2.fillPoly(np.zeros_like(on.claimed), [np.rint(tile).astype(np.int32)], 1) > 0] = 1
        read = [ring[:-1].mean(axis=0) for _, ring in on.lettered]
        if any(cv2.pointPolygonTest(tile, (float(x), float(y)), measureDist=False) > 0 for x, y in read):
            continue
        middle = tile.reshape(-1, 2).astype(np.float64).mean(axis=0)
        inner = middle + _LETTER_SHARE * (tile.reshape(-1, 2) - middle)
        on.add("text", np.concatenate([inner, inner[:1]]), point=True, confidence=0.4)


def name_blobs(on: MarkSheet, lettering: NDArray[np.uint8]) -> None:
    """Name solid spots that sit on lines: dots, filled notches."""
    for blob in on.work.blobs:
        x, y = (int(v) for v in blob.middle)
        if id(blob) in on.used_blobs or lettering[y, x] or covered(blob.points, on.claimed) > 0.5:
            continue
        if on.is_beneath(blob.middle, 0.5 * blob.size * on.scale + TOUCH_MM):
            continue
        ring = np.concatenate([blob.points, blob.points[:1]])
        if blob.round:
            on.add("dot", ring, point=True, confidence=0.8)
            continue
        owner = on.piece_at(blob.middle, slack_mm=8.0)
        away = float(on.away(owner, blob.middle[None])[0]) if owner >= 0 else np.inf
        near = abs(away) < 0.5 * blob.size * on.scale + TOUCH_MM
        on.add("notch" if near else "unknown", ring, point=not near, confidence=0.7)


def _bold_ring(on: MarkSheet, patch: NDArray[np.uint8], dark: NDArray[np.uint8]) -> bool:
    """Return whether a small ring is drawn with a line as heavy as the cutting lines."""
    ring = ring_middle(patch)
    if ring is None or not on.usual_mass:
        return False
    length = float(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).sum())
    mass = float(dark[patch > 0].sum()) / 255.0 / max(1.0, length)
    return mass > 0.8 * on.usual_mass


def is_ring(on: MarkSheet, kind: MarkKind, loop: Points) -> bool:
    """Return whether a round loop in the box of a word is no letter."""
    return is_beside_words(kind, loop.mean(axis=0), float(np.ptp(loop, axis=0).max()), on.lettered)


def _share_claimed(patch: NDArray[np.uint8], claimed: NDArray[np.uint8]) -> float:
    ink = patch > 0
    return float((claimed[ink] > 0).mean()) if ink.any() else 0.0
