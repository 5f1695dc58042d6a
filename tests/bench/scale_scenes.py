"""Random scenes for ``tests.bench.scale_coverage``: one reference each, in scans and in photos.

What a scene is allowed to be is what the tool says it assumes: scanners whose two axes differ by 0.2 % (one standard
deviation), phones held within five degrees of level with |k1| up to 0.02, references as wrong as their stated
tolerance lets them be. Sheets of paper are cut wrong within what ISO 216 allows, each side by itself; a stated density
is wrong along each axis by itself. Where a sheet shows no edge, straight lines of its drawing are bent, as lines that
are printed or ruled by hand may be. Any other reference's own error only scales what is measured: it is put in with
:attr:`Case.stretch`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration import Density, Picture, ReferenceRequest, Source
from calibration.references.card import TOLERANCE_RELATIVE as CARD
from calibration.references.density import SCANNER_TOLERANCE
from calibration.references.mat.finder import TOLERANCE_RELATIVE as MAT
from calibration.references.ruler.finder import TOLERANCE_RELATIVE as RULER
from calibration.references.square import DRAWN_TO_MM
from calibration.references.target import target_layout
from calibration.references.target.finder import TOLERANCE_RELATIVE as TARGET
from fixtures import render, scenarios
from fixtures.files import Rendered
from fixtures.scenarios.surroundings import MATS
from fixtures.scene import Scene, srgb

FILM_DIAGONAL_MM = 43.2666
KINDS = (
    "scan square=1in", "scan square=50mm", "scan card", "scan ruler=mm", "scan ruler=1/16in", "scan sheet",
    "scan target", "scan density", "photo square=50mm", "photo square=50mm open", "photo card", "photo card open",
    "photo ruler=mm", "photo sheet", "photo target", "photo mat",
)  # fmt: skip
STANDARD_TOLERANCE = {
    "square=1in": DRAWN_TO_MM * 2**0.5 / 25.4,
    "square=50mm": DRAWN_TO_MM * 2**0.5 / 50.0,
    "card": CARD,
    "ruler=mm": RULER,
    "ruler=1/16in": RULER,
    "target": TARGET,
    "mat": MAT,
}
"""Standard uncertainty of each kind's own size, as the tool states it."""
HEIGHTS_MM = {"card": 0.76, "square": 0.2, "ruler": 0.5}
"""A card's thickness (ISO/IEC 7810); paper that does not lie quite flat; a ruler's bevelled edge (judgement)."""
BENT_RAD = (0.0006, 0.004)
"""Standard deviation of how far straight lines turn from end to end: well printed, ruled by hand (judgement)."""
ASKEW_DEG = 0.04
"""Standard deviation of the angles of a sheet's sides, as the tool assumes it (judgement)."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """A rendered scene and what to ask of it.

    ``area_mm`` is where lengths are measured (x0, y0, x1, y1). ``stretch`` is true size over nominal size of the
    reference by which the tool scales; what it measures is multiplied by it.
    """

    words: str
    rendered: Rendered
    request: ReferenceRequest | None
    area_mm: tuple[float, float, float, float]
    stretch: float


def picture_of(rendered: Rendered) -> Picture:
    """Return the picture as intake would read it from the file."""
    h, w = rendered.pixels.shape[:2]
    focal = rendered.focal_35mm
    return Picture(
        pixels=rendered.pixels,
        source=Source(file="scene", page=None, sha256=""),
        density=None
        if rendered.tag_dpi is None
        else Density(x_per_inch=rendered.tag_dpi, y_per_inch=rendered.tag_dpi, origin="JFIF"),
        focal_px=None if focal is None else round(focal) / FILM_DIAGONAL_MM * float(np.hypot(w, h)),
    )


def as_jpeg(rendered: Rendered) -> Rendered:
    """Return the picture as it comes back from the file that a scanner or phone writes."""
    options = [cv2.IMWRITE_JPEG_QUALITY, rendered.quality]
    coded = cv2.imencode(".jpg", cv2.cvtColor(rendered.pixels, cv2.COLOR_RGB2BGR), options)[1]
    return replace(rendered, pixels=cv2.cvtColor(cv2.imdecode(coded, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB))


def lay_target(scene: Scene, at: tuple[float, float], paper: str = "A4") -> None:
    """Lay our printed target down, its page's top-left corner at ``at``."""
    layout = target_layout(paper)

    def box(x: float, y: float, w: float, h: float) -> np.ndarray:
        return np.asarray([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]) + at

    scene.fill([box(0, 0, layout.width_mm, layout.height_mm)], srgb(244, 243, 240), texture=0.006)
    scene.fill([box(*b) for b in layout.black_boxes_mm], srgb(28))


def _scene(what: str, edges: bool, paper: str, seed: int, rng: np.random.Generator) -> Scene:
    if what == "target":
        # Laid beside or on a drawn sheet, somewhere.
        base = drawn("none", True, "A3", seed, rng)
        lay_target(base, (float(rng.uniform(5, 80)), float(rng.uniform(5, 115))))
        return base
    if what == "mat":
        return scenarios.build(
            "mat",
            seed=seed,
            pitch=(pitch := str(rng.choice(["1in", "0.5in", "10mm"]))),
            size_in=(18.0, 12.0),
            heavy_every={"1in": 6, "0.5in": 2, "10mm": 5}[pitch],
            colour=str(rng.choice(list(MATS))),
            made_of=str(rng.choice(["card", "sheet"])),
            pieces=3,
            size=0.9,
        )
    return drawn("none" if what == "density" else what, edges, paper, seed, rng)


def drawn(what: str, edges: bool, paper: str, seed: int, rng: np.random.Generator) -> Scene:
    """Return a drawn sheet with one reference of a kind, or none, edges in view or not."""
    error = rng.uniform(-2.0, 2.0, 2)  # what ISO 216 allows on sides of 150 to 600 mm
    askew = np.random.default_rng([seed, 43]).normal(0.0, ASKEW_DEG, 3)
    scene = scenarios.build(
        "reference",
        seed=seed,
        kind=what,
        paper=paper,
        edges=edges,
        ground=str(rng.choice(["wood", "dark wood", "black", "grey table"])),
        pieces=2,
        corner=bool(rng.random() < 0.7),
        sheet_error_mm=(float(error[0]), float(error[1])) if what == "sheet" else (0.0, 0.0),
        sheet_askew_deg=(float(askew[0]), float(askew[1]), float(askew[2])),
        bent_rad=0.0 if edges else float(np.exp(np.random.default_rng([seed, 44]).uniform(*np.log(BENT_RAD)))),
    )
    if what == "sheet":
        # A sheet that sets the scale is laid down whole, however it is turned.
        scene.settings["scan_margin_mm"] = 18.0
    return scene


def _scanned(scene: Scene, what: str, seed: int, rng: np.random.Generator) -> Rendered:
    half = SCANNER_TOLERANCE * 3**0.5
    # A stated density is a scanner's promise; otherwise its two axes are as they are.
    xy = rng.uniform(-half, half, 2) if what == "density" else rng.normal(0, 0.0014, 2)
    return render.scan(
        scene,
        dpi=float(rng.choice([100.0, 150.0]) if what in ("target", "sheet", "density") else rng.choice([150.0, 200.0])),
        rotation_deg=float(rng.uniform(-3, 3)),
        density_xy=(float(1 + xy[0]), float(1 + xy[1])),
        noise=float(rng.uniform(0.004, 0.012)),
        blur_px=float(rng.uniform(0.6, 1.0)),
        tag_dpi="right" if what == "density" else None,
        seed=seed,
    )


def _photographed(scene: Scene, what: str, seed: int, rng: np.random.Generator) -> Rendered:
    # A ruler's millimetres need some 5 px each to be read.
    width_px = 3000 if what.startswith("ruler") else 2000
    roll = 0.0 if what == "mat" else 90.0
    return phone_photo(scene, rng, width_px=width_px, roll_deg=roll, most_tilt_deg=5.0, seed=seed)


def phone_photo(
    scene: Scene,
    rng: np.random.Generator,
    *,
    width_px: int,
    roll_deg: float,
    most_tilt_deg: float,
    seed: int,
    curl_mm: float = 0.0,
    curl_waves: int = 0,
) -> Rendered:
    """Return a photo as a phone held level makes it: a weak lens, noise and blur, the focal length stated or not."""
    return render.photo(
        scene,
        width_px=width_px,
        height_px=width_px * 3 // 4,
        roll_deg=roll_deg + float(rng.normal(0, 2)),
        tilt_deg=float(rng.uniform(0, most_tilt_deg)),
        azimuth_deg=float(rng.uniform(0, 360)),
        k1=float(rng.uniform(-0.02, 0.02)),
        focal_35mm=float(rng.choice([24.0, 26.0, 28.0])),
        exif_focal=bool(rng.random() < 0.6),
        noise=float(rng.uniform(0.006, 0.018)),
        blur_px=float(rng.uniform(0.7, 1.1)),
        curl_mm=curl_mm,
        curl_waves=curl_waves,
        seed=seed,
    )


def case(seed: int) -> Case:
    """Return one random scene."""
    rng = np.random.default_rng([seed, 41])
    kind = KINDS[seed % len(KINDS)]
    how, what = kind.split()[:2]
    paper = "A4" if how == "scan" else "A3"
    scene = _scene(what, "open" not in kind, paper, seed, rng)
    word, _, size = what.partition("=")
    if word == "mat":
        size = str(next(r for r in scene.references if r["kind"] == "mat")["pitch"])
    asked = {"sheet": paper, "density": "", "target": "", "mat": ""}.get(word, size)
    rendered = (_scanned if how == "scan" else _photographed)(scene, what, seed, rng)
    half_width = STANDARD_TOLERANCE.get(what, 0.0) * 3**0.5
    stretch = 1.0 + float(rng.uniform(-half_width, half_width))
    if how == "photo" and word in HEIGHTS_MM:
        # Its face lies nearer to the camera than the pattern, by anything up to its height, and so looks larger. The
        # paper that a square is printed on is as likely to lift where the pattern is.
        away_mm = rendered.camera.mm_per_px() * rendered.camera.focal_px
        lowest = -HEIGHTS_MM[word] if word == "square" else 0.0
        stretch *= 1.0 - float(rng.uniform(lowest, HEIGHTS_MM[word])) / away_mm
    return Case(
        words=kind,
        rendered=as_jpeg(rendered),
        request=ReferenceRequest(kind=word, size=asked),  # type: ignore[arg-type]
        area_mm=(0.0, 0.0, scene.width_mm, scene.height_mm),
        stretch=stretch,
    )
