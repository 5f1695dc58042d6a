"""Writing the files of a job: what is asked for is worked out first, checked, and only then written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from tracer.errors import FileFormatError
from tracer.files.drawing import Drawing
from tracer.files.dxf import DxfVersion, LayerNames, dxf_document
from tracer.files.names import distinct_stems
from tracer.files.pdf import PROJECTOR, PdfStyle, pdf_page
from tracer.files.png import png_picture
from tracer.files.svg import svg_document
from tracer.files.tiles import TileOptions, pdf_tiles
from tracer.pattern import write_bytes_whole

FileKind = Literal["svg", "dxf", "pdf", "png"]
FILE_KINDS: tuple[FileKind, ...] = get_args(FileKind)


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteOptions:
    """How drawings become files.

    Parameters
    ----------
    kinds : tuple of str
        Tiles and the projector's page are PDF, which they add.
    paper : str or None
        Tiles on this paper beside the one-page PDF; None for no tiles.
    projector : bool
        A PDF page with thick lines, to be thrown on cloth by a projector.
    outlines_only : bool
        Nothing but cutting lines, for cutting machines.
    dxf_version, dxf_layers
    pixels_per_inch : float
        Of PNG pictures.
    overlap_mm : float
        Of tiles.
    """

    kinds: tuple[FileKind, ...]
    paper: str | None = None
    projector: bool = False
    outlines_only: bool = False
    dxf_version: DxfVersion = "R2000"
    dxf_layers: LayerNames = "plain"
    pixels_per_inch: float = 300.0
    overlap_mm: float = 10.0

    def __post_init__(self) -> None:
        if (self.paper is not None or self.projector) and self.kinds and "pdf" not in self.kinds:
            object.__setattr__(self, "kinds", (*self.kinds, "pdf"))
        if not self.kinds:
            raise FileFormatError(f"no kind of file was asked for; choose from {', '.join(FILE_KINDS)}")
        for kind in self.kinds:
            if kind not in FILE_KINDS:
                raise FileFormatError(
                    f"'{kind}' is no kind of file this tool writes; choose from {', '.join(FILE_KINDS)}"
                )
        for value, allowed, what in (
            (self.dxf_version, get_args(DxfVersion), "DXF version"),
            (self.dxf_layers, get_args(LayerNames), "way to name DXF layers"),
        ):
            if value not in allowed:
                raise FileFormatError(f"'{value}' is no {what} this tool writes; choose from {', '.join(allowed)}")
        if self.paper is not None:
            TileOptions(paper=self.paper, overlap_mm=self.overlap_mm)


def _makers(drawing: Drawing, options: WriteOptions) -> dict[str, Callable[[], bytes]]:
    """Ending of the file name and how its content is made."""
    bare = options.outlines_only
    style = PdfStyle(outlines_only=bare)
    makers: dict[str, Callable[[], bytes]] = {}
    if "svg" in options.kinds:
        makers[".svg"] = lambda: svg_document(drawing, outlines_only=bare).encode("utf-8")
    if "dxf" in options.kinds:
        makers[".dxf"] = lambda: dxf_document(
            drawing, version=options.dxf_version, layer_names=options.dxf_layers, outlines_only=bare
        )
    if "pdf" in options.kinds:
        makers[".pdf"] = lambda: pdf_page(drawing, style=style)
        if options.paper is not None:
            tiles = TileOptions(paper=options.paper, overlap_mm=options.overlap_mm)
            makers[f"-{options.paper}-tiles.pdf"] = lambda: pdf_tiles(drawing, options=tiles, style=style)
        if options.projector:
            makers["-projector.pdf"] = lambda: pdf_page(drawing, style=PROJECTOR)
    if "png" in options.kinds:
        makers[".png"] = lambda: png_picture(drawing, pixels_per_inch=options.pixels_per_inch)
    return makers


def write_drawings(
    drawings: Sequence[Drawing],
    folder: Path,
    options: WriteOptions,
    *,
    replace_existing: bool = False,
    on_progress: Callable[[str, float], None] | None = None,
) -> list[Path]:
    """Write every drawing in every kind asked for.

    Returns
    -------
    list of pathlib.Path
        What was written, in order.

    Raises
    ------
    FileFormatError
        When a file is there already and may not be replaced; nothing is written then.
    JobError
        When the disk is full or the folder cannot be written to; no half file is left.
    """
    tell = on_progress or (lambda _words, _share: None)
    stems = distinct_stems([d.title for d in drawings])
    jobs = [
        (folder / f"{stem}{ending}", make)
        for stem, drawing in zip(stems, drawings, strict=True)
        for ending, make in _makers(drawing, options).items()
    ]
    there = [path.name for path, _ in jobs if path.exists()]
    if there and not replace_existing:
        more = f" and {len(there) - 1} more" if len(there) > 1 else ""
        raise FileFormatError(f"{there[0]}{more} is there already in {folder}; add --force to replace, or choose --out")
    for index, (path, make) in enumerate(jobs):
        tell(f"writing {path.name}", index / len(jobs))
        write_bytes_whole(path, make())
    return [path for path, _ in jobs]
