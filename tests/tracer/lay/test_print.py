"""Where the print falls: pins on motifs, prints that run on over a seam, and the picture in the plan."""

from __future__ import annotations

import re

import numpy as np
import pytest

from calibration import Budget, Component, MmPoints, Picture, PlaneMap, PxPoints, Reference, Sheet, Source
from tests.tracer.lay.jobs import ellipse, piece, rectangle
from tests.tracer.lay.judge import judge
from tracer.errors import LayError
from tracer.lay.asked import parse_match, parse_pin, parse_point_mm
from tracer.lay.cloth import Cloth, cloth_from_sheet
from tracer.lay.draw import draw_mat
from tracer.lay.fussy import Match, Pin
from tracer.lay.laid import LayOptions
from tracer.lay.plan import plan_lay
from tracer.lay.record import to_json
from tracer.lay.rules import Rules
from tracer.lay.surface import Fabric, Leftover, Mat
from tracer.path import Path
from tracer.pattern import piece_to_json

QUICK = LayOptions(seconds=0.3)
REPEAT = Cloth(repeat_mm=(60.0, 80.0), origin_mm=(5.0, 7.0))
WEDGE = Path.polygon([(0, 0), (70, 0), (90, 200), (0, 200)])


def off_lattice(x: float, y: float, at: tuple[float, float]) -> float:
    rx, ry = REPEAT.repeat_mm or (1, 1)
    dx = (x - REPEAT.origin_mm[0] - at[0] + rx / 2) % rx - rx / 2
    dy = (y - REPEAT.origin_mm[1] - at[1] + ry / 2) % ry - ry / 2
    return max(abs(dx), abs(dy))


def middle(path: Path) -> tuple[float, float]:
    b = path.bounds
    return (b.x_min + b.x_max) / 2, (b.y_min + b.y_max) / 2


def test_every_copy_of_a_pinned_piece_has_the_motif_in_its_middle() -> None:
    pieces = [piece(1, ellipse(35, 25), count=4), piece(2, rectangle(50, 90), count=3)]
    pins = [Pin(piece="Piece 1", at_mm=(20.0, 33.0))]
    lay = plan_lay(pieces, Fabric(width_mm=400), Rules(), QUICK, cloth=REPEAT, pins=pins)
    pinned = [p for p in lay.mats[0].placements if p.piece.id == "p1"]
    assert len(pinned) == 4
    assert all(off_lattice(*middle(p.outline), (20.0, 33.0)) < 1e-6 for p in pinned)
    assert judge(to_json(lay), [piece_to_json(p) for p in pieces]) == []


def test_a_pin_may_name_a_point_of_the_piece() -> None:
    pieces = [piece(1, rectangle(40, 60), count=2)]
    pins = [Pin(piece="p1", at_mm=(20.0, 33.0), point_mm=(10.0, 15.0))]
    lay = plan_lay(pieces, Fabric(width_mm=400), Rules(turn="none"), QUICK, cloth=REPEAT, pins=pins)
    for p in lay.mats[0].placements:
        b = p.outline.bounds
        assert off_lattice(b.x_min + 10.0, b.y_min + 15.0, (20.0, 33.0)) < 1e-6


def test_without_a_repeat_the_pin_is_one_place() -> None:
    pieces = [piece(1, rectangle(40, 60), count=2), piece(2, rectangle(30, 30), count=2)]
    cloth = Cloth(pixels=np.zeros((200, 300, 3), dtype=np.uint8), mm_per_px=1.0)
    lay = plan_lay(
        pieces,
        Mat(width_mm=300, length_mm=200),
        Rules(margin_mm=10.0),
        QUICK,
        cloth=cloth,
        pins=[Pin(piece="p1", at_mm=(100, 80))],
    )
    laid = [p for p in lay.mats[0].placements if p.piece.id == "p1"]
    assert [middle(p.outline) for p in laid] == [pytest.approx((100.0, 80.0))]
    assert [(m.piece.id, m.copy) for m in lay.not_placed] == [("p1", 2)]
    assert "where the print asks for it" in lay.not_placed[0].why


@pytest.mark.parametrize(("side", "allowance"), [("left", 0.0), ("left", 9.525), ("right", 6.0)])
def test_the_print_runs_on_over_the_seam_of_a_mirrored_pair(side: str, allowance: float) -> None:
    pieces = [piece(1, WEDGE, count=2, mirrored=True, name="Front")]
    match = Match(piece="Front", side=side, allowance_mm=allowance)  # type: ignore[arg-type]
    lay = plan_lay(pieces, Fabric(width_mm=420), Rules(), QUICK, cloth=REPEAT, matches=[match])
    first, second = sorted(lay.mats[0].placements, key=lambda p: p.copy)
    assert second.mirrored
    a, b = first.outline.bounds, second.outline.bounds
    # The stitching lines of both sides lie on the same place of the repeat.
    if side == "left":
        seam, other = a.x_min + allowance, b.x_max - allowance
    else:
        seam, other = a.x_max - allowance, b.x_min + allowance
    assert abs((other - seam + 30.0) % 60.0 - 30.0) < 1e-6
    assert abs((b.y_min - a.y_min + 40.0) % 80.0 - 40.0) < 1e-6
    assert judge(to_json(lay), [piece_to_json(p) for p in pieces]) == []


def test_a_matched_pair_may_be_pinned_too() -> None:
    pieces = [piece(1, WEDGE, count=4, mirrored=True)]
    lay = plan_lay(
        pieces, Fabric(width_mm=520), Rules(), QUICK, cloth=REPEAT,
        matches=[Match(piece="p1", side="left")], pins=[Pin(piece="p1", at_mm=(30.0, 40.0))],
    )  # fmt: skip
    first = [p for p in lay.mats[0].placements if not p.mirrored]
    assert len(first) == 2
    assert all(off_lattice(*middle(p.outline), (30.0, 40.0)) < 1e-6 for p in first)
    assert not lay.not_placed


def test_pins_work_on_a_leftover() -> None:
    pieces = [piece(1, ellipse(30, 30), count=2), piece(2, rectangle(40, 40), count=2)]
    leftover = Leftover(outline=ellipse(250, 200))
    lay = plan_lay(pieces, leftover, Rules(margin_mm=5.0), QUICK, cloth=REPEAT, pins=[Pin(piece="p1", at_mm=(0, 0))])
    assert not lay.not_placed
    assert judge(to_json(lay), [piece_to_json(p) for p in pieces]) == []


def test_a_wrong_pin_or_match_is_one_clear_line() -> None:
    pieces = [piece(1, WEDGE, count=2)]
    cloth = Fabric(width_mm=400)
    with pytest.raises(LayError, match="no piece 'Frnt'"):
        plan_lay(pieces, cloth, Rules(), QUICK, cloth=REPEAT, pins=[Pin(piece="Frnt", at_mm=(0, 0))])
    with pytest.raises(LayError, match="no mirrored pair"):
        plan_lay(pieces, cloth, Rules(), QUICK, cloth=REPEAT, matches=[Match(piece="p1", side="left")])
    pair = [piece(1, WEDGE, count=2, mirrored=True)]
    with pytest.raises(LayError, match="repeat is needed"):
        plan_lay(pair, cloth, Rules(), QUICK, matches=[Match(piece="p1", side="left")])
    with pytest.raises(LayError, match="single cloth"):
        plan_lay(pieces, cloth, Rules(folded=True), QUICK, cloth=REPEAT, pins=[Pin(piece="p1", at_mm=(0, 0))])
    with pytest.raises(LayError, match="at least 1 mm"):
        Cloth(repeat_mm=(0.0, 10.0))
    for text in ("Pocket", "=1,2mm", "Pocket=1mm", "Pocket=1,2"):
        with pytest.raises(LayError, match="write it like"):
            parse_pin(text)
    for text in ("Front", "Front=top", "Front=left,wide"):
        with pytest.raises(LayError, match="write it like"):
            parse_match(text)


def test_pins_and_matches_are_read_from_words() -> None:
    assert parse_pin("Pocket = 30, 45mm") == Pin(piece="Pocket", at_mm=(30.0, 45.0))
    assert parse_pin("Pocket@1in,0.5in=30mm,4cm") == Pin(piece="Pocket", at_mm=(30.0, 40.0), point_mm=(25.4, 12.7))
    match = parse_match("Front=right,3/8in")
    assert (match.piece, match.side) == ("Front", "right")
    assert match.allowance_mm == pytest.approx(9.525, abs=1e-9)
    assert parse_point_mm("1,2in") == (25.4, 50.8)


def sheet_of(pixels: np.ndarray, mm_per_px: float) -> Sheet:
    half = mm_per_px / 2
    plane = PlaneMap.affine(np.array([[mm_per_px, 0, half], [0, mm_per_px, half]]))
    points = np.array([[0.0, 0.0], [1.0, 0.0]])
    reference = Reference(
        kind="density",
        size=f"{25.4 / mm_per_px:g}",
        points_px=PxPoints(points),
        points_mm=MmPoints(points * mm_per_px),
        sigma_px=np.full(2, 0.1),
        tolerance_relative=0.001,
        outline_px=PxPoints(np.zeros((0, 2))),
    )
    return Sheet(
        id="s1",
        picture=Picture(pixels=pixels, source=Source(file="cloth.png", page=None, sha256="0" * 64)),
        plane=plane,
        width_mm=pixels.shape[1] * mm_per_px,
        height_mm=pixels.shape[0] * mm_per_px,
        reference=reference,
        budget=Budget(components=(Component(name="reading", standard_uncertainty=0.1),)),
    )


def test_the_plan_shows_the_cloth_inside_each_piece() -> None:
    pixels = np.full((200, 300, 3), 230, dtype=np.uint8)
    pixels[80:120, 130:170] = (200, 30, 30)
    cloth = Cloth(pixels=pixels, mm_per_px=1.0)
    pieces = [piece(1, ellipse(40, 30), name="Pocket")]
    lay = plan_lay(
        pieces,
        Mat(width_mm=300, length_mm=200),
        Rules(margin_mm=10.0),
        QUICK,
        cloth=cloth,
        pins=[Pin(piece="Pocket", at_mm=(150, 100))],
    )
    text = draw_mat(lay, 1)
    assert text.count("data:image/jpeg;base64,") == 1
    clip = re.search(r'<clipPath id="cut-f1"><path d="([^"]+)"', text)
    assert clip is not None
    drawn = Path.from_svg(clip[1])
    assert middle(drawn) == pytest.approx((150.0, 100.0), abs=1e-3)
    assert '<g clip-path="url(#cut-f1)">' in text


def test_a_photo_of_the_cloth_is_laid_out_at_its_scale() -> None:
    pixels = np.zeros((100, 150, 3), dtype=np.uint8)
    pixels[40:60, 90:110, 0] = 255
    cloth = cloth_from_sheet(sheet_of(pixels, 2.0), mm_per_px=1.0)
    assert cloth.size_mm == (300.0, 200.0)
    assert cloth.pixels is not None
    red = np.argwhere(cloth.pixels[:, :, 0] > 128)
    low, high = (red.min(axis=0)) * cloth.mm_per_px, (red.max(axis=0) + 1) * cloth.mm_per_px
    assert low == pytest.approx([80, 180], abs=1.0)
    assert high == pytest.approx([120, 220], abs=1.0)
