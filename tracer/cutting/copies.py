"""Copies of a piece: so many of each, every second one a mirror image where they are pairs.

A mirror image is taken about the upright line through the middle of the piece's box, so that it keeps its place on the
sheet. Everything on the piece is mirrored with it; words stay words (they are read from the front) and only their place
is mirrored.
"""

from __future__ import annotations

from dataclasses import replace

from tracer.path import Affine, mirror_matrix
from tracer.piece import Made, Mark, Piece


def transformed_mark(mark: Mark, matrix: Affine) -> Mark:
    """Return a mark under an affine map of shape (2, 3)."""
    at = mark.at
    if at is not None:
        moved = matrix[:, :2] @ at + matrix[:, 2]
        at = (float(moved[0]), float(moved[1]))
    return replace(mark, path=None if mark.path is None else mark.path.transformed(matrix), at=at)


def mirrored_piece(piece: Piece) -> Piece:
    """Return the mirror image of a piece, with everything on it; it knows that it is one.

    Mirrored twice it is the piece again.
    """
    box = piece.outline.bounds
    matrix = mirror_matrix(((box.x_min + box.x_max) / 2, 0.0), (0.0, 1.0))
    made = piece.made or Made(sources=(piece.id,))
    return replace(
        piece,
        outline=piece.outline.transformed(matrix).reversed(),
        holes=tuple(h.transformed(matrix).reversed() for h in piece.holes),
        marks=tuple(transformed_mark(m, matrix) for m in piece.marks),
        made=replace(made, mirrored=not made.mirrored),
    )


def every_copy(piece: Piece) -> tuple[Piece, ...]:
    """Return every copy of a piece in the order they are cut; in pairs the second, fourth, ... are mirror images."""
    mirror = mirrored_piece(piece) if piece.cut.mirrored and piece.cut.count > 1 else piece
    return tuple(mirror if n % 2 else piece for n in range(piece.cut.count))
