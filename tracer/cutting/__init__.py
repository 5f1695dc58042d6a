"""Cut-ready pieces: what is cut, computed on the curves from what was traced. The traced pieces never change.

:func:`read_cut_list` reads a list, :func:`make_cut` carries it out, :func:`propose` writes a first one. The single
operations work on a :class:`Shape`, an outline whose edges have names: :func:`trim`, :func:`join`, :func:`unfold`,
:func:`split`, :func:`allow`.
"""

from __future__ import annotations

from tracer.cutting.allowance import Allowance, Allowed, EdgeAllowance, allow, stitching_shape
from tracer.cutting.copies import every_copy, mirrored_piece
from tracer.cutting.cutlist import CutList, CutPiece, SeamPair
from tracer.cutting.edges import Edge, edges_of, find_edge, sides
from tracer.cutting.fold import unfold
from tracer.cutting.joining import Joined, join
from tracer.cutting.make import CutResult, MadePiece, Stage, make_cut
from tracer.cutting.propose import propose
from tracer.cutting.reader import read_cut_list
from tracer.cutting.seams import SeamCheck, check_seam
from tracer.cutting.shape import Shape, shape_of
from tracer.cutting.splitting import line_between, split
from tracer.cutting.trimming import trim

__all__ = [
    "Allowance",
    "Allowed",
    "CutList",
    "CutPiece",
    "CutResult",
    "Edge",
    "EdgeAllowance",
    "Joined",
    "MadePiece",
    "SeamCheck",
    "SeamPair",
    "Shape",
    "Stage",
    "allow",
    "check_seam",
    "edges_of",
    "every_copy",
    "find_edge",
    "join",
    "line_between",
    "make_cut",
    "mirrored_piece",
    "propose",
    "read_cut_list",
    "shape_of",
    "sides",
    "split",
    "stitching_shape",
    "trim",
    "unfold",
]
